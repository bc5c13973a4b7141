"""The nearest clear tables as files: the neutral CSV of each cam that moves, with its metadata."""

from pathlib import Path

from phaseopt.clearance.clamps import PairVerdict
from phaseopt.clearance.nearest import NearestTables
from phaseopt.output.directory import RECORD, record_of, require_outside, require_replaceable, write_files
from phaseopt.output.metadata import table_metadata
from phaseopt.report.words import moving
from phaseopt.table_import import ImportedPair
from phaseopt.tables import PhaseTables, table_text
from phaseopt.values.errors import InputError

OPTION = "--nearest"


def require_nearest_place(directory: Path, *read: Path | None) -> None:
    """Refuse, before any work, a place where the tables cannot go: it holds something else, or what is `read`."""
    require_replaceable(directory, OPTION)
    require_outside(directory, *(path for path in read if path is not None), option=OPTION)


def require_tables(pair: ImportedPair, judged: PairVerdict) -> PhaseTables:
    """The tables of a pair.

    Refuses clamps, tables that count as clamps, and files that are not clear and may be read in several ways: what is
    written is one of them.
    """
    phases = judged.reading.phases
    if not isinstance(phases, PhaseTables):
        raise InputError.one(
            "these are clamps by speed, or tables whose loads are not of one kind",
            hint="give tables of rpm and load, both with the same unit of load; `phaseopt limits` shows clear clamps",
            where=OPTION,
        )
    if len(pair.readings) > 1 and not judged.verdict.accepted:
        raise InputError.one(
            f"{len(pair.readings)} readings fit the phasers, so it is not known which tables to go back from",
            hint=f"give {', '.join(pair.settled_by)}",
            file=next(iter(pair.files.values())),
            where=OPTION,
        )
    return phases


def write_nearest(directory: Path, found: NearestTables) -> None:
    """Write the tables, all files or none.

    Raises `InputError` where they are not clear (nothing is written then), and where the directory holds anything but
    an earlier export or cannot be written.
    """
    if not found.verdict.accepted:
        raise InputError.one(
            f"nothing is written, for the tables are not clear: as a box {found.verdict.box.sentence}",
            hint="write tables that keep the contact rules of this project",
            file=directory,
        )
    files: dict[str, str] = {}
    for side in moving(found.verdict.contact.project):
        name, table = f"{side}_phase.csv", found.tables.of_side(side)
        files |= {name: table_text(table), f"{name}-metadata.json": table_metadata(name, table)}
    write_files(directory, files | {RECORD: record_of(files)}, option=OPTION)
