"""Metadata beside each CSV, read by the package `csvw` as any other reader of the standard would."""

import json
from pathlib import Path

import csvw
import numpy as np
import pytest

from phaseopt.output.columns import Column, csv_text
from phaseopt.output.metadata import records_metadata, table_metadata
from phaseopt.tables import PhaseTables, table_text

TABLES = PhaseTables.of([1000, 2500.5], [37.5, 60, 100], [[0, 1.5, -2], [3, 4, 45]], -5.0)


def validated(folder: Path, name: str, text: str, metadata: str) -> csvw.CSVW:
    (folder / name).write_bytes(text.encode())
    (folder / f"{name}-metadata.json").write_text(metadata, encoding="utf-8")
    return csvw.CSVW(str(folder / name), validate=True)


@pytest.mark.parametrize("side", ["intake", "exhaust"])
def test_a_table_is_valid_and_reads_back(tmp_path: Path, side: str) -> None:
    """W3C CSV on the Web (2015): valid by package `csvw`, which finds the metadata beside the CSV by its name alone."""
    table = TABLES.intake if side == "intake" else TABLES.exhaust
    name = f"{side}_phase.csv"
    found = validated(tmp_path, name, table_text(table), table_metadata(name, table))
    assert found.is_valid
    rows = [list(row.values()) for row in found.tables[0].iterdicts()]
    np.testing.assert_array_equal(np.array(rows, dtype=float), np.column_stack([table["rpm"], table]))


def test_a_table_states_units_sign_axes_and_rest() -> None:
    shown = json.loads(table_metadata("intake_phase.csv", TABLES.intake))
    for words in ("crank degrees", "rest position, which is 0", "+ = advanced", "rpm", "kPa", "full throttle"):
        assert words in shown["dc:description"]
    units = [column["schema:unitText"] for column in shown["tableSchema"]["columns"]]
    assert units == ["rpm", "degree", "degree", "degree"]


def test_records_are_valid_and_read_back(tmp_path: Path) -> None:
    """As above, with text, an empty cell and a quoted one."""
    columns = [
        Column("rpm", "engine speed", np.array([1000.0, 2000.0]), "rpm"),
        Column("gap", "least gap", np.array([-0.125, np.nan]), "mm"),
        Column("limited_by", "what limits it", ["intake, piston", '=say "valve"']),
    ]
    found = validated(tmp_path, "cells.csv", csv_text(columns), records_metadata("cells.csv", "Cells", columns))
    assert found.is_valid
    rows = list(found.tables[0].iterdicts())
    assert [float(row["rpm"]) for row in rows] == [1000.0, 2000.0]
    assert float(rows[0]["gap"]) == -0.125
    assert rows[1]["gap"] is None
    assert [row["limited_by"] for row in rows] == ["intake, piston", '\'=say "valve"']


def test_the_reader_would_notice(tmp_path: Path) -> None:
    """Text in a number column, and a header that the metadata does not name, are not valid to `csvw`."""
    metadata = table_metadata("t.csv", TABLES.intake)
    for old, new in (("1.5", "late"), ("37.5", "38")):
        assert not validated(tmp_path, "t.csv", table_text(TABLES.intake).replace(old, new), metadata).is_valid
