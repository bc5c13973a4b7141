"""A pair of tables in another reader's layout: written as text, read back by our own reader, judged.

What is handed over is therefore what was judged: the file's own numbers, with the sign, zero and degrees that the file
is said to have.
"""

import json
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from phaseopt.clearance.check import Verdict, check_tables
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.output.directory import RECORD, record_of, write_files
from phaseopt.project import Project, Side
from phaseopt.report.words import moving
from phaseopt.table_import import Source, read_pair
from phaseopt.table_import.layout import (
    DELIMITERS,
    MARKS,
    Layout,
    cells_text,
    grid_text,
    readings,
    require_sense,
    towards_contact,
)
from phaseopt.table_import.meaning import as_read, meaning_words
from phaseopt.tables import PhaseTables
from phaseopt.values.errors import InputError

READ_ME = "how_to_read.txt"
_EQUAL = 1e-6  # crank degrees


@dataclass(frozen=True, eq=False)
class Export:
    """Tables in a layout. `files` by name; `cells` the cells alone by side, to paste; `tables` as read back; `verdict`
    on those; `moved` the most that rounding moved a phase, crank degrees; `nearer` the most that it moved one towards
    contact, where it could not be rounded otherwise within the travel."""

    project: Project
    layout: Layout
    files: dict[str, str]
    cells: dict[Side, str]
    tables: PhaseTables
    model: ContactModel
    verdict: Verdict
    moved: float
    nearer: float


def export(project: Project, tables: PhaseTables, layout: Layout) -> Export:
    """Tables in a layout, read back and judged.

    Parameters
    ----------
    project : Project
        Its contact rules judge the tables.
    tables : PhaseTables
        On the project's axes [crank degrees from rest, + = advanced].
    layout : Layout
        How the other reader wants them.

    Returns
    -------
    Export
        Use it where `verdict.accepted`.

    Raises
    ------
    InputError
        Where a layout contradicts itself, or where what was written does not read back as it was meant.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.tables import read_tables
    >>> project, folder = load_project("examples/hillclimb/project.toml"), "maps/hillclimb-best"
    >>> tables = read_tables(project, f"{folder}/intake_phase.csv", f"{folder}/exhaust_phase.csv")
    >>> turned = export(project, tables, Layout(rpm="across", delimiter="semicolon"))
    >>> turned.files["intake_phase.csv"].split(";")[1:4], turned.moved, turned.verdict.accepted
    (['1000', '1500', '2000'], 0.0, True)
    """
    require_sense(layout)
    files: dict[str, str] = {}
    cells: dict[Side, str] = {}
    for side in moving(project):
        name, held = f"{side}_phase.csv", readings(project, side, tables.of_side(side).to_numpy(), layout)
        text = grid_text(tables, held, layout, side)
        files |= {name: text, f"{name}-metadata.json": _metadata(name, side, text, layout)}
        cells[side] = cells_text(held, layout)
    back = _read_back(project, files)
    moved, nearer = _moved(project, tables, back, layout)
    model = contact_model(project)
    verdict = check_tables(model, back)
    files[READ_ME] = "\n".join(layout_words(project, layout, moved, nearer)) + "\n"
    return Export(project, layout, files | {RECORD: record_of(files)}, cells, back, model, verdict, moved, nearer)


def write_export(directory: str | Path, found: Export) -> tuple[Path, ...]:
    """Write the files of an export, all of them or none.

    Parameters
    ----------
    directory : path
        New, empty, or with an earlier export alone in it.
    found : Export

    Returns
    -------
    tuple of Path
        What was written.

    Raises
    ------
    InputError
        Where the tables are not clear (they are not written), where the directory holds anything else, and where it
        cannot be written.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.tables import rest_tables
    >>> from tempfile import TemporaryDirectory
    >>> project = load_project("examples/intake_only/project.toml")
    >>> with TemporaryDirectory() as folder:
    ...     paths = write_export(folder, export(project, rest_tables(project), Layout(decimals=0)))
    >>> [path.name for path in paths]
    ['how_to_read.txt', 'intake_phase.csv', 'intake_phase.csv-metadata.json', 'run.json']
    """
    folder = Path(directory)
    if not found.verdict.accepted:
        raise InputError.one(
            f"nothing is written, for the tables are not clear: as a box {found.verdict.box.sentence}",
            hint="export tables that keep the contact rules of this project",
            file=folder,
        )
    write_files(folder, found.files, option="")
    return tuple(folder / name for name in sorted(found.files))


def layout_words(project: Project, layout: Layout, moved: float, nearer: float) -> list[str]:
    """How the files are to be read, in sentences."""
    falls = [name for name, falling in (("rpm", layout.rpm_falls), ("load", layout.load_falls)) if falling]
    order = f"{' and '.join(falls)} from high to low" if falls else "both from low to high"
    other = "down" if layout.rpm == "across" else "across"
    lines = [
        f"{project.name}: phase tables",
        f"Engine speed (rpm) runs {layout.rpm}, load (kPa) {other}; {order}.",
    ]
    for side in moving(project):
        both = "both cams" if project.arrangement == "together" else f"the {side} cam"
        lines.append(f"Phases of {both}: {as_read(layout.count(side))}.")
    step = layout.rounding
    if step is None:
        lines.append("Numbers are those of the tables, not rounded.")
    else:
        moves = f"no phase moves by more than {moved:g} crank degrees" if moved else "no phase has to move for it"
        lines.append(f"Numbers are rounded to {step.normalize():f} away from contact; {moves}.")
    if nearer:
        lines.append(
            f"Within the travel some could not be: a phase came up to {nearer:g} crank degrees nearer to contact. The "
            "check includes that. A zero or a step in which rest can be written avoids it."
        )
    lines.append(f"Cells separated by {layout.delimiter}s, decimal {layout.decimal}s.")
    mark, decimal = DELIMITERS[layout.delimiter], MARKS[layout.decimal]
    options = "".join(
        f", {name}={value!r}"
        for name, value, usual in (("sep", mark, ","), ("decimal", decimal, "."))
        if value != usual
    )
    lines.append(
        "The corner cell of each file says the same: cam, degrees, sign and number at rest. A spreadsheet or "
        f"pandas.read_csv(name, index_col=0{options}) reads it beside the numbers."
    )
    lines.append(
        "These files were read back and checked for contact. That does not replace checking the assembled engine by "
        "hand. Before running: at rest the controller must read rest. Ten crank degrees commanded at idle must turn "
        "the cam itself five degrees, the right way."
    )
    return lines


def _read_back(project: Project, files: dict[str, str]) -> PhaseTables:
    """The tables as `phaseopt check` reads the files without their metadata: what they say of themselves must do."""
    with tempfile.TemporaryDirectory() as folder:
        sources: dict[Side, Source] = {"intake": Source(), "exhaust": Source()}
        for side in moving(project):
            path = Path(folder) / f"{side}_phase.csv"
            path.write_bytes(files[path.name].encode("utf-8"))
            sources[side] = Source(path)
        given = read_pair(project, sources["intake"], sources["exhaust"])
    assert isinstance(given.phases, PhaseTables)  # files with breakpoints both ways
    return given.phases


def _moved(project: Project, tables: PhaseTables, back: PhaseTables, layout: Layout) -> tuple[float, float]:
    """The most that rounding moved a phase, and towards contact; refuses files that do not read back as meant."""
    most = nearest = 0.0
    for side in moving(project):
        table, found = tables.of_side(side), back.of_side(side)
        held = readings(project, side, table.to_numpy(), layout)
        meant = layout.count(side).phase([[float(cell) for cell in row] for row in held])
        same = found.shape == table.shape and all(np.array_equal(found[axis], table[axis]) for axis in table.dims)
        if not same or np.abs(found.to_numpy() - meant).max() > _EQUAL:
            raise InputError.one(
                f"the {side} table does not read back as it was written, so nothing was",
                hint="choose another layout, and report this one: it is a fault of the program",
            )
        most = max(most, float(np.abs(meant - table.to_numpy()).max()))
        nearest = max(nearest, float(towards_contact(project, side, table.to_numpy(), meant).max()))
    return round(most, 9), round(nearest, 9)


def _metadata(name: str, side: Side, text: str, layout: Layout) -> str:
    """CSV on the Web metadata: delimiter, decimal mark, sign, zero and degrees of a table in a layout."""
    mark, decimal = DELIMITERS[layout.delimiter], MARKS[layout.decimal]
    titles = text.split("\r\n", 1)[0].split(mark)
    number: Any = "number"
    if decimal != ".":
        number = {"base": "number", "format": {"decimalChar": decimal, "groupChar": " "}}
    down, across = ("load, kPa", "rpm") if layout.rpm == "across" else ("engine speed, rpm", "kPa")
    words = [f"breakpoint of the row: {down}", *(f"phase at {title} {across}" for title in titles[1:])]
    columns = [
        {"name": f"column_{k}", "titles": title, "datatype": number, "dc:description": meaning}
        for k, (title, meaning) in enumerate(zip(titles, words, strict=True))
    ]
    document = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": name,
        "dc:title": f"{side} phase",
        "dc:description": f"{side} phase: {meaning_words(layout.count(side))}.",
        "dialect": {"delimiter": mark, "header": True, "encoding": "utf-8"},
        "tableSchema": {"columns": columns},
    }
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
