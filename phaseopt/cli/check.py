"""`phaseopt check`: a pair of tables, or of clamps, from anywhere against the contact limits."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from phaseopt.cli.frame import Answer, ProjectFile, SheetFile, command

TableFile = Annotated[
    Path | None,
    typer.Option(
        metavar="CSV", help="Its phase table, or clamps by speed (rpm, phase or rpm, from, to); none = it stands still."
    ),
]
At = Annotated[
    float | None, typer.Option(metavar="DEGREES", help="Where it stands without a table; + = advanced. [default: rest]")
]
RpmDirection = Annotated[
    Literal["across", "down"] | None, typer.Option(help="Which way rpm runs, where a table does not settle it.")
]
Sign = Annotated[
    Literal["1", "-1"] | None, typer.Option(help="1 = + in its table means advanced, -1 = + means retarded.")
]
Zero = Annotated[float | None, typer.Option(metavar="NUMBER", help="The number in its table that means rest.")]
Degrees = Annotated[Literal["crank", "cam"] | None, typer.Option(help="Degrees that its table counts in.")]

_SIGNS: dict[str | None, Literal[1, -1] | None] = {"1": 1, "-1": -1, None: None}


@command
def check(
    project_file: ProjectFile,
    intake: TableFile = None,
    exhaust: TableFile = None,
    intake_at: At = None,
    exhaust_at: At = None,
    rpm: RpmDirection = None,
    intake_sign: Sign = None,
    exhaust_sign: Sign = None,
    intake_zero: Zero = None,
    exhaust_zero: Zero = None,
    intake_in: Degrees = None,
    exhaust_in: Degrees = None,
    sheet: SheetFile = None,
) -> Answer:
    """A pair of tables from anywhere against the contact limits.

    Every cell, everything between cells, and the full travel. Tables may have any axes, rpm across or down, tabs,
    semicolons or commas. What is not stated or written beside the table is taken as crank degrees from rest,
    + = advanced; how each file was read is printed.
    """
    from phaseopt.clearance.clamps import check_given
    from phaseopt.clearance.model import contact_model
    from phaseopt.output.records.check import CheckRecord
    from phaseopt.output.sheet_file import require_replaceable_sheet, write_sheet
    from phaseopt.project.load import load_project
    from phaseopt.report.subjects.check import check_document
    from phaseopt.report.subjects.sheet import check_sheet
    from phaseopt.table_import import Source, StatedMeaning, read_pair

    project = load_project(project_file)
    if sheet is not None:
        require_replaceable_sheet(sheet)
    given = read_pair(
        project,
        Source(intake, StatedMeaning(_SIGNS[intake_sign], intake_zero, intake_in), intake_at),
        Source(exhaust, StatedMeaning(_SIGNS[exhaust_sign], exhaust_zero, exhaust_in), exhaust_at),
        rpm,
    )
    verdict = check_given(contact_model(project), given.phases)
    if sheet is not None:
        write_sheet(sheet, check_sheet(verdict))
    return Answer(
        check_document(verdict, given.notes, {"intake": intake, "exhaust": exhaust}),
        lambda: CheckRecord.of(verdict, given.notes),
        written=[] if sheet is None else [sheet],
        clear=verdict.accepted,
    )
