"""Cam-phase tables that make the most torque inside the contact limits of a twin-cam engine.

The job in Python, a stage a line; each stage takes what those before it found, and none writes a file but the last:

>>> import phaseopt as po
>>> project = po.load_project("examples/intake_only/project.toml")
>>> limits = po.phase_limits(project)                       # which timings are safe: crank degrees, mm
>>> points = po.reduce_logs(project)                        # torque points of the pulls: N·m
>>> model = po.fit_torque(project, points)                  # torque at any speed, load and timing, and its uncertainty
>>> found = po.search_tables(project, limits, model)        # the best tables, their value and bound
>>> verdict = po.check_tables(project, found.tables)        # judged anew, by bound
>>> print(verdict.accepted, found.tables.intake.attrs["units"])
True degree

With [cycle] in the project, `prior = po.simulate(project, points)` goes before `po.fit_torque(project, points, prior)`.
`po.build(project)` is all of it, and `po.write_build(directory, build)` writes what the command line writes;
`po.read_build` reads that back, `po.compare` lays two of them side by side, `po.export` gives tables another layout.
`po.Day` keeps what takes long between one pull and the next.

Wrong input raises `InputError`, with file, key or line, and the fix. Results show themselves in a few lines, and in a
notebook as a table. Nothing heavy is imported before it is asked for.

A model does not replace checking the assembled engine by hand, on every cylinder.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from phaseopt.values.lazy import on_demand
from phaseopt.values.repr import draw_cards_by

if TYPE_CHECKING:
    from phaseopt.clearance.check import Verdict
    from phaseopt.clearance.limits import Limits
    from phaseopt.job.build import Build, build
    from phaseopt.job.stages import BestTables, check_tables, phase_limits, search_tables
    from phaseopt.output.compare import compare
    from phaseopt.output.export_files import export, write_export
    from phaseopt.output.files import write_build
    from phaseopt.output.read_build import read_build
    from phaseopt.project import Project
    from phaseopt.project.load import load_project
    from phaseopt.study.confirm import confirm_pull
    from phaseopt.study.day import Day
    from phaseopt.study.plan import plan_next_pulls
    from phaseopt.table_import.layout import Layout
    from phaseopt.tables import PhaseTables, read_tables
    from phaseopt.torque.pulls import Reduction, reduce_logs
    from phaseopt.torque_model import Simulated, TorqueModel, fit_torque, simulate
    from phaseopt.values.errors import InputError

__all__ = [
    "BestTables",
    "Build",
    "Day",
    "InputError",
    "Layout",
    "Limits",
    "PhaseTables",
    "Project",
    "Reduction",
    "Simulated",
    "TorqueModel",
    "Verdict",
    "build",
    "check_tables",
    "compare",
    "confirm_pull",
    "export",
    "fit_torque",
    "load_project",
    "phase_limits",
    "plan_next_pulls",
    "read_build",
    "read_tables",
    "reduce_logs",
    "search_tables",
    "simulate",
    "write_build",
    "write_export",
]

_PLACES = {
    "clearance.check": ("Verdict",),
    "clearance.limits": ("Limits",),
    "values.errors": ("InputError",),
    "table_import.layout": ("Layout",),
    "job.build": ("Build", "build"),
    "output.compare": ("compare",),
    "output.export_files": ("export", "write_export"),
    "output.files": ("write_build",),
    "output.read_build": ("read_build",),
    "project": ("Project",),
    "project.load": ("load_project",),
    "job.stages": ("BestTables", "check_tables", "phase_limits", "search_tables"),
    "study.confirm": ("confirm_pull",),
    "study.day": ("Day",),
    "study.plan": ("plan_next_pulls",),
    "tables": ("PhaseTables", "read_tables"),
    "torque.pulls": ("Reduction", "reduce_logs"),
    "torque_model": ("Simulated", "TorqueModel", "fit_torque", "simulate"),
}


def _card(found: object) -> Any:
    """The card of a result; what draws it is imported when the first is shown."""
    return import_module("phaseopt.report.cards").card(found)


draw_cards_by(_card)


__getattr__ = on_demand(__name__, _PLACES)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
