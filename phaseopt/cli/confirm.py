"""`phaseopt confirm`: a pull on the new tables against the prediction."""

from pathlib import Path
from typing import Annotated

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command, progress_line

PullFile = Annotated[
    Path,
    typer.Option("--pull", metavar="F", help="A log of a brake sweep, or a TOML file with an entry as torque.pulls."),
]
WeatherText = Annotated[
    str | None, typer.Option("--weather", metavar="TEXT", help='Air of the day: "98.7 kPa, 18 degC, 0.55".')
]
TablesDir = Annotated[Path | None, typer.Option("--tables", metavar="DIR", help="Directory of the tables driven.")]
TableFile = Annotated[Path | None, typer.Option(metavar="CSV", help="Its table as driven, in place of --tables.")]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the page, pictures and CSV.")]


@command
def confirm(
    project_file: ProjectFile,
    pull: PullFile,
    weather: WeatherText = None,
    tables: TablesDir = None,
    intake: TableFile = None,
    exhaust: TableFile = None,
    out: Out = None,
) -> Answer:
    """A pull on the new tables against the prediction.

    Exit code 0 where torque is at least as predicted, 1 where it is less, cannot be known, or where a timing stood
    outside the contact limits.
    """
    from phaseopt.output.confirm_files import confirm_files
    from phaseopt.output.directory import require_outside, require_replaceable, write_files
    from phaseopt.output.records.confirm import ConfirmRecord
    from phaseopt.project.load import load_project, load_pull
    from phaseopt.report.subjects.confirm import confirm_document
    from phaseopt.study.confirm import confirm_project
    from phaseopt.tables import read_driven

    project = load_project(project_file)
    if out is not None:
        require_outside(out, *([] if tables is None else [tables]))
        require_replaceable(out)
    driven = read_driven(project, tables, intake, exhaust)
    made, entry = load_pull(pull, project, weather)
    name = made.name or Path(made.files[0]).stem
    with progress_line() as progress:
        found = confirm_project(project, made, name, driven, progress)
    if out is not None:
        write_files(out, confirm_files(found, project.name, name, entry))
    return Answer(
        confirm_document(found, project.name, name, entry),
        lambda: ConfirmRecord.of(found, entry),
        written=[] if out is None else [out],
        clear=found.fulfilled,
    )
