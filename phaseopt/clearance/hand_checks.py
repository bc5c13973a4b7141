"""Which timings of finished tables to check by hand, how to set the cams to each, and what to expect there."""

from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.allowances import static_terms
from phaseopt.clearance.check import Verdict
from phaseopt.clearance.clamps import ClampVerdict
from phaseopt.clearance.contacts import WORDS, sides_of
from phaseopt.clearance.hand_sum import HandSums, hand_sums
from phaseopt.clearance.limits import SafeBox
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, running_gaps, verdicts, without_float
from phaseopt.project import SIDES, Side
from phaseopt.tables import number_text
from phaseopt.values.arrays import FloatArray

_NEARER = 0.02  # mm that valves must be nearer at another corner to be looked at there: less is not felt
DIALLED = 1.0  # crank degrees to which a cam is set by its lift at TDC
_WAYS = np.array([[1.0, 1.0], [1.0, -1.0], [-1.0, 1.0], [-1.0, -1.0]])  # that both cams may stand off


@dataclass(frozen=True)
class Setting:
    """How one cam is set to a timing.

    `turn` crank degrees from where it is fitted (+ = advanced), with its phaser at rest; `centreline` where it stands
    then, degrees ATDC (intake) or BTDC (exhaust); `lift` of its valves at TDC with lash as set, mm, and `lift_error`,
    mm: what `DIALLED` degrees and a cam card leave open.
    """

    side: Side
    turn: float
    centreline: float
    lift: float
    lift_error: float


@dataclass(frozen=True)
class Expected:
    """One gap at a timing, mm: what you should measure, within `tolerance`, and the worst case, which is less."""

    contact: str
    by_hand: float
    tolerance: float
    worst_case: float
    required: float


@dataclass(frozen=True, eq=False)
class Timing:
    """A timing to check.

    `why` names what it is, `verdict` that of both rules there up to `rpm`. `expected` is empty unless the verdict is
    clear: only then may the engine be turned through at this timing, otherwise there is the sum of drop and lift alone.
    """

    why: str
    rpm: float
    verdict: str
    settings: tuple[Setting, ...]
    sums: HandSums
    expected: tuple[Expected, ...]


def timings_to_check(model: ContactModel, verdict: Verdict | ClampVerdict) -> tuple[Timing, ...]:
    """Rest, and both cams at their limits at once: there every valve is as near the piston as the tables bring it.

    A third where the valves come nearest each other, if they do so elsewhere. Where the engine may not be turned
    through at the limits (tables that keep the looser rule), the tightest cell of each contact stands in for them.
    """
    top = max(model.top_speed, _last_speed(verdict))
    corners = _corners(model, verdict.box.range)
    by_hand = dict(zip(model.contacts, model.by_hand(np.array(corners)).T, strict=True))
    named: dict[tuple[float, float], str] = {(0.0, 0.0): "rest, as fitted"}
    limits = _nearest_piston(model, corners, by_hand)
    named.setdefault(limits, "both cams at their limits")
    if "valve_valve" in by_hand:
        apart = by_hand["valve_valve"]
        if apart.min() < apart[corners.index(limits)] - _NEARER:
            named.setdefault(corners[int(apart.argmin())], "where the valves come nearest each other")
    found = [_timing(model, pair, why, top) for pair, why in named.items()]
    if isinstance(verdict, Verdict) and not all(timing.expected for timing in found):
        for contact in model.contacts:
            pair, rpm, load = _tightest(verdict, contact)
            if pair not in named:
                named[pair] = f"tightest cell for {WORDS[contact]} ({rpm:.0f} rpm, load {number_text(load)})"
                found.append(_timing(model, pair, named[pair], rpm))
    return tuple(found)


def _nearest_piston(
    model: ContactModel, corners: list[tuple[float, float]], by_hand: dict[str, FloatArray]
) -> tuple[float, float]:
    """The corner where each cam is at the end that brings its own valves nearest the piston."""
    if model.tied:
        return corners[int(np.minimum(by_hand["intake_piston"], by_hand["exhaust_piston"]).argmin())]
    intake = corners[int(by_hand["intake_piston"].argmin())][0]
    return intake, corners[int(by_hand["exhaust_piston"].argmin())][1]


def _last_speed(verdict: Verdict | ClampVerdict) -> float:
    judged = verdict.cells if isinstance(verdict, Verdict) else verdict.speeds
    return float(judged["rpm"].max())


def _corners(model: ContactModel, box: SafeBox) -> list[tuple[float, float]]:
    intake, exhaust = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
    pairs = zip(intake, intake, strict=True) if model.tied else ((i, e) for i in intake for e in exhaust)
    return list(dict.fromkeys(pairs))


def _tightest(verdict: Verdict, contact: str) -> tuple[tuple[float, float], float, float]:
    """Phases, speed and load of the cell with the least margin of a contact."""
    cells = verdict.cells.sel(contact=contact)
    margin = np.minimum(cells["static_margin"].to_numpy(), cells["running_margin"].to_numpy())
    row, column = np.unravel_index(int(margin.argmin()), margin.shape)
    cell = cells.isel(rpm=int(row), load=int(column))
    return (float(cell["intake_phase"]), float(cell["exhaust_phase"])), float(cell["rpm"]), float(cell["load"])


def _timing(model: ContactModel, pair: tuple[float, float], why: str, rpm: float) -> Timing:
    gaps = model.gaps(np.repeat(np.array([pair]), 2, axis=1))
    word = str(without_float(verdicts(model, gaps.static, running_gaps(model, gaps, rpm)), model.held(rpm))[0])
    settings = tuple(_setting(model, side, phase) for side, phase in zip(SIDES, pair, strict=True))
    expected = _expected(model, pair, gaps.static[0]) if word == CLEAR else ()
    return Timing(why, rpm, word, settings, hand_sums(model, *pair), expected)


def _setting(model: ContactModel, side: Side, phase: float) -> Setting:
    cam = model.engine.cam(side)
    centre = cam.centre(phase)
    near = cam.lift(0.0, centre + np.array([-DIALLED, 0.0, DIALLED]), cam.lash)
    card = float(cam.most.lift(-centre) - cam.lobe.lift(-centre))
    error = float(np.abs(near - near[1]).max()) + max(card, 0.0) + model.project.cam(side).lift_error
    return Setting(side, phase, float(cam.true_centreline(phase)), float(near[1]), error)


def _expected(model: ContactModel, pair: tuple[float, float], static: FloatArray) -> tuple[Expected, ...]:
    """What a hand should find, and how far off it may be by degreeing in, drop, card, gauge or seats."""
    phases = np.array(pair)
    errors = np.array([max(model.project.cam(side).centreline_error, DIALLED) for side in SIDES])
    by_hand = model.by_hand(phases)[0]
    least = model.stated(phases + _WAYS * errors, lash=True, most=True, low=True).min(axis=0)
    found = []
    for i, contact in enumerate(model.contacts):
        tolerance = max(float(by_hand[i] - least[i]), 0.0) + _reading_error(model, contact)
        worst_case, required = float(static[i]), float(model.required[i])
        found.append(Expected(contact, float(by_hand[i]), tolerance, worst_case, required))
    return tuple(found)


def _reading_error(model: ContactModel, contact: str) -> float:
    """What a gauge and the lobes, or between valves the seats and the lobes, may be out by, mm."""
    terms = static_terms(model.project, contact, model.closing)
    if contact == "valve_valve":
        return terms["seats"] + terms["lobe"]
    (side,) = sides_of(contact)
    error: float = getattr(model.project.drop, side).gauge_error
    return error + terms["lobe"]
