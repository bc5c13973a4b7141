"""`phaseopt plan`: the next pulls to make, with a run sheet."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import NOT_CLEAR, Json, ProgressLine, ProjectFile, app, ending, print_json

Pulls = Annotated[int, typer.Option("--pulls", metavar="N", min=1, max=100, help="How many pulls to plan.")]
Out = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="Directory for the run sheet: CSV, and a page to print.")
]


@app.command()
def plan(project_file: ProjectFile, pulls: Pulls, out: Out = None, json: Json = False) -> None:
    """The next pulls to make: those that tell most about the best tables, from safe to bold."""
    with ending():
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.output.run_sheet_files import run_sheet_files
        from phaseopt.project_file import load_project
        from phaseopt.report.run_sheet_text import run_sheet_as_dict, run_sheet_summary
        from phaseopt.study.planning import planned_sheet

        project = load_project(project_file)
        if out is not None:
            require_replaceable(out)
        progress = ProgressLine()
        try:
            sheet = planned_sheet(project, pulls, progress)
        finally:
            progress.close()
        if out is not None and sheet.pulls:
            write_files(out, run_sheet_files(sheet))
        if json:
            print_json(run_sheet_as_dict(sheet))
        else:
            typer.echo(run_sheet_summary(sheet, out if sheet.pulls else None))
        if not sheet.pulls or sheet.left_out:
            raise typer.Exit(NOT_CLEAR)
