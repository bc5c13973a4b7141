"""How a phaser moves, from all its steps: speed, delay and swing by direction, with their doubt.

The slowest speed is that of the slowest band of speeds, less two standard errors of its mean; the greatest swing the
most of all steps and two standard errors. A short step ends before the phaser is up to speed, so those less than three
quarters as long as the longest say nothing of speed, where two or more are that long. `sure` figures lie on the other
side of the doubt: a project bolder than those contradicts the logs.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from phaseopt.torque.phaser_holds import SPEED_BAND, FloatArray
from phaseopt.torque.step_fit import StepFit

Direction = Literal["advance", "retard"]
DIRECTIONS: tuple[Direction, Direction] = ("advance", "retard")
LEAST_STEPS = 2  # in a direction, for a speed or a swing
LONG = 0.75  # of the longest step in its direction: a step that tells of speed


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

    `steps` is how many are long enough to tell of speed. `speed` and `delay` are means with their standard errors;
    `slowest` [crank degrees a second] and `swing` [crank degrees] are on the cautious side, `sure_speed` and
    `sure_swing` on the other: in some band of speeds it was surely no faster, in some step it swung no less.
    `only_lowest`: rows are too few, and the speed is at least so much.
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
    only_lowest: bool


def moves_of(direction: Direction, steps: Iterable[Step], least: int = LEAST_STEPS) -> Moves | None:
    """Means and cautious ends over steps of one direction; None where there are fewer than `least`."""
    own = [step for step in steps if step.direction == direction]
    if len(own) < least:
        return None
    rpm = [step.rpm for step in own]
    long = long_steps(own, least)
    about = (direction, min(rpm), max(rpm), len(long))
    fitted = [step for step in long if not step.fit.only_lowest]
    free = [step.fit for step in own if not step.fit.only_lowest and not step.at_stop]
    sure_swing = max((fit.overshoot - 2.0 * fit.overshoot_error for fit in free), default=0.0)
    if len(fitted) < least:  # too few rows on the way: the speed is at least this
        lowest = min(step.fit.speed for step in long)
        nan = math.nan
        return Moves(*about, lowest, nan, lowest, math.inf, nan, sure_swing, nan, nan, only_lowest=True)
    swing = max((fit.overshoot + 2.0 * fit.overshoot_error for fit in free), default=math.nan)
    speed, speed_error = _speed(fitted)
    delay, delay_error = _mean([s.fit.delay for s in fitted], [s.fit.delay_error for s in fitted])
    bands = [_speed([s for s in fitted if band(s.rpm) == one]) for one in sorted({band(s.rpm) for s in fitted})]
    return Moves(
        *about,
        speed=speed,
        speed_error=speed_error,
        slowest=max(min(mean - 2.0 * error for mean, error in bands), 0.0),
        sure_speed=min(mean + 2.0 * error for mean, error in bands),
        swing=swing if len(free) >= least else math.nan,
        sure_swing=sure_swing,
        delay=delay,
        delay_error=delay_error,
        only_lowest=False,
    )


def long_steps(steps: Sequence[Step], least: int = LEAST_STEPS) -> list[Step]:
    """Those of one direction that tell of speed: the `least` longest at any rate."""
    sizes = sorted((abs(step.fit.travelled) for step in steps), reverse=True)
    enough = min([LONG * sizes[0], *sizes[:least]]) if sizes else 0.0
    return [step for step in steps if abs(step.fit.travelled) >= enough]


def band(rpm: float) -> int:
    """The band of speeds, counted in thousands of rpm."""
    return round(rpm / SPEED_BAND)


def _speed(steps: Sequence[Step]) -> tuple[float, float]:
    return _mean([step.fit.speed for step in steps], [step.fit.speed_error for step in steps])


def _mean(values: Sequence[float], errors: Sequence[float]) -> tuple[float, float]:
    """Mean and its standard error: from how the steps differ, never less than their own errors warrant."""
    data: FloatArray = np.array(values)
    own = math.sqrt(float(np.mean(np.square(errors))))
    apart = float(data.std(ddof=1)) if len(data) > 1 else 0.0
    return float(data.mean()), max(own, apart) / math.sqrt(len(data))
