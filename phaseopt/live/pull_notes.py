"""Notes on pulls, in one plain file beside the project's history: `notes.csv`, a log and its note a row."""

import csv
import io
from collections.abc import Mapping
from pathlib import Path

from phaseopt.io.atomic import write_file
from phaseopt.live.history import history_folder
from phaseopt.values.errors import InputError

_HEAD = ["log", "note"]
LONGEST = 500  # characters


def notes_file(project: Path) -> Path:
    """Where a project's notes are."""
    return history_folder(project) / "notes.csv"


def read_notes(project: Path) -> dict[str, str]:
    """Notes by the name of the log; none where there is no such file, or none that can be read."""
    try:
        text = notes_file(project).read_text(encoding="utf-8-sig")
        rows = list(csv.reader(io.StringIO(text, newline="")))
    except (OSError, UnicodeDecodeError, csv.Error):
        return {}
    return {row[0]: row[1] for row in rows[1:] if len(row) == len(_HEAD)}


def write_notes(project: Path, notes: Mapping[str, str]) -> None:
    """Write all notes, whole or not at all. Raises `InputError` where there is no room, or no right to."""
    text = io.StringIO(newline="")
    rows = csv.writer(text)
    rows.writerow(_HEAD)
    rows.writerows((log, note) for log, note in sorted(notes.items()) if note)
    file = notes_file(project)
    hint = "make room on the disk; nothing was changed"
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError.one("cannot be made", hint=hint, file=file.parent) from error
    write_file(file, text.getvalue().encode(), hint)
