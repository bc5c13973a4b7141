"""Faults, stacks and chances as a build leaves them: printed, on the page, in the CSV and in the record."""

import csv
import io
import json
from dataclasses import replace

import numpy as np
import pytest

from phaseopt.clearance.faults import Fix
from phaseopt.clearance.rules import CLEAR
from phaseopt.clearance.tolerance_stack import DRAWS, SEED, chances
from phaseopt.job.build import Build
from phaseopt.report.faults import AS_ABOVE, POCKETS, fault_lines, fault_table
from phaseopt.report.text import contact_lines


def test_what_is_not_clear_is_printed_with_its_mend_and_the_rest_named(both: Build) -> None:
    faults = both.verdict.faults
    lines = fault_lines(faults)
    bad = [fault for fault in faults if fault.verdict != CLEAR]
    assert bad
    assert len(lines) == len(bad) + 2
    assert all("clear with" in line for line in lines[: len(bad)])
    for line, fault in zip(lines, bad, strict=False):
        assert line.endswith(AS_ABOVE) or line[1:] == fault.sentence[1:]


def test_what_both_cams_need_is_not_told_twice(both: Build) -> None:
    """Said as above only where each cam's offset and stop stand above, to the digit."""
    lone = Fix("intake", -8.0, 1.0, 20.0, True), Fix("exhaust", 9.0, 1.0, -20.0, True)
    needs = tuple(replace(hint, alone=False, pocket=None) for hint in lone)
    fault = both.verdict.faults[0]
    single = [
        replace(fault, verdict="tight", for_clear=(hint,), sentence="stuck: TIGHT; clear with x") for hint in lone
    ]
    pair = replace(fault, verdict="tight", for_clear=needs, sentence="both: TIGHT; keeps the reserve; clear with y")
    assert fault_lines((*single, pair))[2] == f"Both: TIGHT; {AS_ABOVE}"
    other = replace(pair, for_clear=(needs[0], replace(needs[1], offset=9.1)))
    assert fault_lines((*single, other))[2] == "Both: TIGHT; keeps the reserve; clear with y"


def test_lines_go_with_the_build(both: Build) -> None:
    faults = both.verdict.faults
    lines = fault_lines(faults)
    assert "both cams at rest while cranking" in lines[-2]
    assert lines[-1] == POCKETS
    assert [line.removeprefix("fault: ") for line in contact_lines(both) if line.startswith("fault: ")] == lines


def test_the_page_has_every_fault(both: Build, both_files: dict[str, str]) -> None:
    table = fault_table(both.contact, both.verdict.faults)
    assert [row.label.rsplit(",", 1)[0] for row in table.rows] == [fault.name for fault in both.verdict.faults]
    assert all(row.label in both_files["report.html"] for row in table.rows)


def test_the_record_holds_every_fault_with_gaps_rounded_down(both: Build, both_files: dict[str, str]) -> None:
    record = json.loads(both_files["run.json"])
    assert (record["settings"]["seed"], record["settings"]["draws"]) == (SEED, DRAWS)
    for told, fault in zip(record["verdict"]["faults"], both.verdict.faults, strict=True):
        assert told["name"] == fault.name
        assert len(told["for_clear"]) == len(fault.for_clear)
        for contact, gap in fault.running.items():
            assert gap - 0.001 <= told["running"][contact] <= gap


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
