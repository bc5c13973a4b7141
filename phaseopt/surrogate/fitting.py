"""The hyperparameters that the readings and a little prior knowledge (`beliefs`) make most likely."""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from phaseopt.surrogate import hyperpriors as hyperpriors
from phaseopt.surrogate.conditioning import condition, likelihood_and_slopes
from phaseopt.surrogate.descent import curvature_of, descend
from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.hyperpriors import Hyperpriors
from phaseopt.surrogate.inducing_points import InducedModel
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.prior import GridPrior
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend, grid_error
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

# Lengths and noise of the starts, as multiples of the medians: middling, short with little noise, long with much.
_STARTS = ((1.0, 1.0), (0.3, 0.3), (3.0, 3.0))
_SOME = 600  # readings on which three starts are tried: nearly all projects have fewer, and then it is all of them
_MANY = 2000  # readings that choose the hyperparameters at most: they are known to some percent by then
EXACT = 3000  # readings up to which the model is exact: a matrix of 72 MB, some seconds
_ENOUGH = 1e-3  # of a natural logarithm of likelihood; what is not worth another step


def fit(readings: Readings, prior: GridPrior | None = None, simulated_at: Array | None = None) -> TorqueSurface:
    """The model with the most likely hyperparameters, given the readings and weak beliefs.

    L-BFGS-B with analytic gradients in the logarithms of signal, lengths, noise and pull, from three fixed starts.
    With more than 600 readings the starts are tried on 600 of them, and the best is mended on all (of more than 2,000,
    on 2,000), which is several times cheaper than three starts on all. Beyond 3,000 readings the model is an
    approximation (`induced`), made for up to some 20,000. The mean takes its most likely level at each
    step; with a `prior` it is the simulation, whose scale and shift are integrated out, and the surface is what the
    simulation leaves over (inputs rpm, load, icl, ecl). Waves are narrower than the steps of a grid over speed: give
    `simulated_at` (n,), torque simulated at the readings themselves [N·m], so that what is left over is the engine's
    and not the interpolation's.
    One BLAS thread: the same readings give the same bytes.
    Without a prior, an input that never varies counts one of its own units as its spread, so the model claims to know
    little about other values of it.

    Raises `InputError` with fewer than d + 2 readings, and with a prior where a reading has no simulated torque
    (`Readings.kept` leaves such readings out).

    >>> x = np.linspace(0.0, 6.0, 13)[:, None]
    >>> model = fit(Readings(x, 100.0 + 10.0 * np.sin(x[:, 0]), np.arange(13)))
    >>> bool(abs(model.predict([[1.1]])[0] - 100.0 - 10.0 * np.sin(1.1)) < 0.2)
    True
    """
    least = readings.x.shape[1] + 2
    if len(readings) < least:
        raise InputError.one(
            f"{len(readings)} torque points are too few for a torque model",
            hint=f"add pulls or steady points until there are at least {least}",
            where="torque points",
        )
    if prior is None:
        trend, left, basis, level = None, readings, None, None
        believed = hyperpriors.measured(readings)
    else:
        trend, level = hyperpriors.trend_of(prior), 0.0
        left, basis = trend.left_over(readings, simulated_at)
        if simulated_at is not None:
            at_speeds, between = grid_error(prior, readings.x, simulated_at)
            trend = replace(trend, at_speeds=at_speeds, between=between)
        believed = hyperpriors.residual(readings, prior)

    unlikelihood = _Unlikelihood(left, basis, level, believed)
    with one_blas_thread():
        logs = _most_likely(unlikelihood)
        if len(readings) <= EXACT:
            at = condition(logs, left, level, basis)
            return ExactModel(Hyperparameters.from_logs(logs, at.mean), readings, at, trend)
        many = unlikelihood.of_some(_MANY)
        mean = condition(logs, many.readings, level, many.basis).mean
    return InducedModel.at(Hyperparameters.from_logs(logs, mean), readings, trend, simulated_at)


def surface_at(
    hyperparameters: Hyperparameters,
    readings: Readings,
    trend: Trend | None = None,
    simulated_at: Array | None = None,
) -> TorqueSurface:
    """The model at given hyperparameters: exact up to 3,000 readings, through inducing points beyond."""
    if len(readings) <= EXACT:
        return ExactModel.at(hyperparameters, readings, trend, simulated_at)
    return InducedModel.at(hyperparameters, readings, trend, simulated_at)


@dataclass(frozen=True, eq=False)
class _Unlikelihood:
    """What is least at the most likely hyperparameters: minus the log likelihood and the log belief."""

    readings: Readings
    basis: Array | None
    level: float | None
    believed: Hyperpriors

    def __call__(self, logs: Array) -> tuple[float, Array]:
        at = condition(logs, self.readings, self.level, self.basis)
        value, slopes = likelihood_and_slopes(logs, self.readings, at)
        # The slope by the mean is zero at the most likely mean, so the others need no correction for it.
        off = (logs - self.believed.medians) / self.believed.deviations
        return 0.5 * float(off @ off) - value, off / self.believed.deviations - slopes[:-1]

    def of_some(self, most: int) -> "_Unlikelihood":
        """The same of so many readings, drawn evenly with a fixed seed; itself where there are no more than that."""
        count = len(self.readings)
        if count <= most:
            return self
        keep = np.zeros(count, dtype=bool)
        keep[np.random.default_rng(0).permutation(count)[:most]] = True
        basis = None if self.basis is None else self.basis[keep]
        return _Unlikelihood(self.readings.kept(keep), basis, self.level, self.believed)


def _most_likely(whole: _Unlikelihood) -> Array:
    """The best of three starts on some readings; with more of them, a descent from there on all, or on many."""
    some, many = whole.of_some(_SOME), whole.of_some(_MANY)
    medians, bounds = whole.believed.medians, whole.believed.bounds
    low, high = np.array(bounds).T
    ends = [
        minimize(some, np.clip(medians + shift, low, high), jac=True, method="L-BFGS-B", bounds=bounds)
        for shift in _shifts(medians.size - 3)
    ]
    best: Array = min(ends, key=lambda end: float(end.fun)).x
    if some is whole:
        return best
    more = len(many.readings) / len(some.readings)
    return descend(many, best, more * curvature_of(some, best), low, high, _ENOUGH)


def simulated(prior: GridPrior, doubt: float) -> ExactModel:
    """The model of an engine that was never measured: the simulation, and how far it may be off.

    Torque has the same deviation everywhere, `doubt` times the grid's best torque. Half of its variance is common to
    all torque, as friction or flow a little off would be; the other half is a surface whose lengths are those believed
    of a simulation's errors. So the doubt of a difference is zero between equal timings, grows with the distance, and
    reaches `doubt` times the best torque between far ones. (Our judgement.) No place is in reach of data. Noise and a
    pull's offset are those believed of a dyno, for whoever plans pulls.

    Parameters: `prior`; `doubt` [-], above zero. Raises `InputError` otherwise.
    """
    if not (math.isfinite(doubt) and doubt > 0.0):
        raise InputError.one(
            f"{doubt} is not above zero", hint="give a share of the best torque, as 0.08", where="doubt"
        )
    deviation = doubt * prior.best / math.sqrt(2.0)
    lengths = hyperpriors.simulated_ranges(prior) * [b.median for b in hyperpriors.RESIDUAL_LENGTHS]
    # torque over a table spreads by about a quarter of its best
    noise, pull = (b.median * prior.best / 4.0 for b in (hyperpriors.NOISE, hyperpriors.PULL))
    h = Hyperparameters(deviation, tuple(float(v) for v in lengths), noise, pull, 0.0)
    nothing = Readings(np.empty((0, 4)), np.empty(0), np.empty(0, np.int64))
    return ExactModel.at(h, nothing, Trend(prior, 0.0, deviation))


def _shifts(inputs: int) -> list[Array]:
    return [np.log([1.0, *[length] * inputs, noise, 1.0]) for length, noise in _STARTS]
