"""How well the phasers follow their commands, from commanded and measured phase in the logs.

Where a command holds, a phaser is off it by some degrees: on average (`bias`), and by so much more or less (`spread`).
Where a command jumps, the phaser waits, moves as fast as oil and cam torque let it, and swings past (`phaser_steps`).
Each hold counts once, since the rows of one hold repeat each other.

The bound of the steady error is |bias| + t √(between² + within²), t of Student for so many holds (never below 2), and
no less than the worst hold. What the logs do not show is listed, and no figure is made of it.

Validity: oil as hot, and phasers and pump as worn, as in these logs. A swing into an end stop is not seen, so steps to
an end of travel show speed alone.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import xarray as xr
from scipy.special import stdtrit

from phaseopt.project import SIDES, Phaser, Project, Side, Torque
from phaseopt.torque.phaser_steps import (
    DIRECTIONS,
    LEAST_STEPS,
    SPEED_BAND,
    Direction,
    Moves,
    Step,
    band,
    change,
    fit_step,
    moves_of,
)
from phaseopt.torque.phases import channel_of
from phaseopt.values.arrays import FloatArray, IntArray
from phaseopt.values.interval import INTERVAL
from phaseopt.values.numba import njit

HELD = 0.5  # crank degrees within which a command holds
SETTLED = 1.0  # s after which a phaser has settled
LEAST_HOLD_ROWS = 5
LEAST_STEP = 5.0  # crank degrees of a step that shows speed
BEFORE, AFTER = 0.3, 0.5  # s that the command must hold before and after a step
_SHOWN_BEFORE, _SHOWN_AFTER = 0.5, 3.0  # s of it that are looked at, at most
_SUDDEN = 0.3  # s within which a command must get from one level to the other
LEAST_HOLDS = 3  # for a spread
MOST_STEPS = 40  # of a log, in either direction, that are looked at, so that a day of driving does not take minutes


@dataclass(frozen=True)
class Hold:
    """One hold of the command in one band of speeds: mean error [crank degrees, + = beyond the command in advance]."""

    file: str
    rpm: float
    phase: float
    error: float
    deviation: float
    rows: int


@dataclass(frozen=True)
class Steady:
    """Steady error [crank degrees]: mean, deviation (between and within holds), bound, what some hold certainly shows,
    how many holds, and between which speeds."""

    bias: float
    spread: float
    bound: float
    sure: float
    holds: int
    rpm_from: float
    rpm_to: float


@dataclass(frozen=True, eq=False)
class PhaserResponse:
    """What the logs show of one phaser.

    Parameters
    ----------
    side
        The cam it was read on.
    holds, steps
        Each hold and step of its command.
    steady
        The steady error, None with too few holds.
    moves, by_speed
        Each direction over all speeds, where it has steps enough, and the same by band of speed.
    not_shown
        What the logs leave open, in sentences.

    Examples
    --------
    >>> PhaserResponse("intake", (), (), None, (), (), ("no log has a measured phase",)).sure_swing
    0.0
    """

    side: Side
    holds: tuple[Hold, ...]
    steps: tuple[Step, ...]
    steady: Steady | None
    moves: tuple[Moves, ...]
    by_speed: tuple[Moves, ...]
    not_shown: tuple[str, ...]

    def moving(self, direction: Direction) -> Moves | None:
        """What the steps of one direction show over all speeds."""
        return next((moves for moves in self.moves if moves.direction == direction), None)

    @property
    def swing(self) -> float:
        """The greatest swing either way; nan where a direction does not show one."""
        both = [moves.swing for moves in self.moves]
        return max(both) if len(both) == len(DIRECTIONS) and not any(map(math.isnan, both)) else math.nan

    @property
    def sure_swing(self) -> float:
        """A swing that some step certainly made; 0 where none did."""
        return max((moves.sure_swing for moves in self.moves), default=0.0)


@dataclass
class _Seen:
    """What one phaser's recordings hold."""

    holds: list[Hold] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


def phaser_response(project: Project, torque: Torque, recordings: Sequence[xr.Dataset]) -> tuple[PhaserResponse, ...]:
    """What recordings show of each phaser.

    Parameters
    ----------
    project, torque
        The phasers, and how their channels count.
    recordings
        As `read_pull` makes them; those without time, a command and a measured phase do not count.

    Returns
    -------
    tuple of PhaserResponse
        One for each phaser, the intake's first; a phaser that moves both cams is read on the first cam that has both
        channels.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> phaser_response(project, project.torque, [])[0].not_shown[0][:29]
    'no log has a measured phase, '
    """
    sides = [side for side in SIDES if project.phaser_of(side) is not None]
    if project.arrangement == "together":
        sides = [next((side for side in sides if any(_both(log, side) for log in recordings)), sides[0])]
    return tuple(_of_side(project, torque, side, recordings) for side in sides)


def _both(log: xr.Dataset, side: Side) -> bool:
    measured = log.get(f"{side}_phase")
    return (
        "time" in log and f"{side}_command" in log and measured is not None and measured.attrs["source"] == "measured"
    )


def _of_side(project: Project, torque: Torque, side: Side, recordings: Sequence[xr.Dataset]) -> PhaserResponse:
    phaser = project.phaser_of(side)
    assert phaser is not None
    seen = _Seen()
    usable = [log for log in recordings if _both(log, side)]
    for log in usable:
        _look(log, side, phaser, torque, seen)
    if not usable:
        why = f"no log has a measured phase, a commanded one and time together ({side}_phase, {side}_command, time)"
        return PhaserResponse(side, (), (), None, (), (), (why,))
    steady = _steady(seen.holds)
    moves = [moves_of(direction, seen.steps) for direction in DIRECTIONS]
    found = tuple(one for one in moves if one is not None)
    bands = sorted({band(step.rpm) for step in seen.steps})
    by_speed = [
        moves_of(direction, [step for step in seen.steps if band(step.rpm) == one], least=1)
        for direction in DIRECTIONS
        for one in bands
    ]
    missing = tuple(_not_shown(seen, steady, found))
    shown_by_speed = tuple(each for each in by_speed if each is not None)
    return PhaserResponse(side, tuple(seen.holds), tuple(seen.steps), steady, found, shown_by_speed, missing)


def _look(log: xr.Dataset, side: Side, phaser: Phaser, torque: Torque, seen: _Seen) -> None:
    """Collect the holds and steps of one recording, rows at which the phaser is locked left out."""
    channel = channel_of(torque, side)
    assert channel is not None  # as the project file's checks have it
    rpm, file = log["rpm"].to_numpy(), str(log.attrs["file"])
    free = rpm > phaser.rest_until
    measured, command = (channel.phase(log[name].to_numpy()) for name in (f"{side}_phase", f"{side}_command"))
    time = log["time"].to_numpy()
    oil = log["oil"].to_numpy() if "oil" in log else np.full(len(time), math.nan)
    known = np.isfinite(measured) & np.isfinite(command) & np.isfinite(time) & free
    known[np.arange(len(time)) % _rows_a_sample(log, side) > 0] = False
    time, command, measured, rpm, oil = (values[known] for values in (time, command, measured, rpm, oil))
    for rows in steady_rows(time, command, rpm):
        error = measured[rows] - command[rows]
        where = float(rpm[rows].mean()), float(command[rows].mean())
        seen.holds.append(Hold(file, *where, float(error.mean()), float(error.std(ddof=1)), len(rows)))
    for part in _longest(file, command, list(step_rows(time, command)), seen):
        fit = fit_step(time[part], measured[part], command[part])
        start, end = float(command[part][0]), float(command[part][-1])
        at = float(time[part][change(command[part])])
        named = f"{file}, {at:.2f} s: {start:.0f} to {end:.0f}°"
        if fit is None:
            seen.refused.append(f"{named}: the cam went less than half of the way")
        elif not fit.plausible:
            seen.refused.append(f"{named}: no phaser moves like this ({fit.misfit:.1f}° off): not one movement?")
        else:
            near = phaser.error + 1.0
            stop = end >= phaser.travel[1] - near if end > start else end <= phaser.travel[0] + near
            mean = float(rpm[part].mean()), float(oil[part].mean())
            seen.steps.append(Step(file, at, *mean, start, end, stop, fit))


def _longest(file: str, command: FloatArray, parts: list[slice], seen: _Seen) -> list[slice]:
    """The longest steps of each direction, in the order of time, with a note where there are more."""
    way = {part.start: float(command[part][-1] - command[part][0]) for part in parts}
    found: list[slice] = []
    for direction, sign in zip(DIRECTIONS, (1.0, -1.0), strict=True):
        own = sorted((part for part in parts if sign * way[part.start] > 0), key=lambda part: -abs(way[part.start]))
        found += own[:MOST_STEPS]
        if len(own) > MOST_STEPS:
            seen.refused.append(f"{file}: only the {MOST_STEPS} longest of {len(own)} steps in {direction} count")
    return sorted(found, key=lambda part: int(part.start))


def _rows_a_sample(log: xr.Dataset, side: Side) -> int:
    """Rows for each sample of the slower of both channels: what was interpolated between two samples was not logged."""
    time = log["time"].to_numpy()
    if len(time) < 2 or time[-1] <= time[0]:
        return 1
    rows = (len(time) - 1) / float(time[-1] - time[0])
    rates = [float(log[name].attrs.get("rate", rows)) for name in (f"{side}_phase", f"{side}_command")]
    return max(1, round(rows / min(rates)))


def _steady(found: Sequence[Hold]) -> Steady | None:
    if len(found) < LEAST_HOLDS:
        return None
    error = np.array([hold.error for hold in found])
    bias, between = float(error.mean()), float(error.var(ddof=1))
    within = float(np.mean([hold.deviation**2 for hold in found]))
    spread = math.sqrt(between + within)
    factor = max(2.0, float(stdtrit(len(found) - 1, 0.975)))
    bound = max(abs(bias) + factor * spread, float(np.abs(error).max()))
    sure = max(abs(hold.error) - INTERVAL * hold.deviation / math.sqrt(hold.rows) for hold in found)
    rpm = [hold.rpm for hold in found]
    return Steady(bias, spread, bound, max(sure, 0.0), len(found), min(rpm), max(rpm))


def _not_shown(seen: _Seen, steady: Steady | None, found: Sequence[Moves]) -> Iterable[str]:
    """What the logs leave open, and what would show it."""
    if steady is None:
        yield (
            f"steady error: the command holds for more than a second in {len(seen.holds)} stretches; {LEAST_HOLDS} are"
            " needed, at different phases and speeds"
        )
    for direction in DIRECTIONS:
        moves = next((one for one in found if one.direction == direction), None)
        if moves is None:
            yield (
                f"speed, delay and overshoot in {direction}: fewer than {LEAST_STEPS} sudden steps of {LEAST_STEP:g}°"
                " or more, held before and after. Step the command to and fro at several speeds, oil hot"
            )
        elif moves.only_lowest:
            yield f"overshoot and delay in {direction}: too few rows while it moves; log phases 5 times faster or more"
        elif math.isnan(moves.swing):
            yield f"overshoot in {direction}: every step ends at a stop, which hides the swing; step to mid-travel"
    if seen.steps and all(math.isnan(step.oil) for step in seen.steps):
        yield "hot oil: its temperature is not logged, so these steps may not be the slowest"
    yield from seen.refused


class Held(NamedTuple):
    """Rows `first` to before `end` in which the command holds."""

    first: int
    end: int


def holds(command: FloatArray) -> list[Held]:
    """Stretches in which the command stays within half a degree of where it was when they began.

    >>> [tuple(held) for held in holds(np.array([0.0, 0.1, 9.0, 20.0, 20.0, 20.2]))]
    [(0, 2), (2, 3), (3, 6)]
    """
    number = _anchored(command, HELD)
    edges = np.flatnonzero(np.diff(number, prepend=-1, append=-1))
    return [Held(int(first), int(end)) for first, end in pairwise(edges)]


def steady_rows(time: FloatArray, command: FloatArray, rpm: FloatArray) -> Iterator[IntArray]:
    """Rows of each hold once the phaser has settled, cut where speed passes from one band into another."""
    for held in holds(command):
        start = held.first + int(np.searchsorted(time[held.first : held.end], time[held.first] + SETTLED))
        rows = np.arange(start, held.end)
        band = np.rint(rpm[rows] / SPEED_BAND)
        for one in np.unique(band):
            found = rows[band == one]
            if len(found) >= LEAST_HOLD_ROWS:
                yield found


def step_rows(time: FloatArray, command: FloatArray) -> Iterator[slice]:
    """Rows of each step: the end of one hold, the change, and the hold after it."""
    long = [held for held in holds(command) if time[held.end - 1] - time[held.first] >= BEFORE]
    for before, after in pairwise(long):
        sudden = time[after.first] - time[before.end - 1] <= _SUDDEN
        far = abs(command[after.first] - command[before.end - 1]) >= LEAST_STEP
        if not (sudden and far and time[after.end - 1] - time[after.first] >= AFTER):
            continue
        first = before.first + int(
            np.searchsorted(time[before.first : before.end], time[before.end - 1] - _SHOWN_BEFORE)
        )
        end = after.first + int(np.searchsorted(time[after.first : after.end], time[after.first] + _SHOWN_AFTER))
        if before.end - first >= 3 and end - after.first >= 5:
            yield slice(first, end)


@njit
def _anchored(values: FloatArray, within: float) -> IntArray:
    """Number of the stretch of each row; a new one begins where a value leaves that at which its stretch began."""
    found = np.zeros(len(values), dtype=np.int64)
    anchor = values[0] if len(values) else 0.0
    for row in range(1, len(values)):
        new = abs(values[row] - anchor) > within
        if new:
            anchor = values[row]
        found[row] = found[row - 1] + (1 if new else 0)
    return found
