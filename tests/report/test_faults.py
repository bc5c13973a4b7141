"""Faults, stacks and chances as a build leaves them: printed, on the page, in the CSV and in the record."""

import csv
import io
import json

import numpy as np
import pytest

from phaseopt.clearance.rules import CLEAR
from phaseopt.clearance.tolerance_stack import DRAWS, SEED, chances
from phaseopt.job.build import Build
from phaseopt.report.faults import POCKETS, fault_table
from phaseopt.report.subjects.limits import limits_document


def test_what_is_not_clear_comes_with_what_would_clear_it(both: Build) -> None:
    faults = both.verdict.faults
    table = fault_table(both.contact, faults)
    for row, fault in zip(table.rows, faults, strict=True):
        verdict, closest, fix = row.cells
        assert verdict == fault.verdict.upper()
        assert bool(fix) == (fault.verdict != CLEAR)
        gap = float(closest.split(",")[0])
        worst = min(min(fault.static.values()), min(fault.running.values())) if verdict == "HITS" else gap
        assert gap == pytest.approx(np.floor(100.0 * worst + 1e-9) / 100.0)
    assert {fault.verdict for fault in faults} != {CLEAR}


def test_a_deeper_pocket_comes_with_its_warning(both: Build) -> None:
    asked = any(fix.pocket is not None for fault in both.verdict.faults for fix in fault.for_clear)
    assert asked
    assert POCKETS in limits_document(both.limits).notes


def test_the_page_has_every_fault(both: Build, both_files: dict[str, str]) -> None:
    table = fault_table(both.contact, both.verdict.faults)
    assert [row.label.lower().split(", up to")[0] for row in table.rows] == [f.name for f in both.verdict.faults]
    assert all(row.label in both_files["report.html"] for row in table.rows)


def test_the_record_holds_every_fault_with_gaps_rounded_down(both: Build, both_files: dict[str, str]) -> None:
    record = json.loads(both_files["run.json"])
    assert (record["settings"]["seed"], record["settings"]["draws"]) == (SEED, DRAWS)
    for shown, fault in zip(record["verdict"]["faults"], both.verdict.faults, strict=True):
        assert shown["name"] == fault.name
        assert len(shown["for_clear"]) == len(fault.for_clear)
        for contact, gap in fault.running.items():
            assert gap - 0.001 <= shown["running"][contact] <= gap


def test_three_stacks_stand_side_by_side_in_each_cell(both: Build, both_files: dict[str, str]) -> None:
    rows = list(csv.DictReader(io.StringIO(both_files["cells.csv"])))
    cells = both.verdict.cells
    pairs = np.column_stack([cells[f"{side}_phase"].to_numpy().ravel() for side in ("intake", "exhaust")])
    found = chances(both.contact, pairs, np.array([float(row["rpm"]) for row in rows]))
    for c, contact in enumerate(both.contact.contacts):
        for r, rule in enumerate(("static", "running")):
            worst, root, chance = (
                np.array([float(row[f"{contact}_{rule}{end}"]) for row in rows]) for end in ("", "_rss", "_chance")
            )
            assert (worst <= root).all()
            assert chance == pytest.approx(found[:, r, c], abs=1e-6)
