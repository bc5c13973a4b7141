"""The hyperparameters that the readings and weak priors (`hyperpriors`) make most likely."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from phaseopt.surrogate import hyperpriors
from phaseopt.surrogate.exact import ExactModel, condition, likelihood_and_slopes
from phaseopt.surrogate.hyperpriors import Hyperpriors
from phaseopt.surrogate.prior import GridFunction, GridPrior
from phaseopt.surrogate.readings import Hyperparameters, Readings
from phaseopt.surrogate.trend import Trend, grid_error
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

# Lengths and noise of the starts, as multiples of the medians: typical, short with little noise, long with much.
_STARTS = ((1.0, 1.0), (0.3, 0.3), (3.0, 3.0))
_SOME = 600  # readings on which three starts are tried: nearly all projects have fewer, and then it is all of them
_MANY = 2000  # readings that choose the hyperparameters at most: they are known to some percent by then
_ENOUGH = {"ftol": 1e-7}  # of the likelihood of hundreds of readings and more, in the second descent
MOST_READINGS = 10_000  # a model of so many takes 2.3 GB


def fit(
    readings: Readings,
    prior: GridPrior | None = None,
    simulated_at: FloatArray | None = None,
    effects: Sequence[GridFunction] = (),
) -> ExactModel:
    """The torque model with the most likely hyperparameters.

    Parameters
    ----------
    readings
        At least d + 2 of them, `MOST_READINGS` at most.
    prior
        A simulation as the mean, over inputs (rpm, load, icl, ecl). Its scale and shift are integrated out, and the
        surface is what it leaves over. Without one the mean is a level, the most likely one.
    simulated_at
        Torque simulated at the readings themselves (n,) [N·m], so that what is left over is the engine's and not the
        interpolation's: waves in the pipes are narrower than the grid's steps of speed. From `prior` by default.
    effects
        What torque changes by [N·m] where the simulation's description is off by one standard deviation, one for each
        part that may be. How far each is off is integrated out like scale and shift.

    Returns
    -------
    ExactModel
        The same readings give the same bytes.

    Raises
    ------
    InputError
        With too few or too many readings, and with a prior where a reading has no simulated torque
        (`Readings.subset` leaves such readings out).

    Notes
    -----
    L-BFGS-B with analytic gradients in the logarithms of signal, lengths, noise and pull, from three fixed starts. With
    more than 600 readings the starts run on 600 of them, and a last descent on all (of more than 2,000, on 2,000).
    Without a prior, an input that never varies gets a range of one of its own units, so the model claims to know
    little about other values of it.

    Examples
    --------
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
    if len(readings) > MOST_READINGS:
        raise InputError.one(
            f"{len(readings)} torque points are too many for a torque model: {MOST_READINGS} at most",
            hint="widen torque.bin, or leave old pulls out",
            where="torque points",
        )
    if prior is None:
        trend, residuals, basis, level = None, readings, None, None
        expected = hyperpriors.of_torque(readings)
    else:
        trend, level = replace(hyperpriors.trend_of(prior), effects=tuple(effects)), 0.0
        residuals, basis = trend.residuals(readings, simulated_at)
        if simulated_at is not None:
            at_speeds, between = grid_error(prior, readings.x, simulated_at)
            trend = replace(trend, at_speeds=at_speeds, between=between)
        expected = hyperpriors.of_residuals(readings, prior)
    with one_blas_thread():
        logs = _most_likely(_Unlikelihood(residuals, basis, level, expected))
        at = condition(logs, residuals, level, basis)
    return ExactModel(Hyperparameters.from_logs(logs, at.mean), readings, at, trend)


@dataclass(frozen=True, eq=False)
class _Unlikelihood:
    """What is least at the most likely hyperparameters: minus the log likelihood and the log prior."""

    readings: Readings
    basis: FloatArray | None
    level: float | None
    expected: Hyperpriors

    def __call__(self, logs: FloatArray) -> tuple[float, FloatArray]:
        at = condition(logs, self.readings, self.level, self.basis)
        value, slopes = likelihood_and_slopes(logs, self.readings, at)
        # The slope by the mean is zero at the most likely mean, so the others need no correction for it.
        off = (logs - self.expected.medians) / self.expected.deviations
        return 0.5 * float(off @ off) - value, off / self.expected.deviations - slopes[:-1]

    def of_some(self, most: int) -> "_Unlikelihood":
        """The same of so many readings, drawn evenly with a fixed seed; itself where there are no more than that."""
        count = len(self.readings)
        if count <= most:
            return self
        keep = np.zeros(count, dtype=bool)
        keep[np.random.default_rng(0).permutation(count)[:most]] = True
        basis = None if self.basis is None else self.basis[keep]
        return _Unlikelihood(self.readings.subset(keep), basis, self.level, self.expected)


def _most_likely(whole: _Unlikelihood) -> FloatArray:
    """The best of three starts on some readings; with more of them, a descent from there on all, or on many."""
    some = whole.of_some(_SOME)
    medians, bounds = whole.expected.medians, whole.expected.bounds
    low, high = np.array(bounds).T
    shifts = [np.log([1.0, *[length] * (medians.size - 3), noise, 1.0]) for length, noise in _STARTS]
    ends = [
        minimize(some, np.clip(medians + shift, low, high), jac=True, method="L-BFGS-B", bounds=bounds)
        for shift in shifts
    ]
    best: FloatArray = min(ends, key=lambda end: float(end.fun)).x
    if some is not whole:
        many = whole.of_some(_MANY)
        best = minimize(many, best, jac=True, method="L-BFGS-B", bounds=bounds, options=_ENOUGH).x
    return best


def simulation_alone(prior: GridPrior, share: float) -> ExactModel:
    """The torque model of an engine that was never measured: the simulation, and how far it may be off.

    Parameters
    ----------
    prior
        The simulated grid.
    share
        Standard deviation of simulated torque as a share of its best torque [-], above zero.

    Returns
    -------
    ExactModel
        Without readings, so that no place is informed by data. Noise and a pull's offset are those usual on a dyno, for
        whoever plans pulls.

    Raises
    ------
    InputError
        For a share that is not above zero.

    Notes
    -----
    Half of the variance is common to all torque, as friction or flow a little off would be. The other half is a surface
    whose lengths are those expected of a simulation's errors. So the uncertainty of a difference is zero between equal
    timings, grows with the distance, and reaches `share` times the best torque between far ones. (Our judgement.)

    Examples
    --------
    >>> import xarray as xr
    >>> axes = {"rpm": [2e3, 4e3], "load": [100.0], "icl": [110.0], "ecl": [110.0]}
    >>> prior = GridPrior(xr.Dataset({"torque": (tuple(axes), np.array([100.0, 120.0]).reshape(2, 1, 1, 1))}, axes))
    >>> mean, deviation = simulation_alone(prior, 0.1).predict([[3e3, 100.0, 110.0, 110.0]])
    >>> mean, deviation
    (array([110.]), array([12.]))
    """
    if not (math.isfinite(share) and share > 0.0):
        raise InputError.one(
            f"{share} is not above zero", hint="give a share of the best torque, as 0.08", where="uncertainty"
        )
    deviation = share * prior.best / math.sqrt(2.0)
    lengths = hyperpriors.simulated_ranges(prior) * [b.median for b in hyperpriors.RESIDUAL_LENGTHS]
    # torque over a table spreads by about a quarter of its best
    noise, pull = (b.median * prior.best / 4.0 for b in (hyperpriors.NOISE, hyperpriors.PULL))
    h = Hyperparameters(deviation, tuple(float(v) for v in lengths), noise, pull, 0.0)
    nothing = Readings(np.empty((0, 4)), np.empty(0), np.empty(0, np.int64))
    return ExactModel.at(h, nothing, Trend(prior, 0.0, deviation))
