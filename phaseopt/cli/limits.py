"""`phaseopt limits`: contact limits from geometry alone."""

from pathlib import Path
from typing import Annotated, Any

import typer

from phaseopt.cli.frame import Json, ProjectFile, Sheet, app, ending, print_json

Out = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Write clamps to enter, limits by speed, the safe set and the measuring sheet."),
]


@app.command()
def limits(project_file: ProjectFile, out: Out = None, sheet: Sheet = None, json: Json = False) -> None:
    """Contact limits from geometry alone; needs no torque."""
    with ending():
        from phaseopt.clearance.limits import phase_limits
        from phaseopt.clearance.model import contact_model
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.output.limits_files import limits_files
        from phaseopt.output.sheet_file import require_replaceable_sheet, write_sheet
        from phaseopt.project_file import load_project
        from phaseopt.report.drop_table import drops_as_dict
        from phaseopt.report.sheet import limits_sheet
        from phaseopt.report.verdicts import limits_summary

        project = load_project(project_file)
        if sheet is not None:
            require_replaceable_sheet(sheet)
        if out is not None:
            require_replaceable(out)
        model = contact_model(project)
        found = phase_limits(model)
        if sheet is not None:
            write_sheet(sheet, limits_sheet(model, found))
        if out is not None:
            write_files(out, limits_files(model, found))
        if json:
            print_json({**_as_json(found, model.not_covered), "drops": drops_as_dict(model)})
        else:
            typer.echo(limits_summary(model, found))


def _as_json(found: Any, not_covered: tuple[str, ...]) -> dict[str, Any]:
    import dataclasses

    from phaseopt.report.verdicts import faults_as_list

    travel = found.full_travel
    return {
        "safe_boxes": [dataclasses.asdict(box) for box in found.boxes],
        "alone": found.alone.to_dataframe().reset_index().to_dict("list"),
        "together": found.together.to_dataframe().reset_index().to_dict("list"),
        "full_travel": dataclasses.asdict(travel),
        "faults": faults_as_list(found.faults),
        "not_covered": list(not_covered),
    }
