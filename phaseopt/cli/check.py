"""`phaseopt check`: a pair of tables, or of clamps, from anywhere against the contact limits."""

from pathlib import Path
from typing import Annotated, Literal

import typer

from phaseopt.cli.frame import Answer, ProjectFile, SheetFile, command

_BY_WORDS = "[default: as the words in the file say]"

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
    Literal["1", "-1"] | None,
    typer.Option(help="1 = + in its table means advanced, -1 = + means retarded. " + _BY_WORDS),
]
Zero = Annotated[
    float | None,
    typer.Option(metavar="NUMBER", help="The number in its table that means rest. " + _BY_WORDS),
]
Degrees = Annotated[Literal["crank", "cam"] | None, typer.Option(help="Degrees that its table counts in. " + _BY_WORDS)]

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
    semicolons or commas. Words in the file and its name say what its numbers mean. What nothing says is judged in every
    meaning that fits the phaser's travel; clear means clear in each. How each file was read is printed.
    """
    from phaseopt.clearance.clamps import check_pair
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
    found = check_pair(contact_model(project), given)
    verdict, notes = found.verdict, found.notes
    if sheet is not None:
        write_sheet(sheet, check_sheet(verdict))
    return Answer(
        check_document(verdict, notes, {"intake": intake, "exhaust": exhaust}),
        lambda: CheckRecord.of(verdict, notes),
        written=[] if sheet is None else [sheet],
        clear=verdict.accepted,
    )
