"""`phaseopt build`: the whole job."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import NOT_CLEAR, Json, ProgressLine, ProjectFile, app, ending, print_json

Out = Annotated[
    Path, typer.Option("--out", metavar="DIR", help="Directory for the tables, the margins and the report.")
]


@app.command()
def build(project_file: ProjectFile, out: Out, json: Json = False) -> None:
    """The whole job: limits, logs, torque model, search, check, report."""
    with ending():
        import phaseopt.job as job
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.output.files import build_files
        from phaseopt.output.record import run_record
        from phaseopt.project_file import load_project
        from phaseopt.report.text import summary

        project = load_project(project_file)
        require_replaceable(out)
        progress = ProgressLine()
        try:
            found = job.build(project, progress)
            if found.verdict.accepted:
                progress(0.99, "writing")
                write_files(out, build_files(found))
        finally:
            progress.close()
        if json:
            print_json(run_record(found))
        else:
            typer.echo(summary(found, out if found.verdict.accepted else None))
        if not found.verdict.accepted:
            raise typer.Exit(NOT_CLEAR)
