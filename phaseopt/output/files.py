"""The files of a build, as names and texts; `directory.write_files` puts them on the disk together.

Guaranteed gaps are rounded down, never up. The same build gives the same bytes.
"""

import hashlib
import json
import math
import os
import platform
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from phaseopt.build import Build
from phaseopt.clearance.limits import EDGES
from phaseopt.engine.camshaft import events, overlap
from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD
from phaseopt.output.metadata import records_metadata, table_metadata
from phaseopt.project import SIDES, Project
from phaseopt.report.facts import clamps
from phaseopt.report.page import render
from phaseopt.report.verdicts import verdict_as_dict
from phaseopt.tables import table_text
from phaseopt.torque.logs import pull_files

FloatArray = npt.NDArray[np.float64]

_VERSIONS_OF = ("phaseopt", "numpy", "scipy", "numba", "xarray")


def build_files(build: Build) -> dict[str, str]:
    """Every file of a build by name.

    Returns tables of the cams that move, their CSV-on-the-Web metadata, `cells.csv`, `limits.csv`, `report.html` and
    `run.json`.
    """
    files: dict[str, str] = {}
    for side in SIDES:
        if build.project.phaser_of(side) is not None:
            name, table = f"{side}_phase.csv", build.tables.of_side(side)
            files[name] = table_text(table)
            files[f"{name}-metadata.json"] = table_metadata(name, table)
    for name, title, columns in (
        ("cells.csv", "Every cell of the tables", _cell_columns(build)),
        ("limits.csv", "Clamps: the safe box of the tables, and by speed alone and together", _limit_columns(build)),
    ):
        files[name] = csv_text(columns)
        files[f"{name}-metadata.json"] = records_metadata(name, title, columns)
    files["report.html"] = render(build)
    record = run_record(build) | {"files": sorted({*files, RECORD})}  # by which a later build knows what it may replace
    files[RECORD] = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return files


def _cell_columns(build: Build) -> list[Column]:
    cells, torque = build.verdict.cells, build.torque
    rpm, load = (axis.ravel() for axis in np.meshgrid(build.tables.rpm, build.tables.load, indexing="ij"))
    columns = [
        Column("rpm", "engine speed", rpm, "rpm"),
        Column("load", "load breakpoint, the top one full throttle", load, "kPa"),
    ]
    for name in ("intake_phase", "exhaust_phase", "icl", "ecl"):
        columns.append(Column(name, str(cells[name].attrs["long_name"]), cells[name].to_numpy().ravel(), "degree", 3))
    columns += _event_columns(build)
    for name in ("torque", "torque_deviation", "torque_before", "gain", "gain_deviation"):
        columns.append(Column(name, str(torque[name].attrs["long_name"]), torque[name].to_numpy().ravel(), "N m", 2))
    columns.append(Column("weight", "how much the cell counts", torque["weight"].to_numpy().ravel(), "1", 4))
    for contact in build.model.contacts:
        columns += _gap_columns(build, contact)
    columns += [
        Column("verdict", "clear, short or contact", cells["verdict"].to_numpy().ravel().tolist()),
        Column("closest_rule", "the contact rule with the least margin", cells["binds"].to_numpy().ravel().tolist()),
        Column("binds", "what holds the cell where it is", ["; ".join(cell) for row in build.binds for cell in row]),
        Column("in_reach", "the data speak of the cell", _yes(torque["in_reach"].to_numpy())),
    ]
    return columns


def _event_columns(build: Build) -> list[Column]:
    engine, check_lift = build.model.engine, build.project.tables.check_lift
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
        ("running", True), ("running_margin", True), ("running_angle", False), ("running_rss", True),
    ):  # fmt: skip
        unit = str(cells[name].attrs["units"])
        values = cells[name].to_numpy().ravel()
        decimals = 1 if unit == "degree" else 3
        shown = np.floor(values * 1000.0) / 1000.0 if down else values
        words = f"{contact.replace('_', ' to ')}: {cells[name].attrs['long_name']}"
        columns.append(Column(f"{contact}_{name}", words, shown, unit, decimals))
    return columns


def _limit_columns(build: Build) -> list[Column]:
    """The box to enter as clamps first, then each speed alone and together."""
    ends = ("intake_from", "intake_to", "exhaust_from", "exhaust_to")
    box = clamps(build)
    kinds, rows, edges = ["box"], [[build.model.top_speed, *(getattr(box, end) for end in ends)]], [["", ""]]
    for kind, found in (("alone", build.limits.alone), ("together", build.limits.together)):
        for r, rpm in enumerate(found["rpm"].to_numpy()):
            kinds.append(kind)
            rows.append([float(rpm), *(float(found[end][r]) for end in ends)])
            edges.append([EDGES[int(found[f"{side}_edge"][r])] for side in SIDES])
    numbers = np.array(rows)
    words = dict(zip(ends, ("most retarded intake phase", "most advanced intake phase",
                            "most retarded exhaust phase", "most advanced exhaust phase"), strict=True))  # fmt: skip
    return [
        Column("kind", "box: safe as a whole, the clamps to enter; alone: the other cam at rest; together", kinds),
        Column("rpm", "up to this speed", numbers[:, 0], "rpm"),
        *(Column(end, words[end], numbers[:, 1 + k], "degree", 3) for k, end in enumerate(ends)),
        Column("intake_edge", "what stops further intake advance", [row[0] for row in edges]),
        Column("exhaust_edge", "what stops further exhaust retard", [row[1] for row in edges]),
    ]


def _yes(flags: npt.NDArray[np.bool_]) -> list[str]:
    return ["yes" if flag else "no" for flag in flags.ravel()]


def run_record(build: Build) -> dict[str, Any]:
    """What was computed from what: hashes of the inputs, versions, settings, the search's gap and the verdicts."""
    found = build.search
    return {
        "made_by": "phaseopt",
        "versions": {name: version(name) for name in _VERSIONS_OF} | {"python": platform.python_version()},
        "project": build.project.name,
        "inputs_sha256": _hashes(build.project),
        "settings": {
            "search": build.project.search.model_dump(mode="json"),
            "gap": build.project.gap.model_dump(mode="json"),
            "top_speed_rpm": build.model.top_speed,
            "seed": None,  # nothing here is drawn at random
        },
        "torque": {
            "points": len(build.surrogate.readings),
            "leave_one_out_error_Nm": round(build.loo_rmse, 4),
            "leave_one_pull_out_error_Nm": None if math.isnan(build.lopo_rmse) else round(build.lopo_rmse, 4),
            "mean_full_load_gain_Nm": round(build.full_gain, 4),
            "mean_full_load_gain_deviation_Nm": round(build.full_gain_deviation, 4),
            "cells_out_of_reach": int((~build.torque["in_reach"]).sum()),
            "notes": list(build.reduction.notes),
        },
        "search": {
            "value_Nm": found.value,
            "bound_Nm": found.bound,
            "gap": found.gap_of_value,
            "gap_per_cell_Nm": found.gap_per_cell,
            "gap_of_gain": found.gap_of_gain,
            "best_fixed_timing": None if found.fixed is None else asdict(found.fixed),
            "box": asdict(clamps(build)),
        },
        "verdict": verdict_as_dict(build.verdict),
    }


def _hashes(project: Project) -> dict[str, str]:
    """SHA-256 of every input file, by its path from the project's folder."""
    files = {project.file.resolve(), *(path.resolve() for path in _paths(project.model_dump()))}
    if project.torque is not None:
        for number, pull in enumerate(project.torque.pulls, start=1):
            files |= {path.resolve() for path in pull_files(project, number, pull.files)}
    folder = project.folder.resolve()
    named = {Path(os.path.relpath(path, folder)).as_posix(): path for path in files}
    return {name: hashlib.sha256(named[name].read_bytes()).hexdigest() for name in sorted(named)}


def _paths(value: Any) -> list[Path]:
    if isinstance(value, Path):
        return [value]
    items = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else ()
    return [path for item in items for path in _paths(item)]
