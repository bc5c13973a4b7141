"""The looser rule between cells, for those who choose it by name: phases of speeds far apart do not meet.

A controller reads its tables bilinearly and rounds to its steps. A throttle can snap, so at one speed any load may
follow any other, and while one phaser has arrived the other may not have moved: between two neighbouring speeds any
intake phase of their cells may meet any exhaust phase of theirs, at the greater speed. Phasers that lag behind while
the engine crosses the table bring phases of other speeds along. How far, by bound:

Let the engine's speed n [rpm] change by at most C [rpm/s] (`gap.fastest_crossing`). Let the phase x [crank degrees]
move towards its target at S [crank degrees/s] at least whenever it is off it (`slew`, for each direction its own), and
let the target be what the table says for a speed and a load at most τ [s] ago (`phaser.delay`). Let U(m) be the most
advanced phase that the table holds at speed m over all loads, with rounding. Then at all times

    x ≤ H(n),    H(n) = max over m of  U(m) - S_retard max(0, |m - n| / C - τ).

For the target, of a speed within C τ of n, is at most V(n), the most of U there; H is the least function above V with
slopes of S_retard / C at most, so along any course of the engine H(n(t)) falls no faster than S_retard. Where x is
above H, it is above its target and falls at S_retard or faster: x - H never grows beyond 0, and at the start, at rest,
it is not. The most retarded phase is the same with signs turned and S_advance. The bound is attained: an engine that
holds m until x is there and then crosses at C to n, at loads that ask for less.

Between two speeds of the table U is at most the straight line between the most of each, so the maximum is at a
speed of the table or where the delay ends; between those rounding adds a step at most.

A real phaser gets up to speed and slows down before its target. As a second-order system of natural frequency ω [1/s]
and damping ζ it stays 2 ζ / ω longer behind a moving target than one that moves at once; with that in τ it leaves the
bound by no more than its swing (`tests/clearance/lagging.py`).

Valid while the phasers are no slower than stated: `slew` is for hot oil, and cold oil or low oil pressure is slower.
How far a phaser is off when it is steady, and how far it swings past, are in the errors of timing of every clearance.
"""

from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.clearance.rules import CLEAR, HITS, least_sentence, margins, running_gaps, verdicts, without_float
from phaseopt.project import SIDES, Phaser, Side, Slew
from phaseopt.tables import PhaseTables
from phaseopt.values.arrays import FloatArray

BY_NAME = "neighbouring cells"  # gap.between in the project file
LOOSER = "looser than in any combination: holds while the engine gains or loses at most"
_SLACK = 1e-9  # steps that rounding errors may stand off a whole one


@dataclass(frozen=True)
class NeighboursVerdict:
    """The nearest of all places between two neighbouring speeds.

    Parameters
    ----------
    verdict, sentence
        In one word; where and what it is in a sentence.
    lag
        The most by which each phaser may stand outside what the cells at its speed hold, crank degrees.
    static, running
        Least gaps by contact of all that may meet [mm], worst case.
    """

    verdict: str
    sentence: str
    lag: dict[Side, float]
    static: dict[str, float]
    running: dict[str, float]


def phases_between(model: ContactModel, tables: PhaseTables, *, lag: bool = True) -> FloatArray:
    """(R - 1, 4) the phases that may meet between two neighbouring speeds: intake from, to, exhaust from, to.

    Rest belongs to the lowest speeds and to those that begin where a phaser is locked: the engine starts and idles
    there. Without `lag`: of phasers that keep up.
    """
    ends = []
    for side in SIDES:
        phaser, cells = model.project.phaser_of(side), tables.of_side(side).to_numpy()
        most = _reached(model, tables.rpm, cells.max(axis=1), phaser, lag)
        least = -_reached(model, tables.rpm, -cells.min(axis=1), None if phaser is None else _turned(phaser), lag)
        ends += [least, most]
    boxes = np.stack(ends, axis=-1)
    if model.tied:
        low, high = boxes[:, ::2].min(axis=-1), boxes[:, 1::2].max(axis=-1)
        boxes = np.stack([low, high, low, high], axis=-1)
    return boxes


def neighbours_verdict(model: ContactModel, tables: PhaseTables, top: float) -> NeighboursVerdict:
    """Judge what may meet between every two neighbouring speeds by bound, at the greater one.

    What is beside the table's edges belongs to the speeds there, up to `top` rpm.
    """
    boxes, speeds = phases_between(model, tables), judged_speeds(tables.rpm, top)
    gaps = _gaps(model, boxes)
    running = running_gaps(model, gaps, speeds)
    margin = margins(model, gaps.static, running).min(axis=(1, 2))
    words = without_float(verdicts(model, gaps.static, running), model.held(speeds))
    margin[(words != HITS) & (words == HITS).any()] = np.inf  # a hit is worse than any shortfall
    worst = int(margin.argmin())
    kept_up = phases_between(model, tables, lag=False)
    beyond = np.maximum(kept_up[:, ::2] - boxes[:, ::2], boxes[:, 1::2] - kept_up[:, 1::2]).max(axis=0)
    lag: dict[Side, float] = dict(zip(SIDES, beyond.tolist(), strict=True))
    place = Gaps(*(part[worst : worst + 1] for part in (gaps.static, gaps.static_angle, gaps.swept, gaps.swept_angle)))
    (low_i, high_i, low_e, high_e) = map(_short, boxes[worst])
    rate = model.project.gap.fastest_crossing
    sentence = (
        f"{words[worst].upper()}: phases that may meet at one speed; closest: {tables.rpm[worst]:.0f} to "
        f"{speeds[worst]:.0f} rpm, intake {low_i} to {high_i}° with exhaust {low_e} to {high_e}°: "
        f"{least_sentence(model, place, speeds[worst])} ({LOOSER} {rate:.0f} rpm a second)"
    )
    if words[worst] != CLEAR:
        sentence += _way_out(model, _all_clear(model, kept_up, speeds), lag)
    least = (dict(zip(model.contacts, each.min(axis=0).tolist(), strict=True)) for each in (gaps.static, running))
    return NeighboursVerdict(str(words[worst]), sentence, lag, *least)


def judged_speeds(rpm: FloatArray, top: float) -> FloatArray:
    """(R - 1,) the speed at which each place between two neighbouring speeds is judged, rpm."""
    return np.append(rpm[1:-1], top)


def _reached(model: ContactModel, rpm: FloatArray, rows: FloatArray, phaser: Phaser | None, lag: bool) -> FloatArray:
    """(R - 1,) the most advanced phase between two speeds, where the cells of each speed hold `rows` (R,) at most."""
    starts, ends = rpm[:-1], rpm[1:]
    if phaser is None:
        return np.maximum(rows[:-1], rows[1:])
    locked = max([float(rpm[0]), *(each.rest_until for side in SIDES if (each := model.project.phaser_of(side)))])
    from_locked = np.maximum(starts - locked, 0.0)
    if not lag:
        inside = _rounded_up(np.maximum(rows[:-1], rows[1:]), phaser)
        return np.where(from_locked > 0.0, inside, np.maximum(inside, 0.0))
    slew = phaser.rates.retard
    found = -made_good(model, phaser, slew, from_locked)  # from rest
    late = model.project.gap.fastest_crossing * phaser.delay
    for j, (start, end) in enumerate(zip(starts, ends, strict=True)):
        at = np.unique(np.r_[rpm, np.clip([start - late, end + late], rpm[0], rpm[-1])])
        held = np.interp(at, rpm, rows)
        good = made_good(model, phaser, slew, np.maximum(np.maximum(start - at, at - end), 0.0))
        left = held - good
        rounded = _rounded_up(np.maximum(held[:-1], held[1:]), phaser) - np.minimum(good[:-1], good[1:])
        each = np.minimum(rounded, np.maximum(left[:-1], left[1:]) + phaser.resolution)
        found[j] = max(found[j], float(each.max()))
    return found


def made_good(model: ContactModel, phaser: Phaser, slew: float, apart: FloatArray) -> FloatArray:
    """Crank degrees that a phaser surely moves while the engine's speed changes by `apart` rpm."""
    seconds = np.maximum(apart / model.project.gap.fastest_crossing - phaser.delay, 0.0)
    return np.asarray(slew * seconds)


def _rounded_up(phases: FloatArray, phaser: Phaser) -> FloatArray:
    """Phases at the next step, within the travel."""
    step, most = phaser.resolution, phaser.travel[1]
    return np.maximum(phases, np.minimum(np.ceil(phases / step - _SLACK) * step, most))


def _turned(phaser: Phaser) -> Phaser:
    """The same phaser with advance and retard exchanged."""
    least, most = phaser.travel
    slew = None if phaser.slew is None else Slew(advance=phaser.slew.retard, retard=phaser.slew.advance)
    return phaser.model_copy(update={"travel": (-most, -least), "slew": slew})


def _way_out(model: ContactModel, follows: bool, lag: dict[Side, float]) -> str:
    """Why the rule does not hold, if it is for lag, and what does."""
    each = [f"{side} by up to {lag[side]:.0f}°" for side in SIDES if model.project.phaser_of(side) is not None]
    slow = f"; the phasers cannot follow: {' and '.join(each)} off what their cells hold" if follows else ""
    return f"{slow}; what always holds is tables inside one range that is clear in any combination (`phaseopt limits`)"


def _all_clear(model: ContactModel, boxes: FloatArray, speeds: FloatArray) -> bool:
    gaps = _gaps(model, boxes)
    return bool((verdicts(model, gaps.static, running_gaps(model, gaps, speeds)) == CLEAR).all())


def _short(phase: float) -> str:
    """A phase to 0.1°.

    >>> _short(12.0), _short(4.66666)
    ('12', '4.7')
    """
    return f"{round(float(phase), 1) + 0.0:g}"


def _gaps(model: ContactModel, boxes: FloatArray) -> Gaps:
    """Gaps (n, c) of boxes (n, 4), over the pairs of phases in each that the hardware can take."""
    each, back = np.unique(boxes, axis=0, return_inverse=True)
    found = [model.gaps_of(box) for box in each] if model.tied else [model.gaps(each)]
    parts = zip(*((g.static, g.static_angle, g.swept, g.swept_angle) for g in found), strict=True)
    return Gaps(*(np.concatenate(part)[back] for part in parts))
