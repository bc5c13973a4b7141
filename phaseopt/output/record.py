"""The record of a build: what was computed from what, for a machine and for a later look."""

import math
import platform
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from phaseopt.clearance.tolerance_stack import DRAWS, SEED
from phaseopt.cycle.version import code_version
from phaseopt.job.build import Build
from phaseopt.job.input_hashes import input_hashes
from phaseopt.report.explained import explained_as_dict
from phaseopt.report.facts import clamps, clamps_hold
from phaseopt.report.simulation import notes, on_simulation_only
from phaseopt.report.verdicts import verdict_as_dict
from phaseopt.torque_model.sources import Simulated
from phaseopt.torque_model.supplied_grid import AXES, SuppliedGrid

_VERSIONS_OF = ("phaseopt", "numpy", "scipy", "numba", "xarray")


def run_record(build: Build) -> dict[str, Any]:
    """What was computed from what: hashes of the inputs, versions, settings, the search's gap and the verdicts."""
    found = build.best.search
    return {
        "made_by": "phaseopt",
        "versions": {name: version(name) for name in _VERSIONS_OF} | {"python": platform.python_version()},
        "project": build.project.name,
        "inputs_sha256": input_hashes(build.project),
        "settings": {
            "search": build.project.search.model_dump(mode="json"),
            "gap": build.project.gap.model_dump(mode="json"),
            "top_speed_rpm": build.contact.top_speed,
            "seed": SEED,  # of the chances that a rule is broken; nothing else is drawn at random
            "draws": DRAWS,
        },
        "torque": {
            "source_notes": list(notes(build)),
            "points": 0 if build.model.reduction is None else build.model.reduction.points.sizes["point"],
            "leave_one_out_error_Nm": _rounded(build.model.loo_rmse),
            "leave_one_pull_out_error_Nm": _rounded(build.model.lopo_rmse),
            "mean_full_load_gain_Nm": _rounded(build.comparison.full_gain),
            "mean_full_load_gain_deviation_Nm": _rounded(build.comparison.full_gain_deviation),
            "cells_out_of_reach": int((~build.torque["in_reach"]).sum()),
            "cells_on_simulation_only": int(on_simulation_only(build).sum()),
            "notes": [] if build.model.reduction is None else list(build.model.reduction.notes),
        },
        "given": None if build.model.supplied_grid is None else _given_record(build.model.supplied_grid),
        "simulation": None if build.model.simulation is None else _simulation_record(build.model.simulation),
        "search": {
            "value_Nm": found.value,
            "bound_Nm": found.bound,
            "gap": found.gap_of_value,
            "gap_per_cell_Nm": found.gap_per_cell,
            "gap_of_gain": found.gap_of_gain,
            "best_fixed_timing": None if found.fixed is None else asdict(found.fixed),
            "box": asdict(clamps(build)),
            "box_is_safe": clamps_hold(build),
        },
        **explained_as_dict(build),
        "verdict": verdict_as_dict(build.verdict),
    }


def _given_record(given: SuppliedGrid) -> dict[str, Any]:
    """The grid that torque was taken from; its bytes are among the hashes of the inputs."""
    return {
        "file": given.file,
        "origin": given.origin,
        "axes": {name: axis.tolist() for name, axis in zip(AXES, given.axes, strict=True)},
        "nodes": given.nodes,
        "holes": given.holes,
    }


def _simulation_record(simulation: Simulated) -> dict[str, Any]:
    """What was simulated, under which factors, and how well it met what was measured."""
    grid, found = simulation.grid, simulation.calibration
    return {
        "grid_fingerprint": grid.attrs["fingerprint"],
        "version": code_version(),
        "axes": {axis: grid[axis].to_numpy().tolist() for axis in ("rpm", "load", "icl", "ecl")},
        "points": grid["torque"].size,
        "points_not_settled": int((grid["settled"] < 0.5).sum()),
        "doubt": simulation.doubt if simulation.alone else None,
        "calibration": None
        if found is None
        else {
            "factors": found.factors,
            "standard_errors": found.errors,
            "refused": found.refused,
            "error_before_Nm": _rounded(found.before),
            "error_after_Nm": _rounded(found.after),
        },
    }


def _rounded(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None
