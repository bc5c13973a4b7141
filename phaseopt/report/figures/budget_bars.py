"""The gap budget as bars: from what a hand measures, step by step, to what each rule leaves and requires."""

from typing import TYPE_CHECKING

from matplotlib.axes import Axes

from phaseopt.clearance.budget import RUNNING_STEPS, STATIC_STEPS, gap_budget
from phaseopt.clearance.contacts import WORDS
from phaseopt.report.facts import tightest
from phaseopt.report.figures.drawing import (
    BEFORE,
    EDGE,
    INK,
    PAPER,
    RULE,
    TEXT,
    Drawing,
    sized,
    styled,
)
from phaseopt.report.words import capital
from phaseopt.values.display_units import Unit

if TYPE_CHECKING:
    from phaseopt.job.build import Build

_WIDE, _ROW = 400, 30  # pixels; a row holds its words and, below them, its bar
_SMALL = 0.03  # of what a hand measures: steps that take less stand together


def budget_bars(build: "Build", contact: str) -> Drawing:
    """Where the clearance of a contact goes at its tightest cell: what each source takes, and both requirements."""
    model, unit, near = build.contact, build.project.display_units.gap, tightest(build, contact)
    steps = gap_budget(model, near.intake_phase, near.exhaust_phase, model.top_speed).sel(contact=contact)
    required = float(model.required[model.contacts.index(contact)])
    taken = {str(step): float(mm) for step, mm in zip(steps["step"].to_numpy(), steps["taken"].to_numpy(), strict=True)}
    by_hand = float(steps["by_hand"])
    rows: list[tuple[str, float, float, float | None]] = [("you should measure", 0.0, by_hand, None)]
    for names, rule, wants in ((STATIC_STEPS, "static", required), (RUNNING_STEPS, "running", model.reserve)):
        rows += _steps({words: taken[step] for step, words in names.items()}, rows[-1][2], by_hand)
        at = "" if rule == "static" else f" at {model.top_speed:.0f} rpm"
        rows.append((f"{rule}, worst case{at}", 0.0, float(steps[rule]), wants))
    with styled():
        height = _ROW * len(rows) + 46
        figure = sized(_WIDE, height)
        axes = figure.add_axes((0.02, 22 / height, 0.96, 1 - 46 / height))
        figure.text(0.01, 1 - 15 / height, f"{capital(WORDS[contact])}, {unit.name}", fontsize=TEXT + 1,
                    fontweight="bold")  # fmt: skip
        _draw(axes, rows, unit)
        return Drawing(figure, f"budget-{contact}", f"What takes the clearance, {WORDS[contact]}, tightest cell")


def _steps(taken: dict[str, float], left: float, whole: float) -> list[tuple[str, float, float, float | None]]:
    """A row for each step that takes much, from what it leaves to what it found; the others in one."""
    big = {words: mm for words, mm in taken.items() if mm >= _SMALL * whole}
    rest = [mm for mm in taken.values() if 0.0 < mm < _SMALL * whole]
    if len(rest) == 1:
        big = {words: mm for words, mm in taken.items() if mm > 0.0}
    elif rest:
        big[f"{len(rest)} smaller ones"] = sum(rest)
    rows: list[tuple[str, float, float, float | None]] = []
    for words, mm in big.items():
        rows.append((words, left, left - mm, None))
        left -= mm
    return rows


def _draw(axes: Axes, rows: list[tuple[str, float, float, float | None]], unit: Unit) -> None:
    """Results are bars from zero, steps float where they take; a requirement is an upright across its result."""
    most = unit.of(max(max(start, end) for _, start, end, _ in rows))
    least = unit.of(min(0.0, *(end for _, _, end, _ in rows)))
    axes.set_axis_off()
    axes.set_xlim(least, 1.16 * most)
    axes.set_ylim(len(rows) - 0.1, -0.1)
    axes.plot([0.0, 0.0], [0.0, len(rows)], color=INK, lw=1.5)
    for n, (words, start, end, wants) in enumerate(rows):
        result = start == 0.0
        number = unit.number(end if n == 0 else start - end) if not result or n == 0 else unit.down(end)
        asked = "" if wants is None else f" (required {unit.up(wants)})"
        axes.text(0.012 * most, n + 0.2, f"{words}{asked}", fontsize=TEXT, va="center",
                  fontweight="bold" if result else "normal")  # fmt: skip
        low, high = sorted((unit.of(start), unit.of(end)))
        fill, edge = (BEFORE, INK) if result else (RULE, EDGE)
        axes.barh(n + 0.66, high - low, left=low, height=0.4, color=fill, ec=edge, lw=1.0)
        axes.text(high + 0.012 * most, n + 0.66, number if result else f"\N{MINUS SIGN}{number}", fontsize=TEXT,
                  va="center", fontweight="bold" if result else "normal")  # fmt: skip
        if wants is not None:
            axes.plot([unit.of(wants)] * 2, [n + 0.42, n + 0.9], color=PAPER, lw=5.0)
            axes.plot([unit.of(wants)] * 2, [n + 0.42, n + 0.9], color=INK, lw=2.5)
