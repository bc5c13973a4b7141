"""What is shown of a project and of what each stage finds, by its kind: parts of what commands say of the same."""

from dataclasses import replace
from functools import singledispatch

import numpy as np
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.contacts import not_covered
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.rules import CLEAR
from phaseopt.job.build import Build
from phaseopt.job.stages import BestTables
from phaseopt.project import SIDES, Project, Side
from phaseopt.report.card import Card
from phaseopt.report.document import Depth, Document, Section, Table, say, table
from phaseopt.report.simulation import calibration_line, far_off
from phaseopt.report.subjects.build import build_document, proof
from phaseopt.report.subjects.check import check_document
from phaseopt.report.subjects.limits import limits_document
from phaseopt.report.subjects.simulate import contact_line, settled_line
from phaseopt.report.supplied_grid import left_out_line, nodes_line
from phaseopt.report.torque_source import fit_line
from phaseopt.report.words import capital, span_text
from phaseopt.study.day import Day
from phaseopt.tables import PhaseTables, number_text
from phaseopt.torque import Reduction
from phaseopt.torque_model import Simulated, TorqueModel
from phaseopt.values.display_units import METRIC
from phaseopt.values.interval import INTERVAL

_CELLS = "intake / exhaust phase, crank degrees from rest, + = advanced"
_AXES = {"rpm": "speeds", "load": "loads", "icl": "intake centrelines", "ecl": "exhaust centrelines"}


@singledispatch
def card(found: object) -> Card:
    """The card of anything that shows itself."""
    raise TypeError(f"nothing is known to show of {type(found).__name__}")


def _in_short(document: Document, *titles: str, more: tuple[Section, ...] = ()) -> Card:
    """A card of some sections of a document, without its notes, and with its cautions down to the check by hand."""
    sections = tuple(section for section in document.sections if section.title in titles)
    by_hand = next((k for k, line in enumerate(document.cautions, 1) if "every cylinder" in line), 1)
    return Card(replace(document, sections=(*sections, *more), notes=(), cautions=document.cautions[:by_hand]))


@card.register
def _project(project: Project) -> Card:
    size, tables = project.display_units.size, project.tables
    sources = {"pulls": project.torque, "a supplied grid": project.torque_grid, "a simulation": project.cycle}
    torque = " and ".join(words for words, section in sources.items() if section is not None)
    cylinder = f"{size.plain(project.crank.bore)} x {size.plain(project.crank.stroke)} {size.name}"
    top = max(project.crank.top_speed, tables.rpm[-1])
    return Card(
        Document(
            f"Project: {project.name}",
            "",
            sections=(
                say("Engine", f"{project.cylinders} cylinders of {cylinder}, contact checked up to {top:.0f} rpm"),
                *(say(f"{capital(side)} cam", _cam_words(project, side)) for side in SIDES),
                say("Tables", _axes_words(np.array(tables.rpm), np.array(tables.load))),
                say("Torque", f"from {torque}" if torque else "none stated"),
            ),
            not_covered=not_covered(project, _read_on_engine(project)),
        )
    )


def _read_on_engine(project: Project) -> tuple[Side, ...]:
    return tuple(side for side in SIDES if (read := project.cam(side).degree_in) and read.lifts)


def _cam_words(project: Project, side: Side) -> str:
    cam, phaser = project.cam(side), project.phaser_of(side)
    end = "ATDC" if side == "intake" else "BTDC"
    fitted = f"centreline {cam.centreline:g}° {end}, fitted at {cam.offset:+g}°"
    return f"{fitted}; " + ("fixed" if phaser is None else f"travel {span_text(*phaser.travel)}")


def _axes_words(rpm: np.ndarray, load: np.ndarray) -> str:
    return (
        f"{rpm.size} speeds, {rpm[0]:g} to {rpm[-1]:g} rpm; {load.size} loads, {load[0]:g} to {load[-1]:g} kPa, the "
        "top one full throttle"
    )


@card.register
def _limits(limits: Limits) -> Card:
    return _in_short(limits_document(limits), "Clamps", "By speed", "Full travel")


@card.register
def _reduction(found: Reduction) -> Card:
    points = found.points
    names = [str(name) for name in points["pull_name"].to_numpy()]
    number = (
        f"{points.sizes['point']} from {len(names)} pulls, {_span(points['rpm'])} rpm, {_span(points['load'])} kPa, "
        f"{_span(points['torque'])} N·m, ± {INTERVAL * float(points['scatter'].median()):.2g} N·m (95 %, a typical "
        "point)"
    )
    left_out = f"{len(found.rejected)} stretches; {len(found.notes)} notes on the logs"
    sections = (
        say("Points", number),
        say("Left out", left_out),
        say("Look first", *found.first),
        Section("Pulls", (_pulls(points, names),)),
    )
    return Card(Document("Torque points", "", sections=sections))


def _pulls(points: xr.Dataset, names: list[str]) -> Table:
    """What each pull gave."""
    of_pull = [points.isel(point=np.flatnonzero(points["pull"] == number)) for number in range(len(names))]
    rows = tuple(
        (name, str(own.sizes["point"]), *(_span(own[key]) for key in ("rpm", "load", "icl", "ecl", "torque")))
        for name, own in zip(names, of_pull, strict=True)
        if own.sizes["point"]
    )
    head = ("pull", "points", "rpm", "load, kPa", "intake centreline, ° ATDC", "exhaust centreline, ° BTDC", "N·m")
    return table("Pulls", head, rows)


def _span(values: xr.DataArray) -> str:
    low, high = float(values.min()), float(values.max())
    return f"{low:.0f}" if f"{low:.0f}" == f"{high:.0f}" else f"{low:.0f} to {high:.0f}"


@card.register
def _simulated(found: Simulated) -> Card:
    grid, calibration = found.grid, found.calibration
    axes = ", ".join(f"{grid.sizes[name]} {words}" for name, words in _AXES.items())
    sections = (
        say("Grid", f"{grid['torque'].size:,} operating points: {axes}"),
        say("Settled", settled_line(grid)),
        say("Contact", contact_line(grid)),
        say("Calibration", *([calibration_line(calibration, METRIC.torque)] if calibration is not None else [])),
    )
    cautions = far_off(found, METRIC.torque)
    return Card(Document("Simulated torque", "", lead=found.notes, sections=sections, cautions=cautions))


@card.register
def _torque_model(learnt: TorqueModel) -> Card:
    unit = METRIC.torque  # a model knows no project
    if learnt.supplied_grid is not None:
        words = f"{nodes_line(learnt.supplied_grid, unit)}; {left_out_line(learnt.loo_rmse, unit)}"
    elif learnt.reduction is not None:
        words = fit_line(learnt, unit)
    else:
        words = "from simulation alone"
    return Card(Document("Torque model", "", lead=learnt.notes, sections=(say("Torque", words),)))


@card.register
def _day(day: Day) -> Card:
    return card(day.model)


@card.register
def _tables(tables: PhaseTables) -> Card:
    return Card(Document("Phase tables", "", sections=(*_phase_sections(tables), _phases(tables))))


def _phase_sections(tables: PhaseTables) -> tuple[Section, ...]:
    spans = (
        say(capital(side), f"{span_text(float(each.min()), float(each.max()))}, crank degrees from rest")
        for side, each in (("intake", tables.intake), ("exhaust", tables.exhaust))
    )
    return (*spans, say("Axes", _axes_words(tables.rpm, tables.load)))


def _phases(tables: PhaseTables, verdicts: xr.DataArray | None = None) -> Section:
    """Both phases of every cell; with verdicts, cells that are not clear say so."""
    cells = [
        [f"{number_text(i)} / {number_text(e)}" for i, e in zip(*row, strict=True)]
        for row in zip(tables.intake.to_numpy(), tables.exhaust.to_numpy(), strict=True)
    ]
    if verdicts is not None:
        for r, k in zip(*np.nonzero(verdicts.to_numpy() != CLEAR), strict=True):
            cells[r][k] += f" {verdicts.values[r, k].upper()}"
    rows = tuple((number_text(speed), *row) for speed, row in zip(tables.rpm, cells, strict=True))
    head = ("rpm \\ kPa", *map(number_text, tables.load))
    caption = _CELLS if verdicts is None else f"{_CELLS}; cells are CLEAR where they do not say otherwise"
    return Section("Tables", (table(caption, head, rows),))


@card.register
def _best(found: BestTables) -> Card:
    torque = found.project.display_units.torque
    score = f"{torque.text(found.value)} over all cells, weighted; bound {torque.up(found.bound)}"
    sections = (
        *_phase_sections(found.tables),
        say("Score", score),
        say("Proof", proof(found)),
        say("Contact", "not judged here: check_tables does"),
        _phases(found.tables),
    )
    return Card(Document(f"Best tables: {found.project.name}", "", lead=found.model.notes, sections=sections))


@card.register
def _verdict(verdict: Verdict) -> Card:
    phases = PhaseTables(verdict.cells["intake_phase"], verdict.cells["exhaust_phase"])
    tables = _phases(phases, verdict.cells["verdict"])
    return _in_short(check_document(verdict), "Cells", "Between cells", "Neighbours", "Full travel", more=(tables,))


@card.register
def _build(build: Build) -> Card:
    tables = _phases(build.tables, build.verdict.cells["verdict"])
    document = build_document(build, depth=Depth.ANSWER)
    return _in_short(document, "Gain", "Clamps", "Proof", more=(tables,))
