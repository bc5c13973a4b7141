"""`phaseopt check`: a pair of tables from anywhere against the contact limits."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import NOT_CLEAR, Json, ProjectFile, app, ending, print_json

Table = Annotated[Path | None, typer.Option(metavar="CSV", help="Phase table; left out for a cam without a phaser.")]


@app.command()
def check(project_file: ProjectFile, intake: Table = None, exhaust: Table = None, json: Json = False) -> None:
    """Check a pair of phase tables: every cell, everything between cells, and the full travel."""
    with ending():
        from phaseopt.clearance.check import check_tables
        from phaseopt.clearance.model import contact_model
        from phaseopt.project_file import load_project
        from phaseopt.report.verdicts import cannot_hold, check_summary, verdict_as_dict
        from phaseopt.tables import read_tables

        project = load_project(project_file)
        model = contact_model(project)
        verdict = check_tables(model, read_tables(project, intake, exhaust))
        if json:
            print_json(verdict_as_dict(verdict) | {"notes": cannot_hold(project, verdict)})
        else:
            for side, path in (("Intake", intake), ("Exhaust", exhaust)):
                typer.echo(f"{side} table: {path if path is not None else 'none given'}")
            typer.echo(check_summary(project, verdict))
        if not verdict.clear:
            raise typer.Exit(NOT_CLEAR)
