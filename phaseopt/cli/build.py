"""`phaseopt build`: the whole job."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Found, ProjectFile, command, progress

Out = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Directory for the tables, the margins and the report.")
]


@command
def build(project_file: ProjectFile, out: Out) -> Found:
    """The whole job: limits, logs, torque, search, check, report."""
    import phaseopt.job as job
    from phaseopt.output.directory import require_replaceable
    from phaseopt.output.files import write_build
    from phaseopt.output.record import run_record
    from phaseopt.project_file import load_project
    from phaseopt.report.text import summary, verdict_line

    project = load_project(project_file)
    require_replaceable(out)
    with progress() as tell:
        found = job.build(project, tell)
        accepted = found.verdict.accepted
        if accepted:
            tell(0.99, "writing")
            write_build(out, found)
    return Found(
        verdict_line(found),
        lambda: summary(found, out if accepted else None),
        lambda: run_record(found),
        written=[out] if accepted else [],
        clear=accepted,
    )
