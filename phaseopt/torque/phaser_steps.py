"""How a phaser moves: each step of its command fitted by itself, and what all steps show together.

One step is the response of a second-order system with limited speed, after a dead time,

    x'' = ω² (u(t - τ) - x) - 2 ζ ω x',    |x'| ≤ S

fitted to all rows of the step by least squares with the end level free, so that noise or a coarse sample rate does not
make a maximum or a crossing by itself. The figures reported do not depend on whether the limit S is reached: the mean
speed from a tenth to nine tenths of the way, and the swing beyond the level at which it settles.

Standard errors are those of the linearised fit (from memory: Bates and Watts, Nonlinear Regression Analysis and Its
Applications, Wiley 1988, section 2.3), widened by (1 + r)/(1 - r) where neighbouring rows are alike by r. A command is
known no better than by its rows: it changed somewhere within the row before, which counts as half a row more delay,
with the standard error of a uniform distribution.

Over all steps of a direction: the slowest speed is that of the slowest band of engine speeds, less two standard errors
of its mean; the greatest swing the most of all steps plus two standard errors. A short step ends before the phaser is
up to speed, so steps less than three quarters as long as the longest do not count for speed, where two or more are that
long. `sure` figures are on the other side of the uncertainty: a project bolder than those contradicts the logs.

Validity: enough rows on the way (`LEAST_ON_THE_WAY`). With fewer there is only a lowest speed.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import least_squares

from phaseopt.values.arrays import FloatArray
from phaseopt.values.interval import INTERVAL
from phaseopt.values.numba import njit

Direction = Literal["advance", "retard"]
DIRECTIONS: tuple[Direction, Direction] = ("advance", "retard")
LEAST_STEPS = 2  # in a direction, for a speed or a swing
LONG = 0.75  # of the longest step in its direction: a step that counts for speed
SPEED_BAND = 1000.0  # rpm, width of the bands, centred on its multiples, in which holds and steps are taken together
LEAST_ON_THE_WAY = 3  # rows between a tenth and nine tenths of the way
_LOW = np.array([0.0, math.log(2.0), math.log(0.2), math.log(5.0)])  # τ, ω, ζ, S
_HIGH = np.array([0.8, math.log(300.0), math.log(4.0), math.log(3000.0)])
_MISFIT = 0.08  # share of the step by which rows may be off the fit, root mean square
_LEAST_MISFIT = 0.6  # crank degrees, likewise: noise of a cam sensor


@dataclass(frozen=True)
class StepFit:
    """One step: crank degrees, crank degrees a second, seconds.

    `travelled` from level to level, + = advance. `speed` and `speed_error`; with `only_lowest` there are too few rows
    and the speed is at least `speed`, the rest nan. `overshoot` beyond the level at which it settles, `delay` before it
    begins to move, their standard errors. `late`, how long it is behind a target that keeps moving slower than it can:
    the delay and 2 ζ / ω, with its standard error. `misfit`, root mean square of the rows from the fit.
    """

    travelled: float
    speed: float
    speed_error: float
    overshoot: float
    overshoot_error: float
    delay: float
    delay_error: float
    late: float
    late_error: float
    misfit: float
    only_lowest: bool

    @property
    def plausible(self) -> bool:
        """Whether the rows move as a phaser does; if not, no figure of the step means anything."""
        return self.only_lowest or self.misfit <= max(_LEAST_MISFIT, _MISFIT * abs(self.travelled))


def fit_step(time: FloatArray, measured: FloatArray, command: FloatArray) -> StepFit | None:
    """Fit one step.

    Parameters: `time` [s], `measured` and `command` [crank degrees from rest], (n,) each, from before the command
    changes until it changes again; at least three rows before and five after. Returns None where the phaser did not
    follow: it went less than half of the way.

    >>> time = np.arange(0.0, 2.0, 0.02)
    >>> command = np.where(time >= 0.5, 20.0, 0.0)
    >>> measured = np.clip((time - 0.55) * 100.0, 0.0, 20.0)  # 100 degrees a second, 0.05 s late
    >>> found = fit_step(time, measured, command)
    >>> abs(found.speed - 100) < 3, abs(found.delay - 0.05) < 0.015, found.overshoot < 0.3
    (True, True, True)
    """
    first = change(command)
    start, way = float(np.median(measured[:first])), float(command[-1] - command[0])
    settled = float(np.median(measured[-max(3, (len(time) - first) // 3) :]))
    moved = (settled - start) * math.copysign(1.0, way)
    if moved < abs(way) / 2:
        return None
    gone = (measured - start) / (settled - start)
    at = np.flatnonzero(gone[first:] >= 0.9)
    arrived = first + int(at[0])  # the median of its last third lies beyond
    left = int(np.flatnonzero(gone[: arrived + 1] <= 0.1)[-1])
    if arrived - left - 1 < LEAST_ON_THE_WAY:
        lowest = 0.8 * moved / float(time[arrived] - time[left])
        nan = math.nan
        return StepFit(settled - start, lowest, nan, nan, nan, nan, nan, nan, nan, nan, only_lowest=True)
    share = np.clip((command - command[0]) / way, 0.0, 1.0)
    return _fitted(time - time[first], (measured - start) * math.copysign(1.0, way), share, moved, way)


def change(command: FloatArray) -> int:
    """The first row at which a step's command has left where it was by more than a tenth of the way.

    >>> change(np.array([10.0, 10.1, 10.0, 20.0, 20.1]))
    3
    """
    way = float(command[-1] - command[0])
    return int(np.argmax(np.abs(command - command[0]) > abs(way) / 10))


def _fitted(time: FloatArray, moved: FloatArray, share: FloatArray, level: float, way: float) -> StepFit:
    """Fit rows that move upwards from 0 to about `level`."""

    def residual(parameters: FloatArray) -> FloatArray:
        shaped = np.exp(parameters[1:4])
        return _response(time, share * parameters[4], parameters[0], *shaped) - moved

    fits = [
        least_squares(
            residual,
            [0.03, math.log(omega), math.log(damping), math.log(4.0 * level), level],
            bounds=(np.r_[_LOW, 0.5 * level], np.r_[_HIGH, 1.5 * level]),
            x_scale=[0.01, 0.3, 0.3, 0.3, 1.0],
            diff_step=1e-4,
        )
        for omega, damping in ((15.0, 1.0), (40.0, 0.6))
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    spread = _covariance(best.jac, best.fun)
    figures = _figures(best.x)
    slopes = np.array([(_figures(best.x + step) - _figures(best.x - step)) / (2 * size) for step, size in _nudges()])
    error = np.sqrt(np.maximum(np.einsum("pk,pq,qk->k", slopes, spread, slopes), 0.0))
    row = float(np.median(np.diff(time)))
    return StepFit(
        travelled=math.copysign(float(best.x[4]), way),
        speed=float(figures[0]),
        speed_error=float(error[0]),
        overshoot=float(figures[1]),
        overshoot_error=float(error[1]),
        delay=float(figures[2]) + row / 2,
        delay_error=math.hypot(float(error[2]), row / math.sqrt(12.0)),
        late=float(figures[3]) + row / 2,
        late_error=math.hypot(float(error[3]), row / math.sqrt(12.0)),
        misfit=float(np.sqrt(np.mean(best.fun**2))),
        only_lowest=False,
    )


def _nudges() -> list[tuple[FloatArray, float]]:
    sizes = (1e-3, 1e-2, 1e-2, 1e-2, 1e-2)
    return [(size * np.eye(5)[k], size) for k, size in enumerate(sizes)]


def _covariance(jacobian: FloatArray, residual: FloatArray) -> FloatArray:
    """Covariance of the parameters; a direction that the rows do not show counts as known: no figure uses it."""
    freedom = max(len(residual) - jacobian.shape[1], 1)
    alike = float(residual[1:] @ residual[:-1] / max(float(residual @ residual), 1e-12))
    alike = min(max(alike, 0.0), 0.9)
    variance = float(residual @ residual) / freedom * (1 + alike) / (1 - alike)
    found: FloatArray = variance * np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-9)
    return found


def _figures(parameters: FloatArray) -> FloatArray:
    """Mean speed from a tenth to nine tenths of the way, swing beyond the level, dead time, for a sudden command; time
    behind a target that keeps moving."""
    delay, level = float(parameters[0]), float(parameters[4])
    omega, damping, limit = (float(value) for value in np.exp(parameters[1:4]))
    end = 3.0 * level / limit + 12.0 / omega * max(1.0, 2.0 * damping)
    time = np.linspace(0.0, end, 4000)
    x = _response(time, np.full(4000, level), 0.0, omega, damping, limit)
    climb = np.maximum.accumulate(x)
    ten, ninety = np.interp([0.1 * level, 0.9 * level], climb, time)
    return np.array(
        [0.8 * level / max(ninety - ten, 1e-3), max(float(x.max()) - level, 0.0), delay, delay + 2.0 * damping / omega]
    )


@njit
def _response(
    time: FloatArray, target: FloatArray, delay: float, omega: float, damping: float, limit: float
) -> FloatArray:
    """Response from rest at 0 to a target that holds from each row to the next, at the rows' times."""
    rows = len(time)
    found = np.zeros(rows)
    x = v = 0.0
    now = time[0]
    place = 0
    wanted = 0.0
    for row in range(1, rows):
        steps = max(1, int(np.ceil((time[row] - now) / 0.0005)))
        dt = (time[row] - now) / steps
        for step in range(steps):
            since, until = now + step * dt - delay, now + (step + 1) * dt - delay
            mean = 0.0  # of the target over this step, so that the response moves smoothly with the delay
            while place < rows and time[place] <= until:
                mean += wanted * max(time[place] - since, 0.0)
                since = max(time[place], since)
                wanted = target[place]
                place += 1
            mean = (mean + wanted * (until - since)) / dt
            v = (v + dt * omega * omega * (mean - x)) / (1.0 + 2.0 * damping * omega * dt)
            v = min(max(v, -limit), limit)
            x += dt * v
        now = time[row]
        found[row] = x
    return found


@dataclass(frozen=True)
class Step:
    """One step of the command, its speed, oil temperature (nan where not logged) and what it shows."""

    file: str
    time: float
    rpm: float
    oil: float
    start: float
    end: float
    at_stop: bool
    fit: StepFit

    @property
    def direction(self) -> Direction:
        """Which way it went."""
        return "advance" if self.end > self.start else "retard"


@dataclass(frozen=True)
class Moves:
    """What the steps of one direction show between two speeds; nan where they do not.

    `steps` is how many are long enough to count for speed. `speed`, `delay` and `late` are means with their standard
    errors; `slowest` [crank degrees a second] and `swing` [crank degrees] are on the cautious side, `sure_speed` and
    `sure_swing` on the other: in some band of speeds it was certainly no faster, in some step it swung no less.
    `only_lowest`: there are too few rows, and the speed is at least so much.
    """

    direction: Direction
    rpm_from: float
    rpm_to: float
    steps: int
    speed: float
    speed_error: float
    slowest: float
    sure_speed: float
    swing: float
    sure_swing: float
    delay: float
    delay_error: float
    late: float
    late_error: float
    only_lowest: bool


def moves_of(direction: Direction, steps: Iterable[Step], least: int = LEAST_STEPS) -> Moves | None:
    """Means and cautious ends over the steps of one direction; None where there are fewer than `least`."""
    own = [step for step in steps if step.direction == direction]
    if len(own) < least:
        return None
    rpm = [step.rpm for step in own]
    long = long_steps(own, least)
    about = (direction, min(rpm), max(rpm), len(long))
    fitted = [step for step in long if not step.fit.only_lowest]
    free = [step.fit for step in own if not step.fit.only_lowest and not step.at_stop]
    sure_swing = max((fit.overshoot - INTERVAL * fit.overshoot_error for fit in free), default=0.0)
    if len(fitted) < least:  # too few rows on the way: the speed is at least this
        lowest = min(step.fit.speed for step in long)
        nan = math.nan
        return Moves(*about, lowest, nan, lowest, math.inf, nan, sure_swing, nan, nan, nan, nan, only_lowest=True)
    swing = max((fit.overshoot + INTERVAL * fit.overshoot_error for fit in free), default=math.nan)
    speed, speed_error = _speed(fitted)
    delay, delay_error = _mean([s.fit.delay for s in fitted], [s.fit.delay_error for s in fitted])
    late, late_error = _mean([s.fit.late for s in fitted], [s.fit.late_error for s in fitted])
    bands = [_speed([s for s in fitted if band(s.rpm) == one]) for one in sorted({band(s.rpm) for s in fitted})]
    return Moves(
        *about,
        speed=speed,
        speed_error=speed_error,
        slowest=max(min(mean - INTERVAL * error for mean, error in bands), 0.0),
        sure_speed=min(mean + INTERVAL * error for mean, error in bands),
        swing=swing if len(free) >= least else math.nan,
        sure_swing=sure_swing,
        delay=delay,
        delay_error=delay_error,
        late=late,
        late_error=late_error,
        only_lowest=False,
    )


def long_steps(steps: Sequence[Step], least: int = LEAST_STEPS) -> list[Step]:
    """The steps of one direction that count for speed: the `least` longest at any rate."""
    sizes = sorted((abs(step.fit.travelled) for step in steps), reverse=True)
    enough = min([LONG * sizes[0], *sizes[:least]]) if sizes else 0.0
    return [step for step in steps if abs(step.fit.travelled) >= enough]


def band(rpm: float) -> int:
    """The band of speeds, counted in thousands of rpm."""
    return round(rpm / SPEED_BAND)


def _speed(steps: Sequence[Step]) -> tuple[float, float]:
    return _mean([step.fit.speed for step in steps], [step.fit.speed_error for step in steps])


def _mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    """Mean and its standard error: from how the steps differ, never less than from their own errors."""
    data: FloatArray = np.array(values)
    own = math.sqrt(float(np.mean(np.square(errors))))
    apart = float(data.std(ddof=1)) if len(data) > 1 else 0.0
    return float(data.mean()), max(own, apart) / math.sqrt(len(data))
