"""The whole job on the example's pulls: what comes out holds together, and what must stop it does."""

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from hillclimb import pulls_alone, pulls_alone_file

from phaseopt.clearance.check import check_tables
from phaseopt.job.build import Build, build
from phaseopt.output.files import build_files
from phaseopt.project.load import load_project
from phaseopt.report.facts import clamps, closest
from phaseopt.search.objective import cell_weights
from phaseopt.study.offset_range import fitted_at
from phaseopt.tables import read_table
from phaseopt.values.errors import InputError


def test_tables_are_clear_and_inside_the_clamps(hillclimb: Build) -> None:
    """Every cell and the box keep both rules, and no value leaves the box that is to be entered as clamps."""
    box = clamps(hillclimb)
    assert hillclimb.verdict.clear
    assert box.intake_from <= hillclimb.tables.intake.min() <= hillclimb.tables.intake.max() <= box.intake_to
    assert box.exhaust_from <= hillclimb.tables.exhaust.min() <= hillclimb.tables.exhaust.max() <= box.exhaust_to


def test_resolution_lock_and_slew_hold(hillclimb: Build) -> None:
    """Whole degrees; rest at and below 1200 rpm; no step along speed that the phaser cannot follow at 3000 rpm/s."""
    for side in ("intake", "exhaust"):
        table = hillclimb.tables.of_side(side).to_numpy()
        assert np.array_equal(table, np.round(table))
        assert not table[hillclimb.tables.rpm <= 1200].any()
        slowest = min(dict(hillclimb.project.cam(side).phaser.slew).values())
        steps = np.diff(hillclimb.tables.rpm)[:, None] / 3000.0
        assert (np.abs(np.diff(table, axis=0)) <= slowest * steps + 1e-9).all()


def test_bound_is_never_below_the_value_and_near_it(hillclimb: Build) -> None:
    """What the project promises: at most 0.02 % of the value and 0.5 % of the gain over the best fixed timing."""
    found = hillclimb.best.search
    assert found.bound >= found.value
    assert found.gap_of_value <= 2e-4
    assert found.gap_of_gain is not None
    assert found.gap_of_gain <= 5e-3


def test_one_cam_is_bound_by_each_rule(hillclimb: Build) -> None:
    """The example is meant to show both: the intake stops at the running rule, the exhaust at the static one."""
    stops = hillclimb.limits.safe.sel(rpm=hillclimb.contact.top_speed)
    box = clamps(hillclimb)
    beyond_intake = stops.sel(intake_phase=box.intake_to + 1, exhaust_phase=0, contact="intake_piston")
    beyond_exhaust = stops.sel(intake_phase=0, exhaust_phase=box.exhaust_from - 1, contact="exhaust_piston")
    assert beyond_intake["running_margin"] < 0 < beyond_intake["static_margin"]
    assert beyond_exhaust["static_margin"] < 0 < beyond_exhaust["running_margin"]


def test_weights_have_mean_one_and_light_load_counts_a_tenth(hillclimb: Build) -> None:
    weight = cell_weights(hillclimb.project)
    assert weight.mean() == pytest.approx(1.0)
    assert weight[0, 0] == pytest.approx(0.1 * weight[0, -1])


def test_same_input_same_bytes(hillclimb_files: dict[str, str]) -> None:
    """A second build of the same project leaves the same files, to the byte."""
    assert build_files(build(pulls_alone())) == hillclimb_files


def test_files_agree_with_what_was_checked(hillclimb: Build, hillclimb_files: dict[str, str], tmp_path: Path) -> None:
    """The tables on disk, read back and checked anew, are what was judged; cells.csv promises no more than that."""
    files = hillclimb_files
    for name in ("intake_phase.csv", "exhaust_phase.csv"):
        (tmp_path / name).write_bytes(files[name].encode())
    for side in ("intake", "exhaust"):
        assert np.array_equal(read_table(tmp_path / f"{side}_phase.csv"), hillclimb.tables.of_side(side))
    again = check_tables(hillclimb.contact, hillclimb.tables).cells
    rows = list(csv.DictReader(io.StringIO(files["cells.csv"])))
    assert len(rows) == again["verdict"].size
    for contact in hillclimb.contact.contacts:
        for gap in ("static", "running"):
            shown = np.array([float(row[f"{contact}_{gap}"]) for row in rows])
            true = again[gap].sel(contact=contact).to_numpy().ravel()
            assert (shown <= true).all()
            assert (shown >= true - 0.001).all()


def test_record_names_every_input(hillclimb: Build, hillclimb_files: dict[str, str]) -> None:
    """run.json hashes the project file and all that it names, and holds the gap as a fraction of the value."""
    record = json.loads(hillclimb_files["run.json"])
    assert {"project.toml", "lobes/intake.csv", "drops/exhaust.csv", "dyno/sweep-01.csv"} <= set(
        record["inputs_sha256"]
    )
    assert record["search"]["gap"] == hillclimb.best.search.gap_of_value


def test_stops_where_tables_would_be_the_only_guard(tmp_path: Path) -> None:
    """Full travel would touch; without the builder's word that he knows, nothing is built."""
    project = load_project(pulls_alone_file(tmp_path, ("tables_only_guard = true", "tables_only_guard = false")))
    with pytest.raises(InputError, match="tables_only_guard"):
        build(project)


def test_stops_where_rest_is_not_safe(tmp_path: Path) -> None:
    """The intake cam fitted 30° further advanced leaves no safe timing; the message names the cam."""
    project = fitted_at(load_project(pulls_alone_file(tmp_path)), (18.0, 10.0))
    with pytest.raises(InputError) as caught:
        build(project)
    assert [mistake.where for mistake in caught.value.mistakes] == ["intake.offset"]


def test_stops_where_readings_on_the_engine_contradict_the_offset(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        build(load_project(pulls_alone_file(tmp_path, ("offset = -12.0", "offset = 12.0"))))
    (mistake,) = caught.value.mistakes
    assert mistake.where == "intake.degree_in"
    assert "offset = -12" in mistake.hint


def test_stops_at_a_baseline_that_no_phaser_could_follow(tmp_path: Path) -> None:
    """The two tables swapped: the exhaust's retard is not in the intake phaser's travel."""
    path = pulls_alone_file(tmp_path, ("hillclimb-start/intake_phase.csv", "hillclimb-start/exhaust_phase.csv"))
    with pytest.raises(InputError, match=r"exhaust_phase.csv: .*not all within the intake phaser's travel"):
        build(load_project(path))


def test_an_overlap_cap_that_empties_a_cell_names_the_project_file(tmp_path: Path) -> None:
    path = pulls_alone_file(tmp_path, ("load = [0, 50], degrees = 10", "load = [0, 50], degrees = -300"))
    with pytest.raises(InputError, match=r"project.toml: search: no phases are left .*'overlap cap'"):
        build(load_project(path))


def test_the_looser_rule_builds_tables_that_are_shown_as_looser(tmp_path: Path) -> None:
    """Heads so near that the rule between cells matters: any result is accepted, and said to be looser where
    it is no box; the clamps are then but the span of the tables."""
    near = (("across = 16.30", "across = 15.6"), ("across = -16.60", "across = -15.9"))
    looser = 'between = "neighbouring cells"\nfastest_crossing = 3000'
    by_name = ("tables_only_guard = true", f"tables_only_guard = true\n{looser}")
    found = build(load_project(pulls_alone_file(tmp_path, *near, by_name)))
    assert found.verdict.accepted
    assert found.best.search.bound >= found.best.search.value
    assert not found.verdict.clear
    near, meets = closest(found), found.verdict.neighbours
    assert meets is not None  # the number shown is that of all that may meet, not of a cell by itself
    assert near.static <= meets.static[near.contact]
    assert near.running <= meets.running[near.contact]
    assert near.margin <= min(float(found.verdict.cells[name].min()) for name in ("static_margin", "running_margin"))
    files = build_files(found)
    kinds = {row["kind"] for row in csv.DictReader(io.StringIO(files["limits.csv"]))}
    assert kinds == {"span", "alone", "together"}
    record = json.loads(files["run.json"])["search"]
    assert not record["clamps_safe"]
    assert (
        "looser than in any combination: holds while the engine gains or loses at most 3000 rpm" in files["report.html"]
    )
