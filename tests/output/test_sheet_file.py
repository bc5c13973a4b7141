"""A measuring sheet replaces an earlier one whole or not at all."""

import errno
import os
from pathlib import Path

import pytest

from phaseopt.output.sheet_file import write_sheet
from phaseopt.report.document import Document
from phaseopt.report.subjects.sheet import GENERATOR
from phaseopt.values.errors import InputError

SHEET = Document("A sheet", "")


def test_a_full_disk_leaves_the_earlier_sheet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sheet = tmp_path / "sheet.html"
    sheet.write_bytes(GENERATOR.encode())

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        write_sheet(sheet, SHEET)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"sheet.html": GENERATOR.encode()}


def test_what_is_no_file_or_has_no_name_is_refused_unread(tmp_path: Path) -> None:
    """A pipe would be waited for without end."""
    os.mkfifo(tmp_path / "pipe")
    for name, said in (("pipe", "is no measuring sheet"), ("a" * 300, "cannot be looked at")):
        with pytest.raises(InputError, match=said):
            write_sheet(tmp_path / name, SHEET)
