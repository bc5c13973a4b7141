"""A pair of tables against the limits: three verdicts, never mixed.

Each cell by itself, at its own speed; the box of all values in the tables and rest, any intake phase with any exhaust
phase up to the top speed; and the full travel of the phasers, which the tables do not touch.
"""

from dataclasses import astuple, dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.between import breaking_cells
from phaseopt.clearance.bounds import distinct
from phaseopt.clearance.faults import Fault, faults
from phaseopt.clearance.full_travel import FullTravel, full_travel
from phaseopt.clearance.limits import SafeBox
from phaseopt.clearance.model import ContactModel, Gaps
from phaseopt.clearance.neighbours import BY_NAME, NeighboursVerdict, neighbours_verdict
from phaseopt.clearance.nominal_gaps import hand_gaps
from phaseopt.clearance.rules import (
    CLEAR,
    FLOAT,
    HITS,
    least_sentence,
    limiting_rule,
    margins,
    running_gaps,
    running_words,
    static_words,
    verdicts,
    without_float,
)
from phaseopt.clearance.tolerance_stack import root_sum_squares
from phaseopt.project import SIDES
from phaseopt.tables import PhaseTables
from phaseopt.values.arrays import FloatArray, TextArray
from phaseopt.values.repr import ShowsItself

OUTSIDE = "outside travel"  # the verdict on a phase that the hardware cannot take
_SLACK = 1e-9  # crank degrees by which rounding may put a label outside


@dataclass(frozen=True)
class BoxVerdict:
    """The tables as a box: any of their values, and rest, may meet any other at any speed up to the top one.

    Attributes
    ----------
    range : SafeBox
        The span of the values [crank degrees].
    static, running : dict of str to float
        Least gaps by contact [mm], worst case; running at the top speed.
    verdict, sentence : str
        In one word, and in a sentence.
    broken_by : str
        Where every cell is clear and the box is not, the cells whose phases break it together; else empty.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> from phaseopt.tables import rest_tables
    >>> box = check_tables(model, rest_tables(model.project)).box
    >>> box.range.size, box.verdict  # a single timing
    (1.0, 'clear')
    """

    range: SafeBox
    static: dict[str, float]
    running: dict[str, float]
    verdict: str
    sentence: str
    broken_by: str = ""


@dataclass(frozen=True, eq=False, repr=False)
class Verdict(ShowsItself):
    """What a pair of tables does.

    Attributes
    ----------
    contact : ContactModel
        What judged.
    cells : Dataset (rpm, load, contact)
        `intake_phase`, `exhaust_phase`, `icl`, `ecl` [degrees]; `by_hand`, `static`, `running` gaps, `static_rss` and
        `running_rss` (by root-sum-square: shown, not judged by) [mm]; `angle`, the crank angle of the least static
        clearance, and `running_angle`; `static_margin` and `running_margin` above each rule [mm]; `verdict`;
        `limited_by`, the rule with the least margin.
    box : BoxVerdict
        The tables as a box.
    worst : str
        The gap with the least margin of all cells, in a sentence.
    neighbours : NeighboursVerdict or None
        The looser rule between cells; None where the project does not choose it.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> from phaseopt.tables import rest_tables
    >>> verdict = check_tables(model, rest_tables(model.project))
    >>> verdict.cells["verdict"].dims, set(verdict.cells["verdict"].values.ravel().tolist())
    (('rpm', 'load'), {'clear'})
    """

    contact: ContactModel
    cells: xr.Dataset
    box: BoxVerdict
    worst: str
    neighbours: NeighboursVerdict | None = None

    @property
    def full_travel(self) -> FullTravel:
        """The whole travel of the phasers."""
        return full_travel(self.contact)

    @cached_property
    def faults(self) -> tuple[Fault, ...]:
        """What each fault of a phaser would do, the other one anywhere in the tables. Not counted in the verdict."""
        return faults(self.contact, astuple(self.box.range), self.top, "its table")

    @property
    def not_covered(self) -> tuple[str, ...]:
        """What was not looked at, in words."""
        return self.contact.not_covered

    @property
    def clear(self) -> bool:
        """Every cell and the box are clear. Full travel is judged apart."""
        return self.cells_clear and self.box.verdict == CLEAR

    @property
    def accepted(self) -> bool:
        """Clear, or by the looser rule between cells where the project chooses it: clear cells and neighbours."""
        looser = self.neighbours is not None and self.neighbours.verdict == CLEAR
        return self.cells_clear and (looser or self.box.verdict == CLEAR) and bool(self.contact.held(self.top))

    @property
    def top(self) -> float:
        """The highest speed that is judged, rpm."""
        return max(self.contact.top_speed, float(self.cells["rpm"][-1]))

    @property
    def cells_clear(self) -> bool:
        """Every cell by itself is clear."""
        return bool((self.cells["verdict"] == CLEAR).all())


def check_tables(model: ContactModel, tables: PhaseTables) -> Verdict:
    """Judge a pair of tables by bound.

    Parameters
    ----------
    model : ContactModel
    tables : PhaseTables
        Any phases on any axes. A phase outside the travel, or two different ones for tied cams, gets the verdict
        "outside travel" (or "hits" where that is what the geometry says).

    Returns
    -------
    Verdict
        The box is judged up to the top speed, or the last breakpoint where that is beyond.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.tables import rest_tables
    >>> project = load_project("examples/intake_only/project.toml")
    >>> check_tables(contact_model(project), rest_tables(project)).clear
    True
    """
    pairs = np.column_stack([tables.of_side(side).to_numpy().reshape(-1) for side in SIDES])
    speeds = np.repeat(tables.rpm, tables.load.size)
    each, back = distinct(pairs)
    found = model.gaps(np.repeat(each, 2, axis=1))
    gaps = Gaps(found.static[back], found.static_angle[back], found.swept[back], found.swept_angle[back])
    hand = hand_gaps(model, each)[back]
    outside = outside_travel(model, pairs)
    cells = _cells(model, tables, pairs, speeds, gaps, hand, outside)
    top = max(model.top_speed, float(tables.rpm[-1]))
    box = box_verdict(model, pairs, bool((outside != "").any()), top)
    if box.verdict != CLEAR and bool((cells["verdict"] == CLEAR).all()):
        span = (box.range.intake_from, box.range.intake_to, box.range.exhaust_from, box.range.exhaust_to)
        box = replace(box, broken_by=breaking_cells(model, tables, span, top))
    return Verdict(
        model,
        cells,
        box,
        _worst(model, speeds, gaps, hand),
        neighbours_verdict(model, tables, top) if model.project.gap.between == BY_NAME else None,
    )


def outside_travel(model: ContactModel, pairs: FloatArray) -> TextArray:
    """(n,) why the hardware cannot take a pair of phases, "" where it can."""
    why = np.full(len(pairs), "", dtype="<U80")
    for side, phases in zip(SIDES, pairs.T, strict=True):
        least, most = model.travel(side)
        words = f"{side} travel [{least:g}, {most:g}]" if most > least else f"the {side} cam is fixed"
        why[(phases < least - _SLACK) | (phases > most + _SLACK)] = words
    if model.tied:
        why[np.abs(pairs[:, 0] - pairs[:, 1]) > _SLACK] = "one phaser moves both cams: the same phase for both"
    return why


def judged(model: ContactModel, static: FloatArray, running: FloatArray, outside: npt.NDArray[np.bool_]) -> TextArray:
    words = verdicts(model, static, running)
    return np.where(outside & (words != HITS), OUTSIDE, words)


def _cells(
    model: ContactModel,
    tables: PhaseTables,
    pairs: FloatArray,
    speeds: FloatArray,
    gaps: Gaps,
    by_hand: FloatArray,
    outside: TextArray,
) -> xr.Dataset:
    running = running_gaps(model, gaps, speeds)
    static_rss, running_rss = root_sum_squares(model, pairs, gaps, speeds)
    margin = margins(model, gaps.static, running)
    cell, contact = ("rpm", "load"), ("rpm", "load", "contact")
    shape = tables.rpm.size, tables.load.size

    def on(dims: tuple[str, ...], values: npt.NDArray[Any], long_name: str, units: str | None = None) -> Any:
        attrs = {"long_name": long_name} | ({"units": units} if units else {})
        return dims, values.reshape(*shape, *values.shape[1:]), attrs

    held = model.held(speeds)
    words = without_float(judged(model, gaps.static, running, outside != ""), held)
    limited_by = np.where(held, limiting_rule(model, margin), FLOAT)
    limited_by = np.where(outside != "", outside, limited_by)
    intake, exhaust = (model.engine.cam(side) for side in SIDES)
    return xr.Dataset(
        {
            "intake_phase": on(cell, pairs[:, 0], "intake phase, + = advanced", "degree"),
            "exhaust_phase": on(cell, pairs[:, 1], "exhaust phase, + = advanced", "degree"),
            "icl": on(cell, intake.true_centreline(pairs[:, 0]), "intake centreline after TDC", "degree"),
            "ecl": on(cell, exhaust.true_centreline(pairs[:, 1]), "exhaust centreline before TDC", "degree"),
            "by_hand": on(contact, by_hand, "clearance you should measure, cold, lash as set", "mm"),
            "static": on(contact, gaps.static, "static clearance, worst case", "mm"),
            "running": on(contact, running, "running clearance, worst case", "mm"),
            "static_rss": on(contact, static_rss, "static clearance, root-sum-square", "mm"),
            "running_rss": on(contact, running_rss, "running clearance, root-sum-square", "mm"),
            "angle": on(contact, gaps.static_angle, "crank angle of the least static clearance", "degree"),
            "running_angle": on(contact, gaps.swept_angle, "crank angle of the least running clearance", "degree"),
            "static_margin": on(contact, margin[:, 0], "static clearance above the minimum", "mm"),
            "running_margin": on(contact, margin[:, 1], "running clearance above the reserve", "mm"),
            "verdict": on(cell, words, "verdict"),
            "limited_by": on(cell, limited_by, "the rule with the least margin"),
        },
        {
            "rpm": ("rpm", tables.rpm, tables.intake["rpm"].attrs),
            "load": ("load", tables.load, tables.intake["load"].attrs),
            "contact": list(model.contacts),
        },
    )


def box_verdict(model: ContactModel, pairs: FloatArray, outside: bool, top: float) -> BoxVerdict:
    """The box of all pairs of phases (n, 2) and of rest, where phasers stand when the engine starts, up to a speed."""
    low, high = np.minimum(pairs.min(axis=0), 0.0), np.maximum(pairs.max(axis=0), 0.0)
    if model.tied:  # one span for both, also where two tables say otherwise
        low, high = np.full(2, low.min()), np.full(2, high.max())
    span = SafeBox(float(low[0]), float(high[0]), float(low[1]), float(high[1]))
    gaps = model.gaps_of((span.intake_from, span.intake_to, span.exhaust_from, span.exhaust_to))
    running = running_gaps(model, gaps, top)
    held = model.held(top)
    verdict = str(without_float(judged(model, gaps.static, running, np.array([outside])), held)[0])
    spans = [f"{side} {_phases(low[k], high[k])}" for k, side in enumerate(SIDES) if low[k] < high[k]]
    which = " and ".join(spans) + " in any combination" * (len(spans) > 1) or "both cams at rest"
    if model.tied:
        which = f"both cams {_phases(low[0], high[0])}"
    sentence = f"{verdict.upper()}: {which}, up to {top:.0f} rpm. Closest: "
    sentence += least_sentence(model, gaps, top)
    sentence += "" if held else f"; {top:.0f} rpm is beyond {FLOAT}"
    each_static = dict(zip(model.contacts, gaps.static[0].tolist(), strict=True))
    return BoxVerdict(span, each_static, dict(zip(model.contacts, running[0].tolist(), strict=True)), verdict, sentence)


def _phases(low: float, high: float) -> str:
    return " to ".join(f"{each:+g}°" if each else "0°" for each in (low, high))


def _worst(model: ContactModel, speeds: FloatArray, gaps: Gaps, by_hand: FloatArray) -> str:
    running = running_gaps(model, gaps, speeds)
    margin = margins(model, gaps.static, running)
    row, rule, contact = (int(i) for i in np.unravel_index(int(margin.argmin()), margin.shape))
    expect = f"; you should measure {model.project.display_units.gap.text(by_hand[row, contact])}"
    if rule == 0:
        return static_words(model, contact, gaps.static[row, contact], gaps.static_angle[row, contact], expect)
    gap, angle = running[row, contact], gaps.swept_angle[row, contact]
    return running_words(model, contact, gap, speeds[row], angle, expect)
