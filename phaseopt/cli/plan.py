"""`phaseopt plan`: the next pulls to make, with a run sheet."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command, progress_line, project_without

Pulls = Annotated[
    int, typer.Option("--pulls", metavar="N", min=1, max=100, help="How many pulls to plan, baselines among them.")
]
Out = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Directory for the run sheet: CSV, and a page to print.")
]


@command
def plan(project_file: ProjectFile, pulls: Pulls, out: Out = None) -> Answer:
    """The next pulls to make, from safe to bold, with a run sheet."""
    from phaseopt.output.directory import require_replaceable, write_files
    from phaseopt.output.records.plan import PlanRecord
    from phaseopt.output.run_sheet_files import run_sheet_files
    from phaseopt.project.load import LIMITS_DO_WITHOUT, states_pulls
    from phaseopt.report.subjects.plan import plan_document
    from phaseopt.study.plan import plan_next_pulls

    made = ("torque",) if states_pulls(project_file) else ()  # which are not passed over for a blank
    project = project_without(project_file, [name for name in LIMITS_DO_WITHOUT if name not in made])
    if out is not None:
        require_replaceable(out)
    with progress_line() as progress:
        sheet = plan_next_pulls(project, pulls, progress)
    folder = out if sheet.pulls else None
    if folder is not None:
        write_files(folder, run_sheet_files(sheet))
    return Answer(
        plan_document(sheet),
        lambda: PlanRecord.of(sheet),
        written=[] if folder is None else [folder],
        clear=bool(sheet.pulls) and not sheet.left_out,
    )
