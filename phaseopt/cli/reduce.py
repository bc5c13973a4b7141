"""`phaseopt reduce`: dyno logs to torque points."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import NOT_CLEAR, Json, ProjectFile, app, ending, print_json

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for points, pictures and the rest.")]


@app.command()
def reduce(project_file: ProjectFile, out: Out = None, json: Json = False) -> None:
    """Dyno logs to torque points: what was left out, what repeats show, how the phasers do."""
    with ending():
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.project_file import load_project
        from phaseopt.report.reduction_text import reduction_record, reduction_summary
        from phaseopt.report.reduction_words import look_first
        from phaseopt.study.day import read_day

        project = load_project(project_file)
        if out is not None:
            require_replaceable(out)
        day = read_day(project)
        written: list[Path] = []
        if out is not None:
            from phaseopt.output.reduction_files import reduction_files

            files = reduction_files(day)
            write_files(out, files)
            written = [out / name for name in sorted(files)]
        if json:
            print_json(reduction_record(day, written))
        else:
            typer.echo(reduction_summary(day, written))
        if look_first(day):
            raise typer.Exit(NOT_CLEAR)
