"""`phaseopt tradeoff`: what smoother tables, slew in hand and caution cost in torque."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import NOT_CLEAR, Json, ProgressLine, ProjectFile, Storage, app, ending, print_json

Trials = Annotated[
    int, typer.Option("--trials", metavar="N", min=8, max=5000, help="Trials in all, those of earlier runs included.")
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the curve, trials and knee.")]


@app.command()
def tradeoff(
    project_file: ProjectFile, trials: Trials = 60, storage: Storage = None, out: Out = None, json: Json = False
) -> None:
    """Smoothness, slew in hand and caution against torque: the curve, and a knee to take or leave."""
    with ending():
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.output.tradeoff_files import tradeoff_files
        from phaseopt.project_file import load_project
        from phaseopt.report.tradeoff_text import tradeoff_as_dict, tradeoff_summary
        from phaseopt.study import tradeoff as study

        project = load_project(project_file)
        if out is not None:
            require_replaceable(out)
        progress = ProgressLine()
        try:
            found = study.tradeoff(project, trials, storage, progress)
        finally:
            progress.close()
        if out is not None:
            write_files(out, tradeoff_files(found))
        if json:
            print_json(tradeoff_as_dict(found))
        else:
            typer.echo(tradeoff_summary(found, out))
        if not found.verdict.accepted:
            raise typer.Exit(NOT_CLEAR)
