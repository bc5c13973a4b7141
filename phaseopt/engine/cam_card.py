"""A lobe known only by its cam card: peak lift and durations at check lifts.

Two profiles come of a card. The nominal one (`card_profile`) is the smoothest that has the card's durations. `most` is
a bound: no profile of the family described in `card_spread` lifts higher anywhere. Their difference is what a card does
not say.

Lash. Gaps are computed with zero lash, so both are lift at zero lash. Tappet lift (`measured_at = "tappet"`) is free of
lash: valve lift is ratio times tappet lift. Valve lift is read on the engine with lash set, where the valve moves only
after the lash is taken up: lift at zero lash is what the card says plus the lash. A reading at TDC is valve lift too.

What is taken at its word: the card itself; that the peak stands at the lobe's centre; and that both flanks are alike
where a line gives `degrees` and not `before` and `after`. How far the lobe so drawn may stand from where the cam was
dialled is charged elsewhere, as timing; but a lift at TDC was read at such a place too, so it is known no better than
that place times the flank's steepest slope.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from phaseopt.engine.card_profile import Flank, KnownLift, Spline, smoothest_pair
from phaseopt.engine.card_spread import STEEPEST, FlankLimits, Piece, as_polynomials, highest_flank, lift_of, lower
from phaseopt.engine.lobe import Lobe, at_valve
from phaseopt.project import CamCard, Side, TdcLift
from phaseopt.project.hardware import Ratios
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

SHORTEST, LONGEST = 120.0, 400.0  # crank degrees at the lowest check lift; beyond them it is not a four-stroke lobe
TAIL = 60.0  # crank degrees beyond the lowest check lift within which a flank is closed for certain,
TAIL_SHARE = 1.25  # or this many times the flank of the 3-4-5 polynomial, whichever is longer
LONGEST_FLANK = 355.0  # crank degrees; both fit on the circle
NEAREST = 0.5  # crank degrees; a TDC reading closer than this to a check lift adds nothing to it


def card_lobe(
    card: CamCard, ratio: Ratios, lash: float, side: Side, centreline_error: float, file: Path | None = None
) -> tuple[Lobe, Lobe]:
    """The nominal lobe of a cam card, and the largest lift that any profile which fits the card may have.

    Parameters
    ----------
    card : CamCard
        Peak lift, durations [crank degrees] at check lifts [mm], and where they were measured.
    ratio : float or pairs
        Valve travel over tappet travel; pairs of tappet lift [mm] and ratio where it changes.
    lash : float
        Lash at the valve as set [mm].
    side : {"intake", "exhaust"}
        On which flank TDC is: the opening flank of an intake lobe, the closing flank of an exhaust lobe.
    centreline_error : float
        How well the centreline of `lift_at_tdc` is known [crank degrees]. The card's asymmetry comes on top.
    file : Path, optional
        The project file, for messages.

    Returns
    -------
    nominal, most : Lobe
        Lift at the valve with zero lash. The nominal lobe has the card's durations (to rounding), its peak at the
        centre, continuous acceleration, and ends with lift, velocity and acceleration zero; `most` has a kink where
        it must.

    Raises
    ------
    InputError
        Durations that are not those of a lobe in crank degrees, that no single-peaked profile has, or that a TDC
        reading contradicts.

    Examples
    --------
    >>> from phaseopt.project import Duration
    >>> lines = (Duration(at=0.4, degrees=252), Duration(at=1.0, degrees=230))
    >>> card = CamCard(lift=9.6, durations=lines, measured_at="tappet")
    >>> nominal, most = card_lobe(card, ratio=1.0, lash=0.25, side="exhaust", centreline_error=1.0)
    >>> [round(float(x), 4) for x in nominal.span(1.0)]
    [-115.0, 115.0]
    >>> bool(most.lift(100.0) > nominal.lift(100.0) + 0.3)
    True
    """
    where = f"{side}.card"
    lines = sorted(card.durations, key=lambda line: -line.at)
    longest = sum(lines[-1].flanks)
    if not SHORTEST <= longest <= LONGEST:
        raise InputError.one(
            f"{longest:g} degrees at {lines[-1].at:g} mm is not the duration of a four-stroke lobe in crank degrees",
            hint='durations in crank degrees, or with a unit ("126 cam deg")',
            file=file,
            where=f"{where}.durations",
        )
    scale, added = (ratio, 0.0) if card.measured_at == "tappet" else (1.0, lash)
    peak = float(at_valve(card.lift, scale)) + added
    flanks = []
    for i in (0, 1):  # the opening flank, the closing flank
        lifts = [float(at_valve(line.at, scale)) + added for line in lines]
        checks = tuple(KnownLift(line.flanks[i], lift, lift) for line, lift in zip(lines, lifts, strict=True))
        flanks.append(Flank(peak, checks))
    try:
        if card.lift_at_tdc is not None:
            at_tdc = 0 if side == "intake" else 1
            flanks[at_tdc] = _with_reading(flanks[at_tdc], card.lift_at_tdc, lash, centreline_error + card.flank_error)
        nominal = smoothest_pair(flanks)
        before, after = (_highest(flank, spline) for flank, spline in zip(flanks, nominal, strict=True))
    except ValueError as error:
        raise InputError.one(
            str(error),
            hint="check lift, durations, measured_at, and lift_at_tdc with its centreline",
            file=file,
            where=where,
        ) from None
    return _joined(nominal), Lobe(*as_polynomials(before, after))


def card_least(card: CamCard, ratio: Ratios, lash: float, from_centre: npt.ArrayLike) -> FloatArray:
    """The lift at the valve with zero lash that every profile which fits a card has at least, mm.

    Lift only falls from the peak, so between two check lifts it is no less than the lower one. Parameters: crank
    degrees from the lobe's centre, any shape; the rest as for `card_lobe`.

    >>> from phaseopt.project import Duration
    >>> lines = (Duration(at=0.4, degrees=252), Duration(at=1.0, degrees=230))
    >>> card_least(CamCard(lift=9.6, durations=lines, measured_at="tappet"), 1.0, 0.25, [-127.0, 120.0, 100.0]).tolist()
    [0.0, 0.4, 1.0]
    """
    scale, added = (ratio, 0.0) if card.measured_at == "tappet" else (1.0, lash)
    x = np.asarray(from_centre, dtype=np.float64)
    least = np.zeros_like(x)
    for line in card.durations:
        before, after = line.flanks
        least = np.where((x >= -before) & (x <= after), np.maximum(least, at_valve(line.at, scale) + added), least)
    return least


def _with_reading(flank: Flank, read: TdcLift, lash: float, off: float) -> Flank:
    """The flank with what a dial gauge showed at TDC, as lift at zero lash.

    A closed valve (no lift, or less than the error) may stand anywhere within its lash. The lobe may have stood
    `off` crank degrees from the centreline, and lift changes over them by no more than the steepest slope.
    """
    error = read.error + off * STEEPEST * flank.peak / min(flank.lengths)
    low = read.lift - error + lash if read.lift > read.error else 0.0
    high = read.lift + error + lash
    inner = min([flank.peak, *(check.low for check in flank.checks if check.at <= read.centreline)])
    outer = max([0.0, *(check.high for check in flank.checks if check.at >= read.centreline)])
    if read.centreline <= 0:
        raise ValueError(f"lift_at_tdc.centreline is {read.centreline:g}; TDC must lie on the flank, beyond the peak")
    if low > inner or high < outer:
        raise ValueError(
            f"lift_at_tdc ({read.lift:g} mm, and {lash:g} mm lash) contradicts the card, which has between "
            f"{outer:.3f} and {inner:.3f} mm there"
        )
    if any(abs(check.at - read.centreline) < NEAREST for check in flank.checks):
        return flank
    return replace(flank, reading=KnownLift(read.centreline, max(low, outer), min(high, inner)))


def _highest(flank: Flank, nominal: Spline) -> list[Piece]:
    """The bound over one flank, with a reading at TDC where there is one."""
    limits = FlankLimits.of(flank, nominal)
    closed = min(max(flank.checks[-1].at + TAIL, TAIL_SHARE * max(flank.lengths)), LONGEST_FLANK)
    points = (KnownLift(0.0, flank.peak, flank.peak), *flank.checks, KnownLift(closed, 0.0, 0.0))
    by_card = highest_flank(points, limits)
    reading = flank.reading
    if reading is None or reading.at >= closed:
        return by_card
    reading = replace(reading, high=min(reading.high, lift_of(by_card, reading.at)))
    points = tuple(sorted((*points, reading), key=lambda point: point.at))
    return lower(by_card, highest_flank(points, limits))


def _joined(nominal: tuple[Spline, Spline]) -> Lobe:
    breaks_before, coeffs_before = nominal[0].cubics(opening=True)
    breaks_after, coeffs_after = nominal[1].cubics(opening=False)
    return Lobe(np.r_[breaks_before, breaks_after[1:]], np.hstack([coeffs_before, coeffs_after]))
