"""The files of a build, as names and texts, and all of them written together.

Gaps are rounded down, never up. The same build gives the same bytes.
"""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.clearance.rules import RULES
from phaseopt.clearance.tolerance_stack import DRAWS, chances
from phaseopt.engine.valve_events import events, overlap
from phaseopt.job.build import Build
from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, write_files
from phaseopt.output.limits_files import limit_columns
from phaseopt.output.metadata import records_metadata, table_metadata
from phaseopt.output.records.build import RunRecord
from phaseopt.project import SIDES
from phaseopt.report.facts import clamps, clamps_hold
from phaseopt.report.limit_costs import limit_words
from phaseopt.report.page import page
from phaseopt.report.simulation import air_words, notes
from phaseopt.report.subjects.build import build_document
from phaseopt.report.subjects.sheet import check_sheet, sheet_page
from phaseopt.study.cached_studies import cached_studies
from phaseopt.tables import table_text
from phaseopt.values.errors import InputError
from phaseopt.values.rounding import rounded_down


def build_files(build: Build) -> dict[str, str]:
    """Every file of a build by name.

    Returns tables of the cams that move, `cells.csv`, `limits.csv`, with a simulation `airflow.csv`, the CSV-on-the-Web
    metadata of each, `report.html`, `measuring_sheet.html` and `run.json`.
    """
    files: dict[str, str] = {}
    torque_notes, speeds = notes(build), build.limits.alone.rpm
    for side in SIDES:
        if build.project.phaser_of(side) is not None:
            name, table = f"{side}_phase.csv", build.tables.of_side(side)
            files[name] = table_text(table)
            files[f"{name}-metadata.json"] = table_metadata(name, table, torque_notes)
    records = [
        ("cells.csv", "Every cell of the tables", _cell_columns(build)),
        (
            "limits.csv",
            "Clamps: the safe box of the tables, and by speed alone and together",
            limit_columns(build.limits, [clamps(build)], speeds, safe=clamps_hold(build)),
        ),
    ]
    if build.comparison.airflow is not None:
        words = f"{air_words(build)}; empty where not simulated"
        records.append(("airflow.csv", words, _air_columns(build.comparison.airflow)))
    for name, title, columns in records:
        files[name] = csv_text(columns)
        files[f"{name}-metadata.json"] = records_metadata(name, title, columns, torque_notes)
    studies = cached_studies(build.limits, build.best.labels, torque_notes)
    files["report.html"] = page(build_document(build, studies), "phaseopt build")
    files["measuring_sheet.html"] = sheet_page(check_sheet(build.verdict, torque_notes))
    return files | {RECORD: RunRecord.of(build, files).model_dump_json(indent=2) + "\n"}


def write_build(directory: str | Path, build: Build) -> tuple[Path, ...]:
    """Write the files of a build, all of them or none.

    Parameters
    ----------
    directory : path
        New, empty, or with an earlier build alone in it.
    build : Build

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    InputError
        Where the tables are not clear (they are not written), where the directory holds anything else, and where it
        cannot be written.

    Examples
    --------
    >>> from phaseopt.job.build import build
    >>> from phaseopt.project.load import load_project
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     paths = write_build(folder, build(load_project("examples/intake_only/project.toml")))
    >>> [path.name for path in paths if path.suffix == ".csv"]
    ['cells.csv', 'intake_phase.csv', 'limits.csv']
    """
    folder = Path(directory)
    if not build.verdict.accepted:
        raise InputError.one(
            f"nothing is written, for the tables are not clear: {build.verdict.box.sentence}",
            hint="search tables of this project as it is now",
            file=folder,
        )
    files = build_files(build)
    write_files(folder, files, option="")
    return tuple(folder / name for name in sorted(files))


def _axis_columns(table: xr.Dataset) -> list[Column]:
    rpm, load = (axis.ravel() for axis in np.meshgrid(table["rpm"], table["load"], indexing="ij"))
    return [
        Column("rpm", "engine speed", rpm, "rpm"),
        Column("load", "load breakpoint, the top one full throttle", load, "kPa"),
    ]


def _air_columns(airflow: xr.Dataset) -> list[Column]:
    found = _axis_columns(airflow)
    for name, decimals in (("air", 1), ("air_before", 1), ("ratio", 4)):
        column = airflow[name]
        words, unit = str(column.attrs["long_name"]), str(column.attrs["units"])
        found.append(Column(name, words, column.to_numpy().ravel(), unit, decimals))
    return found


def _cell_columns(build: Build) -> list[Column]:
    cells, torque = build.verdict.cells, build.torque
    columns = _axis_columns(torque)
    for name in ("intake_phase", "exhaust_phase", "icl", "ecl"):
        columns.append(Column(name, str(cells[name].attrs["long_name"]), cells[name].to_numpy().ravel(), "degree", 3))
    columns += _event_columns(build)
    for name in ("torque", "torque_sd", "torque_before", "gain", "gain_sd"):
        columns.append(Column(name, str(torque[name].attrs["long_name"]), torque[name].to_numpy().ravel(), "N m", 2))
    columns += [
        Column(f"cost_{cost.limit.replace(' ', '_')}", "torque less the uncertainty counted that the cell gains for a "
               f"{cost.per} of: {limit_words(cost.limit)}", cost.cells.ravel(), "N m", 3)
        for cost in build.explanations.limit_costs.limits
    ]  # fmt: skip
    if build.comparison.simulated is not None:
        columns += _simulated_columns(build.comparison.simulated)
    columns.append(Column("weight", "how much the cell counts", torque["weight"].to_numpy().ravel(), "1", 4))
    odds = _chances(build)
    for c, contact in enumerate(build.contact.contacts):
        columns += _gap_columns(build, contact)
        words = contact.replace("_", " to ")
        columns += [
            Column(f"{contact}_{rule}_chance", f"{words}: chance that the {rule} rule is broken, 0 to 1, by "
                   f"{DRAWS} draws", odds[:, r, c], "1", 6)
            for r, rule in enumerate(RULES)
        ]  # fmt: skip
    columns += [
        Column("verdict", "clear, tight or hits", cells["verdict"].to_numpy().ravel().tolist()),
        Column(
            "closest_rule", "the contact rule with the least margin", cells["limited_by"].to_numpy().ravel().tolist()
        ),
        Column(
            "limited_by",
            "what holds the cell where it is",
            ["; ".join(cell) for row in build.best.search.limited_by for cell in row],
        ),
        Column("measured", str(torque["measured"].attrs["long_name"]), _yes(torque["measured"].to_numpy())),
        Column("in_reach", str(torque["in_reach"].attrs["long_name"]), _yes(torque["in_reach"].to_numpy())),
    ]
    return columns


def _simulated_columns(simulated: xr.Dataset) -> list[Column]:
    """What the simulation says of the tables beside torque; blank where not simulated."""
    return [
        Column(str(name), str(values.attrs["long_name"]), values.to_numpy().ravel(), str(values.attrs["units"]), 1)
        for name, values in simulated.items()
        if not str(name).endswith("_before")
    ]


def _chances(build: Build) -> npt.NDArray[np.float64]:
    """(n, 2, c) the chance that either rule is broken at each cell and its speed."""
    pairs = np.column_stack([build.tables.of_side(side).to_numpy().ravel() for side in SIDES])
    return chances(build.contact, pairs, np.repeat(build.tables.rpm, build.tables.load.size))


def _event_columns(build: Build) -> list[Column]:
    engine, check_lift = build.contact.engine, build.project.tables.check_lift
    centre_i = engine.intake.centre(build.tables.intake.to_numpy().ravel())
    centre_e = engine.exhaust.centre(build.tables.exhaust.to_numpy().ravel())
    intake = events(engine.intake, centre_i, check_lift)
    exhaust = events(engine.exhaust, centre_e, check_lift)
    both = overlap(engine.intake, engine.exhaust, centre_i, centre_e, check_lift)
    at = f"at {check_lift:g} mm of valve lift, lash as set"
    after = f"crank degrees after gas-exchange TDC, negative before, {at}"
    return [
        Column("ivo", f"intake valve opens, {after}", intake.opens, "degree", 1),
        Column("ivc", f"intake valve closes, {after}", intake.closes, "degree", 1),
        Column("evo", f"exhaust valve opens, {after}", exhaust.opens, "degree", 1),
        Column("evc", f"exhaust valve closes, {after}", exhaust.closes, "degree", 1),
        Column("overlap", f"overlap {at}", both.degrees, "degree", 1),
        Column("overlap_area", f"lesser of the two lifts over the overlap {at}", both.area, "mm degree", 2),
    ]


def _gap_columns(build: Build, contact: str) -> list[Column]:
    cells = build.verdict.cells.sel(contact=contact)
    columns = []
    for name, down in (
        ("by_hand", False), ("static", True), ("static_margin", True), ("angle", False),
        ("running", True), ("running_margin", True), ("running_angle", False), ("static_rss", True),
        ("running_rss", True),
    ):  # fmt: skip
        unit = str(cells[name].attrs["units"])
        values = cells[name].to_numpy().ravel()
        decimals = 1 if unit == "degree" else 3
        words = f"{contact.replace('_', ' to ')}: {cells[name].attrs['long_name']}"
        columns.append(Column(f"{contact}_{name}", words, rounded_down(values) if down else values, unit, decimals))
    return columns


def _yes(flags: npt.NDArray[np.bool_]) -> list[str]:
    return ["yes" if flag else "no" for flag in flags.ravel()]
