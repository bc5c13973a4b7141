"""The summary and the cautions."""

from dataclasses import replace
from pathlib import Path

import pytest
from parts import changed

from phaseopt.job.build import Build
from phaseopt.report.cautions import cautions
from phaseopt.report.facts import binders, clamps, gained_most
from phaseopt.report.text import fit_line, proof, summary
from phaseopt.values.display_units import METRIC


def plain(text: str) -> str:
    return " ".join(text.split())


def test_cautions_name_all_that_must_be_heeded() -> None:
    """Common practice, no source: what a builder does before new cam tables run under load."""
    told = " ".join(cautions())
    for word in (
        "does not replace checking", "every cylinder", "degree in the fitted timing again", "stays at rest",
        "read rest",
        "ten degrees", "airflow", "ignition", "rich and retarded", "oil warm", "knock", "speed in steps",
        "guards", "ventilation", "Local rules and licensed practice", "warranty",
    ):  # fmt: skip
        assert word in told


def test_summary_follows_its_order(both: Build, tmp_path: Path) -> None:
    (tmp_path / "cells.csv").write_text("", encoding="utf-8")
    told = summary(both, tmp_path)
    places = [told.index(f"  {label}") for label in ("Contact", "Torque", "Proof", "Written", "Before you load these:")]
    assert places == sorted(places)
    assert "cells.csv" in told
    for caution in cautions():
        assert caution in plain(told)
    assert max(map(len, told.replace(str(tmp_path), "out").splitlines())) <= 120
    assert both.verdict.full_travel.sentence in plain(told)
    assert f"{both.comparison.full_gain:+.1f} ± {both.comparison.full_gain_sd:.1f} N·m" in plain(told)


def test_summary_says_when_nothing_was_written(both: Build) -> None:
    assert "not written" in summary(both)


def test_not_covered_is_always_told(intake_only: Build) -> None:
    assert "valve to valve (the project gives no seats)" in plain(summary(intake_only))


def test_one_pull_cannot_show_its_drift(both: Build) -> None:
    assert "one pull cannot show" in fit_line(replace(both.model, pull_left_out=None), METRIC.torque)


def test_printed_bound_is_no_less_than_the_bound(both: Build) -> None:
    found = replace(both.best.search, gap_per_cell=0.01234, gap_of_gain=None)
    told = proof(replace(both.best, search=found))
    assert "over 0.013 N·m a cell" in told
    assert "no gain over the best fixed timing" in told


@pytest.mark.parametrize("name", ["both", "tied", "intake_only"])
def test_clamps_hold_the_tables(name: str, request: pytest.FixtureRequest) -> None:
    build: Build = request.getfixturevalue(name)
    box = clamps(build)
    assert box in build.limits.boxes
    assert box.intake_from <= float(build.tables.intake.min())
    assert float(build.tables.intake.max()) <= box.intake_to
    assert box.exhaust_from <= float(build.tables.exhaust.min())
    assert float(build.tables.exhaust.max()) <= box.exhaust_to


def test_every_binder_is_counted_once_a_cell(both: Build) -> None:
    for name, count in binders(both):
        assert count == sum(name in names for row in both.best.search.binding for names in row)


def test_gain_is_told_around_its_peak(both: Build) -> None:
    gain = both.torque["gain"].isel(load=-1)
    low, high = gained_most(both) or pytest.fail("the example gains")
    assert low <= float(gain["rpm"][int(gain.to_numpy().argmax())]) <= high
    flat = both.torque.assign(gain=both.torque["gain"] * 0.0)
    assert gained_most(changed(both, comparison={"torque": flat})) is None
