"""The hyperparameters that the readings and a little prior knowledge make most likely.

The plain likelihood of a handful of pulls is often greatest at nonsense: a surface without noise, a length scale of
nothing or of infinity, or all effect of cam timing taken for drift between pulls (a sweep holds its timing, so
the two are hard to tell apart). So every hyperparameter carries a weak log-normal prior, stated relative to the spread
of its input or of torque; twenty well-spread readings outweigh it.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from threadpoolctl import threadpool_limits

from phaseopt.errors import InputError
from phaseopt.surrogate.exact import ExactModel, Hyperparameters, condition, likelihood_and_slopes
from phaseopt.surrogate.kernels import Array
from phaseopt.surrogate.readings import Readings


@dataclass(frozen=True)
class _Belief:
    """A log-normal prior and hard bounds, all as multiples of a spread."""

    median: float
    least: float
    most: float


# Lengths are multiples of (largest - smallest) of their input, the others of the standard deviation of torque.
# Within a table's range torque bends about once or twice, a reading repeats to some percent of what the table
# spans, and pulls drift by a little more (common practice, no source). Noise at least 1e-3 and signal at most 10
# keep the covariance's condition number below 1e12 at a thousand readings, so it always factors.
_SIGNAL = _Belief(1.0, 0.05, 10.0)
_LENGTH = _Belief(0.5, 0.02, 50.0)
_NOISE = _Belief(0.03, 1e-3, 2.0)
_PULL = _Belief(0.05, 1e-3, 2.0)
_LOG_DEVIATION = 1.0  # of every prior: the central 95 % spans a factor of 50

# Lengths and noise of the starts, as multiples of the medians: middling, short with little noise, long with much.
_STARTS = ((1.0, 1.0), (0.3, 0.3), (3.0, 3.0))


def fit(readings: Readings) -> ExactModel:
    """The model with the most likely hyperparameters, given the readings and the weak priors of this module.

    L-BFGS-B with analytic gradients in the logarithms of signal, lengths, noise and pull, from three fixed starts; the
    mean takes its most likely value at each step. One BLAS thread: the same readings give the same bytes.
    An input that never varies counts one of its own units as its spread, so the model claims to know little about
    other values of it. Raises `InputError` with fewer than d + 2 readings.

    >>> x = np.linspace(0.0, 6.0, 13)[:, None]
    >>> model = fit(Readings(x, 100.0 + 10.0 * np.sin(x[:, 0]), np.arange(13)))
    >>> bool(abs(model.predict([[1.1]])[0] - 100.0 - 10.0 * np.sin(1.1)) < 0.2)
    True
    """
    least = readings.x.shape[1] + 2
    if len(readings) < least:
        raise InputError.one(
            f"{len(readings)} torque points are too few for a torque model",
            mend=f"add pulls or steady points until there are at least {least}",
            where="torque points",
        )
    spreads, beliefs = _spreads(readings), _beliefs(readings.x.shape[1])
    medians = np.log(spreads * [b.median for b in beliefs])
    bounds = list(zip(np.log(spreads * [b.least for b in beliefs]), np.log(spreads * [b.most for b in beliefs]),
                      strict=True))  # fmt: skip

    def unlikelihood(logs: Array) -> tuple[float, Array]:
        at = condition(logs, readings, None)
        value, slopes = likelihood_and_slopes(logs, readings, at)
        # The slope by the mean is zero at the most likely mean, so the others need no correction for it.
        off = (logs - medians) / _LOG_DEVIATION
        return 0.5 * float(off @ off) - value, off / _LOG_DEVIATION - slopes[:-1]

    with threadpool_limits(1):
        ends = [
            minimize(unlikelihood, medians + shift, jac=True, method="L-BFGS-B", bounds=bounds)
            for shift in _shifts(readings.x.shape[1])
        ]
        best = min(ends, key=lambda end: float(end.fun))
        at = condition(best.x, readings, None)
    return ExactModel(Hyperparameters.from_logs(best.x, at.mean), readings, at)


def _beliefs(inputs: int) -> list[_Belief]:
    return [_SIGNAL, *[_LENGTH] * inputs, _NOISE, _PULL]


def _spreads(readings: Readings) -> Array:
    """What the priors are multiples of, in the order of `Hyperparameters.logs`."""
    ranges = np.ptp(readings.x, axis=0)
    ranges[ranges <= 1e-9 * np.abs(readings.x).max(axis=0)] = 1.0
    torque = float(readings.y.std())
    if torque <= 1e-9 * float(np.abs(readings.y).max()):
        torque = 1.0
    return np.array([torque, *ranges, torque, torque])


def _shifts(inputs: int) -> list[Array]:
    return [np.log([1.0, *[length] * inputs, noise, 1.0]) for length, noise in _STARTS]
