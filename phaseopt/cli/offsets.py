"""`phaseopt offsets`: at which installed offsets the cams would be best."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import NOT_CLEAR, Json, ProgressLine, ProjectFile, Storage, app, ending, print_json

Trials = Annotated[
    int,
    typer.Option("--trials", metavar="N", min=1, max=100_000, help="Pairs of offsets tried in all, earlier ones too."),
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the trials and a page.")]


@app.command()
def offsets(
    project_file: ProjectFile, trials: Trials = 60, storage: Storage = None, out: Out = None, json: Json = False
) -> None:
    """Installed offsets of both cams: torque against the gap that a phaser fault leaves."""
    with ending():
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.output.offsets_files import offsets_files
        from phaseopt.project_file import load_project
        from phaseopt.report.offsets_text import study_as_dict, summary
        from phaseopt.study.offsets import study_offsets

        project = load_project(project_file)
        if out is not None:
            require_replaceable(out)
        progress = ProgressLine()
        try:
            study = study_offsets(project, trials, storage, progress)
        finally:
            progress.close()
        if out is not None:
            write_files(out, offsets_files(study))
        if json:
            print_json(study_as_dict(study))
        else:
            typer.echo(summary(study, out))
        if study.recommended is None:
            raise typer.Exit(NOT_CLEAR)
