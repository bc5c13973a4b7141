"""What is shown of a project and of what each stage finds, by its kind."""

from collections.abc import Sequence
from functools import singledispatch

import numpy as np
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.contacts import not_covered
from phaseopt.clearance.limits import ENDS, Limits
from phaseopt.clearance.rules import CLEAR
from phaseopt.job.build import Build
from phaseopt.job.stages import BestTables
from phaseopt.project import SIDES, Project, Side
from phaseopt.report.card import Card
from phaseopt.report.cautions import BEFORE_TURNING
from phaseopt.report.document import Document, Section, Table, say, table
from phaseopt.report.given import left_out_line, nodes_line
from phaseopt.report.simulation import calibration_line, notes
from phaseopt.report.subjects.simulate import contact_line, settled_line
from phaseopt.report.text import fit_line, gain_line, hand_check, proof, verdict_line
from phaseopt.report.words import box_words, capital
from phaseopt.tables import PhaseTables, number_text
from phaseopt.torque import Reduction
from phaseopt.torque_model import Simulated, TorqueModel
from phaseopt.values.display_units import METRIC

_CELLS = "intake / exhaust phase, crank degrees from rest, + = advanced"
_CORNER = "rpm \\ kPa"


@singledispatch
def card(found: object) -> Card:
    """The card of anything that shows itself."""
    raise TypeError(f"nothing is known to show of {type(found).__name__}")


def _card(title: str, lines: Sequence[tuple[str, str]], tables: Sequence[Table] = ()) -> Card:
    """A card of words under labels, an empty label going on with the one before, and of tables."""
    grouped: dict[str, list[str]] = {}
    label = ""
    for name, words in lines:
        label = name or label
        grouped.setdefault(label, []).append(words)
    sections = [say(name, *words) for name, words in grouped.items()]
    return Card(Document(title, "", sections=(*sections, *(Section(each.caption, (each,)) for each in tables))))


@card.register
def _project(project: Project) -> Card:
    size = project.display_units.size
    sources = {"pulls": project.torque, "a given grid": project.torque_grid, "a simulation": project.cycle}
    torque = " and ".join(words for words, section in sources.items() if section is not None)
    rpm, load = project.tables.rpm, project.tables.load
    cylinder = f"{size.plain(project.crank.bore)} x {size.plain(project.crank.stroke)} {size.name}"
    top = max(project.crank.top_speed, rpm[-1])
    lines = [
        ("Engine", f"{project.cylinders} cylinders of {cylinder}, contact checked up to {top:.0f} rpm"),
        *((f"{capital(side)} cam", _cam_words(project, side)) for side in SIDES),
        ("Tables", f"{len(rpm)} speeds, {rpm[0]:g} to {rpm[-1]:g} rpm; {len(load)} loads, {load[0]:g} to "
         f"{load[-1]:g} kPa, the top one full throttle"),
        ("Torque", f"from {torque}" if torque else "none stated"),
        ("Not covered", ", ".join(not_covered(project))),
    ]  # fmt: skip
    return _card(f"Project: {project.name}", tuple(lines))


def _cam_words(project: Project, side: Side) -> str:
    cam, phaser = project.cam(side), project.phaser_of(side)
    end = "ATDC" if side == "intake" else "BTDC"
    fitted = f"centreline {cam.centreline:g}° {end}, fitted at {cam.offset:+g}°"
    return f"{fitted}; " + ("fixed" if phaser is None else f"travel {phaser.travel[0]:g} to {phaser.travel[1]:g}°")


@card.register
def _limits(limits: Limits) -> Card:
    top = float(limits.together.rpm[-1])
    boxes = [box_words(limits.project, box) for box in limits.boxes]
    lines = [
        ("Safe box", f"{boxes[0]}: any phase in it with any other, moving, up to {top:.0f} rpm"),
        *([("", f"and {len(boxes) - 1} more, none inside another: see boxes")] if len(boxes) > 1 else []),
        ("Travel", capital(limits.full_travel.sentence)),
        ("Not covered", ", ".join(not_covered(limits.project))),
        ("Before", BEFORE_TURNING),
    ]
    return _card(f"Contact limits: {limits.project.name}", tuple(lines), (_clamps(limits),))


def _clamps(limits: Limits) -> Table:
    """Clamps by speed, with both cams moving."""
    clamps = limits.together
    rows = tuple(
        (f"{rpm:.0f}", *(number_text(getattr(clamps, end)[r]) for end in ENDS),
         *(getattr(clamps, f"{side}_limited_by")[r] for side in SIDES))
        for r, rpm in enumerate(clamps.rpm)
    )  # fmt: skip
    head = ("rpm", "intake from", "to", "exhaust from", "to", "intake stopped by", "exhaust stopped by")
    return table("The largest safe box at each speed, crank degrees of phase, + = advanced", head, rows)


@card.register
def _reduction(found: Reduction) -> Card:
    points = found.points
    names = points["pull_name"].to_numpy()
    torque = points["torque"]
    lines = [
        ("Points", f"{points.sizes['point']} from {names.size} pulls, {_span(points['rpm'])} rpm, "
         f"{_span(points['load'])} kPa, {_span(torque)} N·m, standard error {float(points['scatter'].median()):.2g} "
         "N·m (median)"),
        ("Left out", f"{len(found.rejected)} stretches; {len(found.notes)} notes on the logs"),
        *(("Look first", note) for note in found.first),
    ]  # fmt: skip
    return _card("Torque points", tuple(lines), (_pulls(points, [str(name) for name in names]),))


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
    grid = found.grid
    axes = ", ".join(f"{grid.sizes[name]} {words}" for name, words in _AXES.items())
    lines = [
        ("Grid", f"{grid['torque'].size:,} operating points: {axes}"),
        ("Settled", settled_line(grid)),
        ("Contact", contact_line(grid)),
        *(
            [("Calibrated", calibration_line(found.calibration, METRIC.torque))]
            if found.calibration is not None
            else []
        ),
        *(("Note", words) for words in found.notes),
    ]
    return _card("Simulated torque", tuple(lines))


_AXES = {"rpm": "speeds", "load": "loads", "icl": "intake centrelines", "ecl": "exhaust centrelines"}


@card.register
def _torque_model(learnt: TorqueModel) -> Card:
    unit = METRIC.torque  # a model knows no project
    if learnt.supplied_grid is not None:
        lines = [("Torque", f"{nodes_line(learnt.supplied_grid, unit)}; {left_out_line(learnt.loo_rmse, unit)}")]
    elif learnt.reduction is not None:
        lines = [("Torque", fit_line(learnt, unit))]
    else:
        lines = [("Torque", "from simulation alone")]
    return _card("Torque model", (*lines, *(("Note", words) for words in learnt.notes)))


@card.register
def _tables(tables: PhaseTables) -> Card:
    return _card("Phase tables", tuple(_phase_lines(tables)), (_phases(tables),))


def _phase_lines(tables: PhaseTables) -> list[tuple[str, str]]:
    rpm, load = tables.rpm, tables.load
    axes = f"{rpm.size} speeds, {rpm[0]:g} to {rpm[-1]:g} rpm; {load.size} loads, {load[0]:g} to {load[-1]:g} kPa"
    spans = [
        (capital(side), f"{float(table.min()):g} to {float(table.max()):g}°, crank degrees from rest, + = advanced")
        for side, table in (("intake", tables.intake), ("exhaust", tables.exhaust))
    ]
    return [*spans, ("Axes", axes)]


def _phases(tables: PhaseTables, verdicts: xr.DataArray | None = None) -> Table:
    """Both phases of every cell; with verdicts, cells that are not clear say so."""
    cells = [
        [f"{number_text(i)} / {number_text(e)}" for i, e in zip(*row, strict=True)]
        for row in zip(tables.intake.to_numpy(), tables.exhaust.to_numpy(), strict=True)
    ]
    if verdicts is not None:
        for r, k in zip(*np.nonzero(verdicts.to_numpy() != CLEAR), strict=True):
            cells[r][k] += f" {verdicts.values[r, k]}"
    rows = tuple((number_text(speed), *row) for speed, row in zip(tables.rpm, cells, strict=True))
    head = (_CORNER, *map(number_text, tables.load))
    caption = _CELLS if verdicts is None else f"{_CELLS}; cells are clear where they do not say otherwise"
    return table(caption, head, rows)


@card.register
def _best(found: BestTables) -> Card:
    torque = found.project.display_units.torque
    lines = [
        *_phase_lines(found.tables),
        ("Score", f"{torque.text(found.value)} over all cells, weighted; bound {torque.up(found.bound)}"),
        ("Proof", proof(found)),
        ("Contact", "not judged here: check_tables does"),
        *(("Note", words) for words in found.model.notes),
    ]  # fmt: skip
    return _card(f"Best tables: {found.project.name}", tuple(lines), (_phases(found.tables),))


@card.register
def _verdict(verdict: Verdict) -> Card:
    cells = verdict.cells["verdict"]
    clear = int((cells == CLEAR).sum())
    word = (
        "clear" if verdict.clear else "accepted by the looser rule between cells" if verdict.accepted else "NOT CLEAR"
    )
    lines = [
        ("Cells", f"{clear} of {cells.size} clear; closest: {verdict.worst}"),
        ("Box", verdict.box.sentence),
        *([("Neighbours", verdict.neighbours.sentence)] if verdict.neighbours is not None else []),
        ("Travel", capital(verdict.full_travel.sentence)),
        ("Not covered", ", ".join(verdict.not_covered)),
        ("Before", BEFORE_TURNING),
    ]
    phases = PhaseTables(verdict.cells["intake_phase"], verdict.cells["exhaust_phase"])
    return _card(f"Verdict: {word}", tuple(lines), (_phases(phases, cells),))


@card.register
def _build(build: Build) -> Card:
    lines = [
        ("Contact", verdict_line(build)),
        ("Travel", capital(build.verdict.full_travel.sentence)),
        ("Torque", gain_line(build)),
        ("Proof", proof(build.best)),
        *(("Note", words) for words in notes(build)),
        ("Not covered", ", ".join(build.verdict.not_covered)),
        ("Before", hand_check(build)),
    ]
    return _card(f"Build: {build.project.name}", tuple(lines), (_phases(build.tables, build.verdict.cells["verdict"]),))
