"""`phaseopt export`: a build's tables in another reader's layout."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from phaseopt.cli.frame import Answer, ProjectFile, command
from phaseopt.values.errors import InputError

if TYPE_CHECKING:
    from phaseopt.project import Project, Side

BuildFolder = Annotated[Path, typer.Option("--tables", metavar="DIR", help="The directory of a finished build.")]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Directory for the tables in the layout.")]
Paste = Annotated[
    Literal["intake", "exhaust"] | None,
    typer.Option(help="Print the cells of this cam's table alone, tabs between, to paste into an editor."),
]
RpmDirection = Annotated[Literal["down", "across"], typer.Option(help="Which way rpm runs.")]
Falls = Annotated[bool, typer.Option(help="This axis from high to low.")]
Sign = Annotated[Literal["1", "-1"], typer.Option(help="1 = + means advanced, -1 = + means retarded.")]
Zero = Annotated[float, typer.Option(metavar="NUMBER", help="The number that means rest.")]
Degrees = Annotated[Literal["crank", "cam"], typer.Option(help="Degrees to count in.")]
StepOption = Annotated[
    float | None, typer.Option(metavar="DEGREES", help="Round to this step, away from contact. [default: not rounded]")
]
Decimals = Annotated[int | None, typer.Option(min=0, max=6, help="Decimals to write. [default: as many as needed]")]
Delimiter = Annotated[Literal["comma", "semicolon", "tab"], typer.Option(help="What separates the cells.")]
Decimal = Annotated[Literal["point", "comma"], typer.Option(help="The decimal mark.")]


@command
def export(
    project_file: ProjectFile,
    tables: BuildFolder,
    out: Out = None,
    paste: Paste = None,
    rpm: RpmDirection = "down",
    rpm_falls: Falls = False,
    load_falls: Falls = False,
    intake_sign: Sign = "1",
    exhaust_sign: Sign = "1",
    intake_zero: Zero = 0.0,
    exhaust_zero: Zero = 0.0,
    intake_in: Degrees = "crank",
    exhaust_in: Degrees = "crank",
    step: StepOption = None,
    decimals: Decimals = None,
    delimiter: Delimiter = "comma",
    decimal: Decimal = "point",
) -> Answer:
    """A build's tables in the layout that you choose.

    Which way the axes run, the sign, zero and degrees of each cam, and the step, rounded away from contact. Every
    export is read back and checked for contact before it is written or printed.
    """
    from phaseopt.output.directory import require_outside, require_replaceable
    from phaseopt.output.export_document import export_document
    from phaseopt.output.export_files import export as exported
    from phaseopt.output.export_files import write_export
    from phaseopt.output.read_build import read_build
    from phaseopt.output.records.export import ExportRecord
    from phaseopt.project import Channel, Side
    from phaseopt.project.load import load_project
    from phaseopt.table_import.layout import Layout
    from phaseopt.table_import.pair import require_phase
    from phaseopt.tables import read_tables

    require_phase("--intake-zero", intake_zero)
    require_phase("--exhaust-zero", exhaust_zero)
    project = load_project(project_file)
    built = read_build(tables)
    _require_one_way(project, out, paste)
    if out is not None:
        require_outside(out, tables)
        require_replaceable(out)
    counts: dict[Side, Channel] = {
        "intake": Channel(sign=int(intake_sign), zero=intake_zero, **{"in": f"{intake_in} deg"}),
        "exhaust": Channel(sign=int(exhaust_sign), zero=exhaust_zero, **{"in": f"{exhaust_in} deg"}),
    }
    parted = "tab" if paste else delimiter
    layout = Layout(rpm, rpm_falls, load_falls, parted, decimal, decimals, step, counts)
    pair = read_tables(project, built.file("intake_phase.csv"), built.file("exhaust_phase.csv"))
    found = exported(project, pair, layout)
    changed = built.changed_inputs(project)
    clear = found.verdict.accepted
    if out is not None and clear:
        write_export(out, found)
    return Answer(
        export_document(found, changed),
        lambda: ExportRecord.of(found, changed),
        written=[out] if out is not None and clear else [],
        clear=clear,
        plain=found.cells[paste].replace("\r\n", "\n") if paste and clear else "",
    )


def _require_one_way(project: "Project", out: Path | None, paste: "Side | None") -> None:
    """Refuse an export that goes nowhere or two ways, or of a cam that has no table."""
    from phaseopt.report.words import moving

    if (out is None) == (paste is None):
        raise InputError.one(
            "nothing says where the tables go" if out is None else "a directory and text to paste are both asked for",
            hint="give --out DIR for files, or --paste intake or --paste exhaust for text",
        )
    if paste is not None and paste not in moving(project):
        raise InputError.one(
            f"the {paste} cam has no table of its own", hint=f"--paste {moving(project)[0]}", where="--paste"
        )
