"""What `phaseopt fit` tells: the torque model, how well it predicts what it was not shown, and what it cannot know."""

import math
import textwrap
from pathlib import Path

import numpy as np
import xarray as xr

from phaseopt.project import Project
from phaseopt.report.reduction_words import shared_notes
from phaseopt.surrogate.coverage import Coverage
from phaseopt.surrogate.sameness import Sameness
from phaseopt.torque_model.sources import TorqueModel
from phaseopt.torque_model.trust import TorqueTrust, deviations
from phaseopt.values.display_units import Unit

_WIDTH, _INDENT = 118, 14
_SURPRISE = 0.6  # share of a pull's points inside the 90 % interval below which it is named
_NAMES = {
    "rpm": ("engine speed", "rpm"),
    "load": ("load", "kPa"),
    "icl": ("intake timing", "°"),
    "ecl": ("exhaust timing", "°"),
}
NOT_JUDGED = (
    "This is about torque alone. Which timings can touch is not judged here: `phaseopt limits` and `phaseopt check` do "
    "that, and a hand on the assembled engine."
)


def fit_summary(project: Project, model: TorqueModel, trust: TorqueTrust, written: list[Path]) -> str:
    """What was found, for a terminal. Parameters: `written`, the pictures, if any were asked for."""
    unit = project.display_units.torque
    blocks = [
        ("Rests on", [rests_on(model, unit)]),
        ("Left out", left_out_lines(model, trust, unit)),
        ("Intervals", interval_lines(trust)),
        ("Repeats", [repeats_line(trust, unit)]),
        ("Same torque", sameness_lines(trust, unit)),
        ("Thin", thin_lines(model, deviations(project, model.surface), unit)),
        ("Unknown", list(trust.unknown) or ["nothing of what this looks for: timings and loads were varied"]),
        *([("Notes", notes)] if (notes := _notes(model)) else []),
        *([("Written", [", ".join(map(str, written))])] if written else []),
    ]
    parts = [f"  {project.name}: the torque model and how far to trust it"]
    parts += ["\n".join(block(label, lines)) for label, lines in blocks]
    parts.append(textwrap.fill(NOT_JUDGED, _WIDTH, initial_indent="  ", subsequent_indent="  "))
    return "\n\n".join(parts) + "\n"


def rests_on(model: TorqueModel, unit: Unit) -> str:
    """What was measured, and on what it stands."""
    readings, learned = model.surface.readings, model.surface.learned
    pulls = np.unique(readings.pull).size
    line = f"{len(readings)} points of {pulls} pull{'s' if pulls != 1 else ''}"
    if learned is None:
        return f"{line}, no simulation"
    return (
        f"{line}, on the simulation calibrated to them, its torque multiplied by {learned.scale:.3f} ± "
        f"{learned.scale_deviation:.3f} and moved by {unit.signed(learned.shift)} ± "
        f"{unit.text(learned.shift_deviation)}"
    )


def left_out_lines(model: TorqueModel, trust: TorqueTrust, unit: Unit) -> list[str]:
    """How far off the model is for what it was not shown."""
    lines = [f"a single point, told by all the others: {unit.text(model.loo_rmse, 1)} (rms)"]
    if not trust.pulls:
        return [*lines, "a whole pull: not known, there is one pull"]
    again = ", the calibration repeated without it" if model.simulation is not None else ""
    worst = max(trust.pulls, key=lambda pull: pull.rmse)
    lines.append(
        f"a whole pull, told by the other pulls{again}: {unit.text(model.lopo_rmse, 1)} (rms); worst {worst.name}, "
        f"{unit.text(worst.rmse, 1)} ({unit.signed(worst.mean, 1)} on average)"
    )
    odd = [pull for pull in trust.pulls if pull.inside < _SURPRISE]
    if odd:
        named = ", ".join(
            f"{pull.name} ({100 * pull.inside:.0f} %, {unit.signed(pull.mean)} {unit.name} on average)" for pull in odd
        )
        lines.append(f"pulls with few points inside their own 90 % interval, to look at or make again: {named}")
    return lines


def interval_lines(trust: TorqueTrust) -> list[str]:
    """Whether the intervals hold what they say, and a verdict in words."""
    if not trust.by_pull:
        return [f"of single points left out, {shares(trust.by_point)}"]
    return [
        f"of points of pulls left out, {shares(trust.by_pull)}: {honesty(trust.by_pull)}",
        f"of single points left out, {shares(trust.by_point)}",
    ]


def shares(found: tuple[Coverage, ...]) -> str:
    """What each interval held, in words."""
    return ", ".join(
        f"{100 * c.inside:.0f}{'' if math.isnan(c.error) else f' ± {100 * c.error:.0f}'} % lie in the "
        f"{100 * c.share:g} % interval"
        for c in found
    )


def honesty(found: tuple[Coverage, ...]) -> str:
    """The 90 % interval in words: honest within two standard errors (and 4 % at least), too narrow or too wide.

    >>> honesty((Coverage(0.9, 0.75, 0.03),))
    'the intervals are too narrow, so count on about 1.4 times the doubt'
    """
    ninety = next(c for c in found if c.share == 0.9)
    spare = max(0.04, 2.0 * (0.0 if math.isnan(ninety.error) else ninety.error))
    if abs(ninety.inside - 0.9) <= spare:
        return "honest, as far as these pulls can show"
    if ninety.inside > 0.9:
        return "the intervals are wider than these pulls need, on the safe side"
    from scipy.stats import norm

    factor = norm.ppf(0.95) / norm.ppf(0.5 + max(ninety.inside, 0.05) / 2.0)
    return f"the intervals are too narrow, so count on about {factor:.1f} times the doubt"


def repeats_line(trust: TorqueTrust, unit: Unit) -> str:
    """What repeated pulls show, in one sentence."""
    found = trust.repeats
    if math.isnan(found.least):
        why = "no timing was pulled twice"
        if found.odd:
            why = "the only pulls at one timing do not agree (`phaseopt reduce` names them)"
        return (
            f"{why}, so what a pull repeats to is the model's guess; repeat the baseline at the start and at the end "
            "of a day"
        )
    count = sum(len(group.pulls) for group in found.groups)
    few = ""
    if found.freedom < 3:
        few = (
            "; so few could agree or differ by luck: counting that an ordinary dyno repeats to 1 % (common practice), "
            f"smaller than about {unit.text(found.likely)}"
        )
    return f"differences between two pulls smaller than {unit.text(found.least)} cannot be seen ({count} repeats{few})"


def _notes(model: TorqueModel) -> list[str]:
    """Notes of the reduction, those that pulls share told once."""
    if model.reduction is None:
        return []
    return shared_notes(model.reduction.notes, [str(name) for name in model.reduction.points["pull_name"].to_numpy()])


def sameness_lines(trust: TorqueTrust, torque: Unit) -> list[str]:
    """Lengths in words."""
    lines = [_same(name, found, torque) for name, found in trust.sameness.items() if found is not None]
    meaning = (
        "(hardly: moved that far at full load, over all measured speeds, torque and its doubt change by no more, rms, "
        "than two readings of one thing differ by: for timing two pulls, else two points of one pull)"
    )
    return [*lines, meaning] if lines else ["nothing was varied"]


def _same(name: str, found: Sameness, torque: Unit) -> str:
    words, unit = _NAMES[name]
    space = "" if unit == "°" else " "
    if found.whole:
        return f"torque hardly changes over all {found.range:.3g}{space}{unit} of {words} that were measured"
    within = f"{float(f'{found.distance:.2g}'):g}{space}{unit}"
    return f"torque hardly changes within {within} of {words} ({torque.text(found.seen)})"


def thin_lines(model: TorqueModel, found: xr.Dataset, unit: Unit) -> list[str]:
    """Where the model is least sure, within the travel of the phasers."""
    timing, cells = found["over_timing"], found["over_speed"]
    if not np.isfinite(timing).any():
        return ["at full load nothing is known"]
    worst = timing.where(timing == timing.max(), drop=True).isel(intake_phase=0, exhaust_phase=0)
    least = timing.where(timing == timing.min(), drop=True).isel(intake_phase=0, exhaust_phase=0)
    half = float(np.sqrt(np.mean(model.surface.told_below(cells["rpm"].to_numpy()) ** 2)))
    reached = float((timing <= half).sum() / timing.notnull().sum())
    told = "the pulls have" if model.supplied_grid is None else "the nodes have"
    cell = cells.where(cells == cells.max(), drop=True).isel(rpm=0, load=0)
    return [
        f"deviation of torque at full load, over the speeds: from {unit.text(float(least))} at {_stands(least)} to "
        f"{unit.text(float(worst))} at {_stands(worst)}; at {100 * reached:.0f} % of the timings that the phasers "
        f"reach {told} told at least half of what is unsure without them ({unit.text(half)} or "
        "less)",
        f"over speed and load the thinnest cell is {float(cell['rpm']):.0f} rpm, {float(cell['load']):g} kPa: "
        f"{unit.text(float(cell))}",
    ]


def _stands(place: xr.DataArray) -> str:
    return f"intake {float(place['intake_phase']):+.0f}°, exhaust {float(place['exhaust_phase']):+.0f}° of phase"


def block(label: str, lines: list[str]) -> list[str]:
    """Lines under a label at the left, wrapped to the terminal's width."""
    indent = " " * (_INDENT + 2)
    found: list[str] = []
    for line in lines:
        first = indent if found else f"  {label:<{_INDENT}}"
        found += textwrap.wrap(line, _WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)
    return found
