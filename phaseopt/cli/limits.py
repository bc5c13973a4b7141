"""`phaseopt limits`: contact limits from geometry alone."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from phaseopt.cli.frame import (
    Answer,
    Changes,
    ProjectFile,
    SheetFile,
    command,
    project_without,
    require_nothing_written,
)

if TYPE_CHECKING:
    from phaseopt.output.records.limits import LimitsRecord

Out = Annotated[
    Path | None,
    typer.Option(metavar="DIR", help="Write clamps to enter, limits by speed, the safe set and the measuring sheet."),
]


@command
def limits(project_file: ProjectFile, out: Out = None, sheet: SheetFile = None, changes: Changes = None) -> Answer:
    """Which timings are clear of contact; needs no dyno."""
    from phaseopt.clearance.limits import phase_limits
    from phaseopt.clearance.model import contact_model
    from phaseopt.project.load import LIMITS_DO_WITHOUT
    from phaseopt.report.subjects.limits import limits_document

    if changes:
        require_nothing_written(out=out, sheet=sheet)
    project = project_without(project_file, LIMITS_DO_WITHOUT, changes)
    if sheet is not None:
        from phaseopt.output.sheet_file import require_replaceable_sheet, write_sheet
        from phaseopt.report.subjects.sheet import limits_sheet

        require_replaceable_sheet(sheet)
    if out is not None:
        from phaseopt.output.directory import require_replaceable, write_files
        from phaseopt.output.limits_files import limits_files

        require_replaceable(out)
    found, tried = phase_limits(contact_model(project)), tuple(changes or ())
    if sheet is not None:
        write_sheet(sheet, limits_sheet(found))
    if out is not None:
        write_files(out, limits_files(found))

    def record() -> "LimitsRecord":
        from phaseopt.output.records.limits import LimitsRecord  # it takes a third of the time; --json alone asks

        return LimitsRecord.of(found, tried)

    return Answer(
        limits_document(found, tried),
        record,
        written=[path for path in (out, sheet) if path is not None],
    )
