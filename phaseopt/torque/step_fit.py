"""One step of a phaser: what delay, speed and overshoot the logged rows show, and how sure that is.

The response is taken for that of a second-order system whose speed is limited, after a dead time:

    x'' = ω² (u(t - τ) - x) - 2 ζ ω x',    |x'| ≤ S

fitted to all rows of the step by least squares with the end level free, so that neither noise nor a coarse sample rate
makes a maximum or a crossing by itself. What is told of it are figures that stay what they are whether or not the
limit S is reached: the mean speed from a tenth to nine tenths of the way, and the swing beyond the level it settles at.

Standard errors are those of the linearised fit (from memory: Bates and Watts, Nonlinear Regression Analysis and Its
Applications, Wiley 1988, section 2.3), widened by (1 + r)/(1 - r) where rows that follow each other are alike by r.
A command is known no better than by its rows: it changed somewhere within the row before, which counts as half a
row more delay, with the standard error of a uniform distribution.

Validity: rows enough on the way (`LEAST_ON_THE_WAY`). Where there are fewer only a lowest speed can be told.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from phaseopt.values.numba import njit

FloatArray = npt.NDArray[np.float64]

LEAST_ON_THE_WAY = 3  # rows between a tenth and nine tenths of the way
_LOW = np.array([0.0, math.log(2.0), math.log(0.2), math.log(5.0)])  # τ, ω, ζ, S
_HIGH = np.array([0.8, math.log(300.0), math.log(4.0), math.log(3000.0)])
_MISFIT = 0.08  # share of the step by which rows may stand from the fit, root mean square
_LEAST_MISFIT = 0.6  # crank degrees, likewise: noise of a cam sensor


@dataclass(frozen=True)
class StepFit:
    """What one step shows. Degrees are crank degrees, speeds crank degrees a second, times seconds.

    `travelled` from level to level, + = advance. `speed` and `speed_error`; where `only_lowest`, the rows are too few
    to tell more than that it is at least `speed`, and the rest is nan. `overshoot` beyond the level it settles at,
    `delay` before it begins to move, their standard errors. `misfit`, root mean square of rows from the fit.
    """

    travelled: float
    speed: float
    speed_error: float
    overshoot: float
    overshoot_error: float
    delay: float
    delay_error: float
    misfit: float
    only_lowest: bool

    @property
    def believed(self) -> bool:
        """Whether the rows move as a phaser does; where not, no figure of the step says anything."""
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
        return StepFit(settled - start, lowest, nan, nan, nan, nan, nan, nan, only_lowest=True)
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
    told = _told(best.x)
    slopes = np.array([(_told(best.x + step) - _told(best.x - step)) / (2 * size) for step, size in _nudges()])
    error = np.sqrt(np.maximum(np.einsum("pk,pq,qk->k", slopes, spread, slopes), 0.0))
    row = float(np.median(np.diff(time)))
    return StepFit(
        travelled=math.copysign(float(best.x[4]), way),
        speed=float(told[0]),
        speed_error=float(error[0]),
        overshoot=float(told[1]),
        overshoot_error=float(error[1]),
        delay=float(told[2]) + row / 2,
        delay_error=math.hypot(float(error[2]), row / math.sqrt(12.0)),
        misfit=float(np.sqrt(np.mean(best.fun**2))),
        only_lowest=False,
    )


def _nudges() -> list[tuple[FloatArray, float]]:
    sizes = (1e-3, 1e-2, 1e-2, 1e-2, 1e-2)
    return [(size * np.eye(5)[k], size) for k, size in enumerate(sizes)]


def _covariance(jacobian: FloatArray, residual: FloatArray) -> FloatArray:
    """Covariance of the parameters; a direction in which the rows say nothing counts as known, since no figure told
    depends on it."""
    freedom = max(len(residual) - jacobian.shape[1], 1)
    alike = float(residual[1:] @ residual[:-1] / max(float(residual @ residual), 1e-12))
    alike = min(max(alike, 0.0), 0.9)
    variance = float(residual @ residual) / freedom * (1 + alike) / (1 - alike)
    found: FloatArray = variance * np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-9)
    return found


def _told(parameters: FloatArray) -> FloatArray:
    """Mean speed from a tenth to nine tenths of the way, swing beyond the level, dead time, for a sudden command."""
    delay, level = float(parameters[0]), float(parameters[4])
    omega, damping, limit = (float(value) for value in np.exp(parameters[1:4]))
    end = 3.0 * level / limit + 12.0 / omega * max(1.0, 2.0 * damping)
    time = np.linspace(0.0, end, 4000)
    x = _response(time, np.full(4000, level), 0.0, omega, damping, limit)
    climb = np.maximum.accumulate(x)
    ten, ninety = np.interp([0.1 * level, 0.9 * level], climb, time)
    return np.array([0.8 * level / max(ninety - ten, 1e-3), max(float(x.max()) - level, 0.0), delay])


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
