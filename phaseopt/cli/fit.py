"""`phaseopt fit`: the torque model and how far to trust it."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Json, ProgressLine, ProjectFile, app, ending, print_json

Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for pictures (SVG).")]


@app.command()
def fit(project_file: ProjectFile, out: Out = None, json: Json = False) -> None:
    """The torque model of the pulls or of a grid, and how far to trust it."""
    with ending():
        from phaseopt.output.directory import RECORD, record_of, require_replaceable, write_files
        from phaseopt.progress import part
        from phaseopt.project_file import load_project
        from phaseopt.report.fit_text import fit_record, fit_summary
        from phaseopt.torque_model import torque_model
        from phaseopt.torque_trust import require_measured, torque_trust

        project = load_project(project_file)
        require_measured(project)
        if out is not None:
            require_replaceable(out)
        progress = ProgressLine()
        figures: dict[str, str] = {}
        try:
            model = torque_model(project, part(progress, 0.0, 0.9))
            trust = torque_trust(project, model) if model.given is None else None
            if out is not None:
                from phaseopt.report.fit_figures import fit_figures

                progress(0.95, "drawing")
                figures = fit_figures(project, model)
        finally:
            progress.close()
        written: list[Path] = []
        if out is not None:
            write_files(out, {**figures, RECORD: record_of(figures)})
            written = [out / name for name in sorted(figures)]
        if trust is None:
            from phaseopt.report.given import given_record, given_summary

            if json:
                print_json(given_record(project, model, written))
            else:
                typer.echo(given_summary(project, model, written))
        elif json:
            print_json(fit_record(project, model, trust, written))
        else:
            typer.echo(fit_summary(project, model, trust, written))
