"""`phaseopt check`: a pair of tables, or of clamps, from anywhere against the contact limits."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from phaseopt.cli.frame import Answer, ProjectFile, SheetFile, command, project_without

if TYPE_CHECKING:
    from phaseopt.project import Side

_BY_WORDS = "[default: as the words in the file say]"

TableFile = Annotated[
    Path | None,
    typer.Option(
        metavar="CSV", help="Its phase table, or clamps by speed (rpm, phase or rpm, from, to); none = it stands still."
    ),
]
TablesDir = Annotated[
    Path | None, typer.Option("--tables", metavar="DIR", help="A finished build's tables, in place of both.")
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

NearestDir = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Where these are not clear, write the clear tables that differ least from them."),
]

_SIGNS: dict[str | None, Literal[1, -1] | None] = {"1": 1, "-1": -1, None: None}


@command
def check(
    project_file: ProjectFile,
    intake: TableFile = None,
    exhaust: TableFile = None,
    tables: TablesDir = None,
    intake_at: At = None,
    exhaust_at: At = None,
    rpm: RpmDirection = None,
    intake_sign: Sign = None,
    exhaust_sign: Sign = None,
    intake_zero: Zero = None,
    exhaust_zero: Zero = None,
    intake_in: Degrees = None,
    exhaust_in: Degrees = None,
    nearest: NearestDir = None,
    sheet: SheetFile = None,
) -> Answer:
    """A pair of tables from anywhere against the contact limits.

    Every cell, everything between cells, and the full travel. Tables may have any axes, rpm across or down, tabs,
    semicolons or commas. Words in the file and its name say what its numbers mean. What nothing says is judged in every
    meaning that fits the phaser's travel; clear means clear in each. How each file was read is printed, and how far
    cells that are not clear must go back.
    """
    from phaseopt.clearance.clamps import check_pair
    from phaseopt.clearance.model import contact_model
    from phaseopt.clearance.nearest import nearest_tables
    from phaseopt.output.nearest_files import require_nearest_place, require_tables, write_nearest
    from phaseopt.output.records.check import CheckRecord
    from phaseopt.output.sheet_file import require_replaceable_sheet, write_sheet
    from phaseopt.project.load import LIMITS_DO_WITHOUT
    from phaseopt.report.subjects.check import check_document
    from phaseopt.report.subjects.sheet import check_sheet
    from phaseopt.report.ways_back import nearest_section
    from phaseopt.table_import import Source, StatedMeaning, read_pair
    from phaseopt.tables import tables_of

    project = project_without(project_file, LIMITS_DO_WITHOUT)
    intake, exhaust = tables_of(project, tables, intake, exhaust)
    if sheet is not None:
        require_replaceable_sheet(sheet)
    if nearest is not None:
        require_nearest_place(nearest, intake, exhaust)
    given = read_pair(
        project,
        Source(intake, StatedMeaning(_SIGNS[intake_sign], intake_zero, intake_in), intake_at),
        Source(exhaust, StatedMeaning(_SIGNS[exhaust_sign], exhaust_zero, exhaust_in), exhaust_at),
        rpm,
    )
    judged = check_pair(contact_model(project), given)
    verdict, notes = judged.verdict, judged.notes
    found = None
    if nearest is not None:
        phases = require_tables(given, judged)
        if not verdict.accepted:
            found = nearest_tables(verdict.contact, phases)
            write_nearest(nearest, found)
    if sheet is not None:
        write_sheet(sheet, check_sheet(verdict))
    files: dict[Side, Path | None] = {"intake": intake, "exhaust": exhaust}
    more = () if nearest is None else (nearest_section(found, nearest),)
    return Answer(
        check_document(verdict, notes, files, more),
        lambda: CheckRecord.of(verdict, notes, found),
        written=[path for path in (sheet, nearest if found else None) if path is not None],
        clear=verdict.accepted,
    )
