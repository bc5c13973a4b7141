"""Where a cam really is, from readings on the assembled engine, and which usual mistakes they leave possible.

The project puts a lobe's centre at one crank angle. The readings are held against the lobe with its centre anywhere
within `REACH` of there, and against the lobes that usual mistakes, one or two together, would make of the same files:
mirrored, the other cam's, another ratio, a card in cam degrees. For each

    misfit(off) = sum of ((reading - what the lobe gives with its centre `off` crank degrees later) / its error)²

An angle of equal lift errs by the wheel, and by gauge and lobe over the slope of the flank there; a lift at TDC by the
gauge, the lobe, and the wheel times the slope. What fits leaves an interval of `off`: two standard deviations, wider
where the readings scatter more than stated, with the wheel's zero added as a square, and the phaser and slack whole.
Where the drop was read on the same wheel, its zero moves both and is left out (`clearance.allowances` charges what
the drop readings leave of it between valves).

Where the lobe as given fits and its interval meets the stated error of the centreline, the readings replace that error.
Other lobes that fit as well stay possible, and clear means clear with each of them (`clearance.model`). Where it does
not fit, the project is refused, with the mistakes that would explain the readings.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.special import chdtri

from phaseopt.engine.lobe import CYCLE, HALF_CYCLE, Lobe
from phaseopt.engine.lobe_shapes import above, mirrored, scaled, stretched
from phaseopt.project import Cam, DegreeIn, Phaser, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import Mistake

REACH = 75.0  # crank degrees either way in which a centre is looked for
STEP = 0.05  # crank degrees
SIGMAS = 2.0  # standard deviations of an interval
APART = 2.0  # intervals by which a centre may miss the stated one before the project is refused
BY_CHANCE = 1e-4  # readings this unlikely contradict the lobe
SLACK = 1.0  # crank degrees where the chain was slack or the crank turned both ways; judgement, no source
RATIOS = np.r_[np.arange(1.05, 2.01, 0.05)]  # valve lift over tappet lift that a ratio left out would have
TURNED = 2.0  # crank degrees, and a twentieth, that a travel may differ from what was read; judgement, no source
TOOTH = 12.0, 45.0  # crank degrees of one tooth: cam wheels of 60 to 16 teeth
LASHES = 0.15  # mm that lash as found and as set may differ by; judgement, no source
ALIKE = 0.001  # mm; a lobe nowhere higher than another by more adds nothing to a verdict
TOGETHER = 2  # mistakes at once
MOST_NAMED = 3
Shape = tuple[Lobe, Lobe]  # a lobe, and the most that it may lift


@dataclass(frozen=True, eq=False)
class FittedLobe:
    """A lobe with the most that it may lift, and how far its centre is from where the project puts it: `off` crank
    degrees later, within `error`."""

    lobe: Lobe
    most: Lobe
    off: float
    error: float
    mistakes: tuple[str, ...] = ()

    @property
    def mistake(self) -> str:
        """The mistakes in words; empty for the lobe as given."""
        return " and ".join(self.mistakes)


@dataclass(frozen=True, eq=False)
class DegreedIn:
    """What readings on the engine say of a cam.

    Attributes
    ----------
    off, error : float
        The lobe's centre is `off` crank degrees later than the project puts it, within `error`. Where the readings tell
        no angle, or tell it less surely than is stated, zero and the stated error.
    timed : bool
        Whether they tell an angle.
    others : tuple of FittedLobe
        Lobes of usual mistakes that fit the readings as well.
    placed : bool
        Whether the centre is where they put it, and not where the project does.
    """

    off: float
    error: float
    timed: bool
    others: tuple[FittedLobe, ...]
    placed: bool


@dataclass(frozen=True)
class Reads:
    """The readings of a side against a lobe: `lash` found, and where the project puts the lobe's `centre`."""

    read: DegreeIn
    lash: float
    centre: float
    lobe_error: float  # mm, standard error of a measured lobe
    spread: Lobe | None  # the most that a card's lobe may lift: half of what it is above the nominal one is an error
    either: float  # crank degrees that phaser and slack may be off, whole
    flank: float  # crank degrees, standard error of each flank of a card
    tdc_only: str | None  # "opening" or "closing": the flank near TDC, all that counts of a card without flanks


def turned_otherwise(side: Side, cam: Cam, phaser: Phaser | None) -> Mistake | None:
    """What a phaser moved by hand shows of its travel that the project does not say."""
    turned = cam.degree_in.turned if cam.degree_in is not None else None
    if turned is None:
        return None
    key = "phaser.travel" if cam.phaser is None else f"{side}.phaser.travel"
    if phaser is None:
        return Mistake(f"the cam turned by {turned:g}°, and it has no phaser", "describe its phaser", where=key)
    least, most = phaser.travel
    end = max(phaser.travel, key=abs)
    within = TURNED + 0.05 * abs(turned)
    if abs(turned - end) <= within:
        return None
    likely = "give the travel as you read it"
    if abs(turned - 2.0 * end) <= within:
        likely = f'is travel in cam degrees? Then travel_in = "cam deg", or [{2 * least:g}, {2 * most:g}]'
    elif abs(turned + end) <= within:
        likely = f"has travel the wrong sign? Then [{-most + 0.0:g}, {-least + 0.0:g}], + = advanced"
    return Mistake(f"the cam turned by {turned:+g}° on the wheel, its travel ends at {end:+g}°", likely, where=key)


def degreed_in(
    side: Side, cam: Cam, own: Shape, other: Shape, held: float, wheel: float
) -> tuple[DegreedIn | None, list[Mistake]]:
    """Hold the readings of a cam against its lobe.

    Parameters
    ----------
    side : {"intake", "exhaust"}
    cam : Cam
        With its `degree_in`.
    own, other : pair of Lobe
        This cam's lobe as measured or as the card draws it, and the most that it may lift, at the valve with zero lash;
        the other cam's with this cam's ratio.
    held : float
        The phaser's error when held [crank degrees], for readings without the lock pin.
    wheel : float
        Standard error of the zero of the wheel that the drop was read on [crank degrees], for readings on the same one.

    Returns
    -------
    DegreedIn or None
        None where there are no readings.
    list of Mistake
        Where the readings contradict the project, or each other.
    """
    read = cam.degree_in
    if read is None or not (read.lifts or read.full_lift is not None or read.lift_at_tdc is not None):
        return None, []
    card = cam.card.flank_error if cam.card is not None else 0.0
    sign = 1.0 if side == "intake" else -1.0
    lobe, most = own
    either = (0.0 if read.pin_engaged else held) + SLACK * ((not read.tensioner_held) + (not read.one_way))
    reads = Reads(
        read,
        cam.lash if read.lash is None else read.lash,
        sign * cam.centreline - cam.offset,
        cam.lift_error / SIGMAS,
        most if cam.card is not None else None,
        either,
        card / SIGMAS,
        ("opening" if side == "intake" else "closing") if card else None,
    )
    if read.lash is not None and abs(read.lash - cam.lash) > LASHES:
        found = f"you found {read.lash:g} mm of lash, the project has {cam.lash:g} mm"
        return None, [Mistake(found, f'lash in mm, or with its unit: {side}.lash = "8 thou"', where=f"{side}.lash")]
    limit = cam.centreline_error + card
    as_given = _fitted_lobe(reads, own, ())
    possible = [each for names, shape in _mistaken(cam, own, other) if (each := _fitted_lobe(reads, shape, names))]
    zero = SIGMAS * max(read.zero_error, wheel) if read.same_wheel else 0.0
    reach = limit + APART * (SIGMAS * read.zero_error + either) + zero
    near = abs(as_given.off) <= limit + APART * as_given.error + zero if as_given is not None else False
    if as_given is not None and near and _allows(reads, lobe, reach):
        timed = as_given.error < REACH / 2
        placed = timed and as_given.error <= limit
        if not placed:
            as_given = replace(as_given, off=0.0, error=limit)
        others = tuple(each for each in possible if timed and _adds(each, as_given))
        return DegreedIn(as_given.off, as_given.error, timed, others, placed), []
    return None, [_refusal(side, cam, reads, lobe, as_given, possible)]


def _fitted_lobe(reads: Reads, shape: Shape, mistakes: tuple[str, ...]) -> FittedLobe | None:
    """Where a lobe stands by the readings; None where they contradict it."""
    lobe, most = shape
    off = np.arange(-REACH, REACH + STEP / 2, STEP)
    rows = _misfits(reads, lobe, off)
    if rows is None:
        return None
    misfit = (rows**2).sum(axis=0)
    free = len(rows) - 1
    best = float(misfit.min())
    if best > chdtri(max(free, 1), BY_CHANCE):
        return None
    scatter = max(best / free, 1.0) if free else 1.0
    inside = off[misfit <= best + SIGMAS**2 * scatter]
    low, high = float(inside[0]) - STEP / 2, float(inside[-1]) + STEP / 2
    zero = 0.0 if reads.read.same_wheel else SIGMAS * reads.read.zero_error
    half = math.hypot((high - low) / 2, zero) + reads.either
    middle = round((low + high) / 2, 1)  # no wheel is read more finely
    error = math.ceil(20.0 * (half + abs(middle - (low + high) / 2))) / 20.0
    return FittedLobe(lobe, most, middle + 0.0, error, mistakes)


def _allows(reads: Reads, lobe: Lobe, reach: float) -> bool:
    """Whether some centre within `reach` of the stated one fits hardly worse than the best: an interval may be wide on
    one side alone, where a lift near nothing fits any later cam."""
    off = np.arange(-REACH, REACH + STEP / 2, STEP)
    rows = _misfits(reads, lobe, off)
    if rows is None:
        return False
    misfit = (rows**2).sum(axis=0)
    scatter = max(float(misfit.min()) / max(len(rows) - 1, 1), 1.0)
    return bool((misfit[np.abs(off) <= reach] <= misfit.min() + (APART * SIGMAS) ** 2 * scatter).any())


def _misfits(reads: Reads, lobe: Lobe, off: FloatArray) -> FloatArray | None:
    """(n, k) each reading less what a lobe gives with its centre at k places, in standard errors; None where it cannot
    lift so far."""
    read, rows = reads.read, []
    for line in read.lifts:
        try:
            flanks = dict(zip(("opening", "closing"), lobe.span(line.lift + reads.lash), strict=True))
        except ValueError:
            return None
        for name, from_centre in flanks.items():
            angle: float | None = getattr(line, name)
            if angle is None or reads.tdc_only not in (None, name):
                continue
            slope = max(abs(float(lobe.slope(from_centre))), 1e-3)
            by_lift = math.hypot(read.gauge_error, reads.lobe_error, _spread(reads, lobe, from_centre))
            error = math.hypot(read.wheel_error, reads.flank, by_lift / slope)
            rows.append((_turned(angle - from_centre - reads.centre - off)) / error)
    error = math.hypot(read.gauge_error, reads.lobe_error)
    if read.full_lift is not None:
        rows.append(np.full_like(off, (read.full_lift - max(lobe.peak - reads.lash, 0.0)) / error))
    if read.lift_at_tdc is not None:
        at_tdc = -reads.centre - off
        lift = np.maximum(lobe.lift(at_tdc) - reads.lash, 0.0)
        by_flank = math.hypot(read.wheel_error, reads.flank) * np.abs(lobe.slope(at_tdc))
        error = math.hypot(error, max(_spread(reads, lobe, float(x)) for x in at_tdc[:: len(at_tdc) // 8]))
        rows.append((read.lift_at_tdc - lift) / np.hypot(error, by_flank))
    # readings of the far flank of a card alone tell nothing
    return np.array(rows) if rows else np.zeros((1, len(off)))


def _spread(reads: Reads, lobe: Lobe, from_centre: float) -> float:
    """Standard error of a card's lift at an angle from the lobe's centre, mm; 0 for a measured lobe."""
    if reads.spread is None:
        return 0.0
    share = from_centre * reads.spread.breaks[0] / lobe.breaks[0]  # the same place on the card as it was drawn
    return max(float(reads.spread.lift(share) - lobe.lift(from_centre)), 0.0) / SIGMAS


def _turned(angle: FloatArray) -> FloatArray:
    """Angles brought within half a cycle of zero."""
    return np.asarray((angle + HALF_CYCLE) % CYCLE - HALF_CYCLE)


def _mistaken(cam: Cam, own: Shape, other: Shape) -> Iterator[tuple[tuple[str, ...], Shape]]:
    """The lobes that usual mistakes, one or two together, would make of the same files, with the mistakes in words."""

    def swapped(_: Shape) -> Iterator[tuple[str, Shape]]:
        yield "the lobe files of the two cams are swapped", other

    def flipped(shape: Shape) -> Iterator[tuple[str, Shape]]:
        if shape is own and cam.card is not None and cam.card.flank_error:
            return  # drawn with equal flanks
        yield "the lobe file is mirrored (its opening flank is the closing one)", _both(shape, mirrored)

    def resized(shape: Shape) -> Iterator[tuple[str, Shape]]:
        for words, ratio, surely in _ratios(cam, shape[0]):
            yield words, (scaled(shape[0], ratio), scaled(shape[1], ratio * surely))

    def widened(shape: Shape) -> Iterator[tuple[str, Shape]]:
        if cam.card is not None:
            yield "the card's durations are cam degrees", _both(shape, lambda lobe: stretched(lobe, 2.0))

    kinds = swapped, flipped, resized, widened
    for count in range(1, TOGETHER + 1):
        for each in combinations(kinds, count):
            yield from _after(own, each)


def _after(
    shape: Shape, kinds: Sequence[Callable[[Shape], Iterator[tuple[str, Shape]]]]
) -> Iterator[tuple[tuple[str, ...], Shape]]:
    """A lobe after mistakes of these kinds, one on top of the other."""
    if not kinds:
        yield (), shape
        return
    for words, changed in kinds[0](shape):
        for more, last in _after(changed, kinds[1:]):
            yield (words, *more), last


def _both(shape: Shape, change: Callable[[Lobe], Lobe]) -> Shape:
    return change(shape[0]), change(shape[1])


def _ratios(cam: Cam, lobe: Lobe) -> Iterator[tuple[str, float, float]]:
    """By how much a lobe really lifts more where its ratio is a mistake, in words and as a factor, and by how much
    that factor may be too small: a ratio that full lift shows is no surer than the gauge."""
    read = cam.degree_in
    if cam.ratio != 1.0:
        yield "lift was measured at the valve (the rocker ratio counts twice)", 1.0 / cam.ratio, 1.0
        yield "the rocker ratio is upside down", 1.0 / cam.ratio**2, 1.0
    elif not cam.ratio_over_lift:
        left_out = "the rocker ratio is left out (about {:.2f})".format
        if read is None or read.full_lift is None:
            yield from ((left_out(ratio), float(ratio), 1.0) for ratio in RATIOS)
            return
        full = read.full_lift + (cam.lash if read.lash is None else read.lash)
        if RATIOS[0] <= full / lobe.peak <= RATIOS[-1]:
            yield left_out(full / lobe.peak), full / lobe.peak, 1.0 + SIGMAS * read.gauge_error / full


def joined(fits: Sequence[FittedLobe]) -> FittedLobe:
    """One lobe that is nowhere below any of several, each with its centre anywhere in its interval.

    What is clear of it is clear of each, and it costs no more than one. Straight lines through the highest lifts,
    raised by what a curve may rise above its chord: `M h² / 8` with `M` its greatest curvature, and at a corner
    a quarter of its turn times `h`.

    >>> lobe = Lobe.through(np.array([-100.0, -20.0, 0.0, 60.0]), np.array([0.0, 8.0, 9.0, 0.0]))
    >>> above = joined([FittedLobe(lobe, lobe, 2.0, 1.0), FittedLobe(mirrored(lobe), lobe, 0.0, 0.5)])
    >>> at = np.arange(-110.0, 110.0, 0.1)
    >>> bool((above.lobe.lift(at) >= np.maximum(lobe.lift(at - 3.0), mirrored(lobe).lift(at))).all())
    True
    """
    lobe = above([(each.lobe, each.off, each.error) for each in fits])
    most = above([(each.most, each.off, each.error) for each in fits])
    return FittedLobe(lobe, most, 0.0, 0.0, tuple(dict.fromkeys(each.mistake for each in fits)))


def _adds(other: FittedLobe, given: FittedLobe) -> bool:
    """Whether another lobe lifts higher anywhere than the one as given, both within their intervals."""
    at = np.arange(-HALF_CYCLE, HALF_CYCLE, 0.5)
    high = other.most.highest(at - other.off - other.error, at - other.off + other.error)
    return bool((high > given.most.highest(at - given.off - given.error, at - given.off + given.error) + ALIKE).any())


def _refusal(
    side: Side, cam: Cam, reads: Reads, lobe: Lobe, as_given: FittedLobe | None, possible: list[FittedLobe]
) -> Mistake:
    """What the readings say that the project does not, and the usual mistakes that would explain them."""
    where = f"{side}.degree_in"
    way = "ATDC" if side == "intake" else "BTDC"
    sign = 1.0 if side == "intake" else -1.0

    def centreline(off: float) -> str:
        return f"{sign * (reads.centre + off):.1f}° {way}"

    fits = [*([as_given] if as_given is not None else []), *possible]
    if not fits:
        return Mistake(
            "these readings do not fit this lobe at any timing" + _worst(reads, lobe),
            f"read them again; check {side}.lobe or card, {side}.ratio and lash, all lifts in mm at the valve",
            where=where,
        )
    if as_given is not None and any(_explanations(cam, lobe, as_given)):
        fits = [as_given]
    named = sorted(
        ((cost, words) for each in fits for cost, words in _explanations(cam, lobe, each)), key=lambda each: each[0]
    )
    words = list(dict.fromkeys(text for _, text in named))[:MOST_NAMED]
    likely = f"look here first: {'; or '.join(words)}" if words else "no usual mistake explains it; read again"
    if as_given is not None:
        problem = (
            f"your readings put the lobe centre at {centreline(as_given.off)} ± {as_given.error:.1f}° (95 %), the "
            f"project at {centreline(0.0)} ± {cam.centreline_error:g}° (as stated)"
        )
    else:
        problem = "your readings do not fit the lobe as the project gives it"
    return Mistake(problem, likely, where=where)


def _explanations(cam: Cam, lobe: Lobe, found: FittedLobe) -> Iterator[tuple[float, str]]:
    """Usual mistakes that put a centre where it was found, with how unlikely each is."""
    simple = float(len(found.mistakes))
    within = cam.centreline_error + found.error + (cam.card.flank_error if cam.card is not None else 0.0)
    if found.mistake:
        yield 3.0 + simple, found.mistake
    if len(found.mistakes) >= TOGETHER:
        return
    places: list[tuple[float, float, str]] = [(0.0, 0.0, "")]
    if cam.offset:
        places.append((2 * cam.offset, 1.0, f"offset has the wrong sign: offset = {-cam.offset:g}"))
        places.append((-cam.offset, 1.0, f"offset is in cam degrees: offset = {2 * cam.offset:g}"))
        places.append(
            (cam.offset, 1.2, "read before the cam was offset: read again; or offset counted twice: offset = 0")
        )
    nose = _nose(lobe)
    if abs(nose) >= 1.0:
        places.append(
            (-nose, 1.1, f"the centreline is that of equal lift; the lobe's zero is {abs(nose):.1f}° from it")
        )
        places.append((nose, 1.3, "the centreline is that of full lift, and the lobe's zero is not there"))
    for off, cost, text in places:
        if abs(found.off - off) <= within and (text or found.mistake):
            yield cost + simple + abs(found.off - off) / within, "; and ".join(x for x in (found.mistake, text) if x)
    if TOOTH[0] - within <= abs(found.off) <= TOOTH[1] + within:
        turned = (
            f"the chain or belt is a tooth out: the cam is {abs(found.off):.0f}° {'late' if found.off > 0 else 'early'}"
        )
        yield 3.0 + simple, "; and ".join(x for x in (found.mistake, turned) if x)
    if not found.mistake and abs(found.off) <= TOOTH[0]:
        yield 2.5, f"add {-found.off:+.1f}° to offset: the lobe file's zero is not where the centreline was taken"


def _nose(lobe: Lobe) -> float:
    """Middle of the span at nine tenths of full lift, crank degrees from the lobe's zero."""
    before, after = lobe.span(0.9 * lobe.peak)
    return (before + after) / 2


def _worst(reads: Reads, lobe: Lobe) -> str:
    """The reading that fits a lobe worst where the others fit best."""
    rows = _misfits(reads, lobe, np.arange(-REACH, REACH, STEP))
    if rows is None:
        return ": the lobe does not lift that far"
    at = int((rows**2).sum(axis=0).argmin())
    worst = float(np.abs(rows[:, at]).max())
    return f": the worst is off by {worst:.0f} times its likely error"
