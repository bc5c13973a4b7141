"""What `phaseopt fit` says: the torque model, how well it predicts pulls it has not seen, and what it cannot know."""

import math

import numpy as np
import xarray as xr

from phaseopt.project import Project
from phaseopt.report.document import Depth, Document, Section, say
from phaseopt.report.notes import shared_notes
from phaseopt.report.simulation import far_off
from phaseopt.report.supplied_grid import UNITS, left_out_line, nodes_line
from phaseopt.report.torque_source import looks_wrong
from phaseopt.report.words import capital, sentence
from phaseopt.surrogate import ChangeDistance, Coverage, coverage
from phaseopt.torque_model import TorqueModel, TorqueTrust, deviations
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL, PLUS_MINUS

_SURPRISE = 0.6  # share of a pull's points inside the 90 % interval below which it is named
_NAMES = {
    "rpm": ("engine speed", "rpm"),
    "load": ("load", "kPa"),
    "icl": ("intake timing", "°"),
    "ecl": ("exhaust timing", "°"),
}
NOT_JUDGED = "This judges torque alone, not contact. Use `phaseopt limits`, and check by hand."


def fit_document(project: Project, model: TorqueModel, trust: TorqueTrust | None) -> Document:
    """The torque model of a project, and how far to trust it.

    Parameters: `trust`, None where torque is from a supplied grid, which is judged by its own nodes.
    """
    unit = project.display_units.torque
    title = f"{project.name}: the torque model and how far to trust it"
    thin = say(
        "Least sure", *map(sentence, thin_lines(model, deviations(project, model.surface), unit)), depth=Depth.DETAIL
    )
    if trust is None:
        sections: tuple[Section, ...] = (*_of_grid(project, model), thin)
        return Document(
            title, f"{capital(left_out_line(model.loo_rmse, unit))}.", sections=sections, lead=(NOT_JUDGED,)
        )
    first, *others = left_out_lines(model, trust, unit)
    sections = (
        say("Rests on", sentence(rests_on(model, unit)), PLUS_MINUS),
        say("Left out", *map(sentence, others)),
        say("Look at", *looks_wrong(project, model)),
        say("Weighed down", *(f"{line}." for line in weighed_lines(model, unit))),
        say("Error bars", *map(sentence, interval_lines(trust, named=_named(model, trust)))),
        say("Repeats", sentence(repeats_line(trust, unit))),
        say("Spark", *map(sentence, model.spark)),
        say("Same torque", *map(sentence, change_lines(trust, unit)), depth=Depth.DETAIL),
        thin,
        say(
            "Unknown", *map(sentence, trust.unknown or ("nothing that this looks for: timings and loads were varied",))
        ),
    )
    return Document(
        title,
        f"{capital(first)}.",
        lead=(NOT_JUDGED,),
        sections=sections,
        notes=tuple(_notes(model)),
        cautions=far_off(model.simulation, unit),
    )


def _of_grid(project: Project, model: TorqueModel) -> tuple[Section, ...]:
    """What a supplied grid is and how well its nodes predict each other."""
    assert model.supplied_grid is not None
    assert model.left_out is not None
    unit = project.display_units.torque
    return (
        say("Rests on", nodes_line(model.supplied_grid, unit), *model.notes, PLUS_MINUS),
        say("Worst node", worst_node_line(model, unit)),
        say("Error bars", f"With a node left out: {shares(coverage(model.left_out, model.surface.readings))}."),
    )


def rests_on(model: TorqueModel, unit: Unit) -> str:
    """What was measured, and on what it stands."""
    readings, learned = model.surface.readings, model.surface.learned
    pulls = np.unique(readings.pull).size
    line = f"{len(readings)} points of {pulls} pull{'s' if pulls != 1 else ''}"
    if learned is None:
        return f"{line}, no simulation"
    return (
        f"{line}, and a simulation calibrated to them: its torque times {learned.scale:.3f} ± "
        f"{INTERVAL * learned.scale_deviation:.3f}, then "
        f"{unit.plus_minus_text(learned.shift, learned.shift_deviation)}"
    )


def left_out_lines(model: TorqueModel, trust: TorqueTrust, unit: Unit) -> list[str]:
    """How far off the model is for what it was not shown."""
    lines = [f"a single point, predicted by all the others, is off by {unit.text(model.loo_rmse, 1)} (rms)"]
    if not trust.pulls:
        return [*lines, "a whole pull: not known, with one pull"]
    worst = max(trust.pulls, key=lambda pull: pull.rmse)
    lines.append(
        f"a whole pull, predicted by the other pulls, is off by {unit.text(model.lopo_rmse, 1)} (rms). "
        f"Worst: {worst.name}, {unit.text(worst.rmse, 1)} ({unit.signed(worst.mean, 1)} on average)"
    )
    unlikely = [pull for pull in trust.pulls if pull.inside < _SURPRISE]
    if unlikely:
        named = ", ".join(
            f"{pull.name} ({100 * pull.inside:.0f} %, {unit.signed_text(pull.mean)} on average)" for pull in unlikely
        )
        lines.append(
            f"look at these pulls, or make them again. Few of their points are inside their 90 % error bars: {named}"
        )
    return lines


def weighed_lines(model: TorqueModel, unit: Unit) -> list[str]:
    """Pulls that disagree with the others, and what they still weigh."""
    if model.reduction is None or not model.weighed_down:
        return []
    names = model.reduction.points["pull_name"].to_numpy()
    return [
        f"{names[one.pull]}: it reads {unit.number(abs(one.difference))} ± {unit.text(INTERVAL * one.deviation)}"
        f" {'more' if one.difference > 0 else 'less'} than the other pulls predict, so its level counts"
        f" {100.0 * one.weight:.0f} % of a pull's"
        for one in model.weighed_down
    ]


def _named(model: TorqueModel, trust: TorqueTrust) -> bool:
    """Whether some pull is listed as one to look at: then nothing says that error bars are right."""
    named = model.reduction is not None and model.reduction.named
    return bool(
        named or model.weighed_down or trust.repeats.outliers or any(pull.inside < _SURPRISE for pull in trust.pulls)
    )


def interval_lines(trust: TorqueTrust, *, named: bool = False) -> list[str]:
    """Whether the intervals hold what they say, and a verdict in words. Parameters: `named`, some pull is listed as
    one to look at."""
    if not trust.by_pull:
        return [f"with a point left out: {shares(trust.by_point)}"]
    return [
        "not judged before the pulls to look at are made again or left out"
        if named
        else interval_verdict(trust.by_pull),
        f"with a pull left out: {shares(trust.by_pull)}",
        f"with a point left out: {shares(trust.by_point)}",
    ]


def shares(found: tuple[Coverage, ...]) -> str:
    """What error bars of each length held, in words.

    >>> shares((Coverage(0.5, 0.6, 0.035), Coverage(0.9, 1.0, 0.0)))
    'the 50 % error bars hold 60 ± 7 % of its points, the 90 % ones 100 %'
    """
    held = [
        f"{100 * c.inside:.0f}{f' ± {within}' if (within := _rounded(100 * INTERVAL * c.error)) else ''} %"
        for c in found
    ]
    first, *more = [f"{100 * c.share:g} %" for c in found]
    others = [f"the {share} ones {share_held}" for share, share_held in zip(more, held[1:], strict=True)]
    return ", ".join([f"the {first} error bars hold {held[0]} of its points", *others])


def _rounded(value: float) -> int:
    return 0 if math.isnan(value) else round(value)


def interval_verdict(found: tuple[Coverage, ...]) -> str:
    """The 90 % interval in words: right within two standard errors (and 4 % at least), too narrow or too wide.

    >>> interval_verdict((Coverage(0.9, 0.75, 0.03),))
    'too narrow: count on about 1.4 times the uncertainty'
    """
    ninety = next(c for c in found if c.share == 0.9)
    spare = max(0.04, INTERVAL * (0.0 if math.isnan(ninety.error) else ninety.error))
    if abs(ninety.inside - 0.9) <= spare:
        return "they look right"
    if ninety.inside > 0.9:
        return "wider than these pulls need, on the safe side"
    from scipy.special import ndtri

    factor = ndtri(0.95) / ndtri(0.5 + max(ninety.inside, 0.05) / 2.0)
    return f"too narrow: count on about {factor:.1f} times the uncertainty"


def repeats_line(trust: TorqueTrust, unit: Unit) -> str:
    """What repeated pulls show, in one sentence."""
    found = trust.repeats
    if math.isnan(found.least):
        why = "no timing was pulled twice"
        if found.outliers:
            why = "the only pulls at one timing do not agree (`phaseopt reduce` names them)"
        return (
            f"{why}, so what a pull repeats to is the model's guess. Repeat the baseline at the start and at the end "
            "of a day"
        )
    count = f"{found.freedom:.0f} repeat{'s' * (round(found.freedom) != 1)}"
    few = ""
    if found.freedom < 3:
        few = (
            ". So few can agree or differ by luck. An ordinary dyno repeats to 1 % (95 %; common practice): then about "
            f"{unit.text(found.likely)} shows"
        )
    return f"two pulls must differ by {unit.text(found.least)} before you can trust it ({count}){few}"


def _notes(model: TorqueModel) -> list[str]:
    """Notes of the reduction, each once over the pulls it concerns."""
    if model.reduction is None:
        return []
    return shared_notes(model.reduction.notes, [str(name) for name in model.reduction.points["pull_name"].to_numpy()])


def change_lines(trust: TorqueTrust, torque: Unit) -> list[str]:
    """Lengths in words."""
    lines = [_same(name, found, torque) for name, found in trust.change_distances.items() if found is not None]
    meaning = (
        "hardly: at full throttle, over that distance, torque changes no more than repeats differ. For timing that is "
        "two pulls, else two points of one pull"
    )
    return [*lines, meaning] if lines else ["nothing was varied"]


def _same(name: str, found: ChangeDistance, torque: Unit) -> str:
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
        return ["at full throttle nothing is known"]
    worst = timing.where(timing == timing.max(), drop=True).isel(intake_phase=0, exhaust_phase=0)
    least = timing.where(timing == timing.min(), drop=True).isel(intake_phase=0, exhaust_phase=0)
    half = float(np.sqrt(np.mean(model.surface.informed_below(cells["rpm"].to_numpy()) ** 2)))
    reached = float((timing <= half).sum() / timing.notnull().sum())
    source = "the pulls" if model.supplied_grid is None else "the nodes"
    cell = cells.where(cells == cells.max(), drop=True).isel(rpm=0, load=0)
    low, high, halved = (unit.text(INTERVAL * float(each)) for each in (least, worst, half))
    return [
        f"torque at full throttle, over the speeds: from ± {low} at {_stands(least)} to ± {high} at {_stands(worst)}. "
        f"At {100 * reached:.0f} % of the timings that the phasers reach, {source} have at least halved the "
        f"uncertainty (to ± {halved} or less)",
        f"over speed and load the thinnest cell is {float(cell['rpm']):.0f} rpm, {float(cell['load']):g} kPa: "
        f"± {unit.text(INTERVAL * float(cell))}",
    ]


def _stands(place: xr.DataArray) -> str:
    return f"intake {float(place['intake_phase']):+.0f}°, exhaust {float(place['exhaust_phase']):+.0f}° of phase"


def worst_node_line(model: TorqueModel, unit: Unit) -> str:
    """The node that the others predict worst: a slip of the pen, or a place that the grid is too coarse for."""
    assert model.left_out is not None
    worst = int(np.argmax(np.abs(model.left_out.residual)))
    at = ", ".join(
        f"{value:g}{unit}" for value, unit in zip(model.surface.readings.x[worst], UNITS.values(), strict=True)
    )
    off, unsure = float(model.left_out.residual[worst]), float(model.left_out.deviation[worst])
    look = "; look at it" if abs(off) > 5.0 * unsure and math.isfinite(unsure) else ""
    return f"worst {unit.signed_text(off, 1)} ({abs(off) / unsure:.1f} deviations) at {at}{look}"
