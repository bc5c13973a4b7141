"""What to expect of the hyperparameters before any reading: log-normal priors with hard bounds.

The plain likelihood of a few pulls is often greatest at nonsense: a surface without noise, a length scale of nothing or
of infinity, or all effect of cam timing explained as drift between pulls (a sweep holds its timing, so the two are hard
to separate). So every hyperparameter has a weak prior, relative to a spread; twenty well-spread readings outweigh it.
Medians and bounds are common practice or our judgement, no source.
"""

from dataclasses import dataclass, replace

import numpy as np

from phaseopt.surrogate.prior import GridPrior
from phaseopt.surrogate.readings import Readings
from phaseopt.surrogate.trend import Trend
from phaseopt.values.arrays import FloatArray


@dataclass(frozen=True)
class Hyperprior:
    """A log-normal prior and hard bounds, all as multiples of a spread; `deviation` that of its natural logarithm."""

    median: float
    least: float
    most: float
    deviation: float = 1.0  # so that the central 95 % spans a factor of 50


# Lengths are multiples of (largest - smallest) of their input, the others of the standard deviation of torque.
# Within a table's range torque bends about once or twice, a reading repeats to some percent of what the table
# spans, and pulls drift by a little more (common practice, no source). Noise at least 1e-3 and signal at most 10
# keep the covariance's condition number below 1e12 at a thousand readings, so it always factors.
SIGNAL = Hyperprior(1.0, 0.05, 10.0)
LENGTH = Hyperprior(0.5, 0.02, 50.0)
NOISE = Hyperprior(0.03, 1e-3, 2.0)
# A few pulls hardly show how far pulls drift, and the most likely figure comes out too low, like any deviation fitted
# to a few values beside a surface that bends. So practice holds it more closely than the rest.
# (`tests/benchmarks/bench_coverage.py`: with four pulls a gain was off by 1.5 of its deviations without this.)
PULL = Hyperprior(0.05, 1e-3, 2.0, 0.3)

# Where a simulation is the mean, the surface is what it gets wrong beyond a scale and a shift. Its signal is a multiple
# of the simulation's best torque: some percent, and never below 1 %, since a real engine is never its model. Its
# lengths are multiples of the simulated axes, so that four pulls at one timing do not make the timing axis long or
# short. Over speed, a pipe that is a little longer than described moves the waves, so the residual bends as often as
# they do. Few pulls hardly show these numbers, and the most likely ones claim too much. With these narrower priors half
# of true torque lies in the 50 % interval, and most of it in the others (`tests/benchmarks/bench_simulated_mean.py`).
RESIDUAL = Hyperprior(0.04, 0.01, 0.5, 0.5)
RESIDUAL_LENGTHS = (Hyperprior(0.2, 0.02, 20.0, 0.3), *[Hyperprior(0.35, 0.02, 20.0, 0.3)] * 3)
SCALE = 0.1  # deviation of the simulation's scale about 1
SHIFT = 0.03  # deviation of its shift, as a share of its best torque
APART = 0.02  # of an axis: values nearer than this show nothing of lengths between them


@dataclass(frozen=True, eq=False)
class Hyperpriors:
    """Medians, deviations and bounds of the logarithms of (signal, each length, noise, pull)."""

    medians: FloatArray
    deviations: FloatArray
    bounds: list[tuple[float, float]]


def of_torque(readings: Readings) -> Hyperpriors:
    """Where the mean is a level: all spreads are those of the readings."""
    ranges = np.ptp(readings.x, axis=0)
    ranges[ranges <= 1e-9 * np.abs(readings.x).max(axis=0)] = 1.0
    torque = _torque_spread(readings)
    return _scaled([SIGNAL, *[LENGTH] * readings.x.shape[1], NOISE, PULL], np.array([torque, *ranges, torque, torque]))


def of_residuals(readings: Readings, prior: GridPrior) -> Hyperpriors:
    """Where the mean is a simulation.

    Readings cannot show a length shorter than the step between their values of that input. So a length is at least that
    step, or the prior's own median where they are further apart still.
    """
    torque = _torque_spread(readings)
    ranges = simulated_ranges(prior)
    lengths = [
        replace(b, least=min(b.median, max(b.least, _step(readings.x[:, k], width) / width)))
        for k, (b, width) in enumerate(zip(RESIDUAL_LENGTHS, ranges, strict=True))
    ]
    return _scaled([RESIDUAL, *lengths, NOISE, PULL], np.array([prior.best, *ranges, torque, torque]))


def trend_of(prior: GridPrior) -> Trend:
    """The simulation as mean, with weak priors on its scale and shift."""
    return Trend(prior, SCALE, SHIFT * prior.best)


def simulated_ranges(prior: GridPrior) -> FloatArray:
    """(Largest - smallest) of each simulated axis, 1 where it has one value."""
    ranges = np.array([np.ptp(axis) for axis in prior.axes])
    return np.where(ranges > 0.0, ranges, 1.0)


def _step(values: FloatArray, width: float) -> float:
    """Mean step between values that lie apart; infinite where all are one.

    >>> _step(np.array([100.0, 110.0, 110.3, 120.0, 100.1]), 40.0), _step(np.linspace(0.0, 40.0, 999), 40.0) < 1.0
    (10.0, True)
    """
    levels = [float(values.min())]
    for value in np.sort(values):
        if value > levels[-1] + APART * width:
            levels.append(float(value))
    return (levels[-1] - levels[0]) / (len(levels) - 1) if len(levels) > 1 else np.inf


def _torque_spread(readings: Readings) -> float:
    torque = float(readings.y.std())
    return 1.0 if torque <= 1e-9 * float(np.abs(readings.y).max()) else torque


def _scaled(hyperpriors: list[Hyperprior], spreads: FloatArray) -> Hyperpriors:
    bounds = zip(
        np.log(spreads * [b.least for b in hyperpriors]), np.log(spreads * [b.most for b in hyperpriors]), strict=True
    )
    medians = np.log(spreads * [b.median for b in hyperpriors])
    return Hyperpriors(medians, np.array([b.deviation for b in hyperpriors]), list(bounds))
