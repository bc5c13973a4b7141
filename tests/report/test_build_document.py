"""What is said of a build: its order, the verdict, the gain, clamps, bounds, and the cautions."""

from dataclasses import replace

import pytest
from parts import changed
from read_document import all_words, lines_of

from phaseopt.job.build import Build
from phaseopt.project import Dyno
from phaseopt.report.cautions import cautions
from phaseopt.report.document import Depth, Document
from phaseopt.report.facts import binders, clamps, gained_most, smoothness_costs
from phaseopt.report.subjects.build import build_document, proof
from phaseopt.report.terminal import terminal_text
from phaseopt.report.torque_source import fit_line
from phaseopt.values.display_units import METRIC


def short(build: Build) -> Document:
    """What is printed of a build."""
    return build_document(build, depth=Depth.ANSWER)


def test_cautions_name_all_that_must_be_done() -> None:
    """Common practice, no source: what a builder does before new cam tables run under load."""
    said = " ".join(cautions())
    for word in (
        "does not replace checking", "every cylinder", "degree in the fitted timing again", "stays at rest",
        "read rest", "Ten crank degrees", "cam itself five",
        "airflow", "ignition", "rich and retarded", "oil warm", "knock", "speed in steps",
        "guards", "ventilation", "Local rules and licensed practice", "warranty",
    ):  # fmt: skip
        assert word in said


def test_verbose_prints_it_all_in_order(both: Build) -> None:
    """What stands on one screen is made anew; the sections behind it follow each other as on the page."""
    text = terminal_text(build_document(both, depth=Depth.DETAIL), Depth.DETAIL)
    labels = (
        "Gain ", "Clearance", "Clamps ", "Full travel  ", "Limited by", "Torque model", "Proof ", "Full throttle",
        "If a phaser sticks",
        "Notes ", "Not covered ", "Before you load these",
    )  # fmt: skip
    places = [text.index(f"\n{each}") for each in labels]
    assert places == sorted(places)
    assert all(" ".join(caution.split()) in " ".join(text.split()) for caution in cautions())
    assert max(map(len, text.splitlines())) <= 100


def test_every_caution_and_what_is_not_covered_are_always_there(intake_only: Build) -> None:
    found = short(intake_only)
    assert found.cautions[1:] == cautions()
    assert found.not_covered == intake_only.verdict.not_covered
    assert any("no seats" in each for each in found.not_covered)


def test_tables_that_are_not_clear_are_not_written(both: Build) -> None:
    cells = both.verdict.cells.copy(deep=True)
    cells["verdict"][0, 0] = "hits"
    found = short(replace(both, verdict=replace(both.verdict, cells=cells)))
    assert found.state == "HITS"
    assert found.lead[0].startswith("Nothing is written")


def test_the_gain_is_given_at_the_wheels_where_torque_was_measured_there(both: Build) -> None:
    """Source: the stated law, which keeps 15 % of torque; constant losses are in both tables and fall out."""
    measured = {"at": "wheel", "ratio": 4.1, "driveline": {"share": 0.15, "constant": 3.0}}
    assert both.project.torque is not None
    torque = both.project.torque.model_copy(update={"dyno": Dyno.model_validate(measured)})
    build = changed(both, project=both.project.model_copy(update={"torque": torque}))
    for shown in (short(build), build_document(build)):
        (line,) = (each for each in lines_of(shown, "Gain") if "At the wheel" in each)
        assert METRIC.torque.signed(0.85 * both.comparison.gains.gain) in line
    assert "At the wheel" not in all_words(short(both))


def test_the_gain_is_the_area_s_with_two_standard_deviations(both: Build) -> None:
    gains = both.comparison.gains
    assert lines_of(short(both), "Gain")[0].startswith(f"{gains.gain:+.1f} ± {2 * gains.deviation:.1f} N·m on average")
    vague = changed(both, comparison={"gains": replace(gains, deviation=10.0 * abs(gains.gain))})
    assert lines_of(short(vague), "Gain")[0].startswith("No clear difference (")


def test_one_pull_cannot_show_its_drift(both: Build) -> None:
    assert "one pull cannot show" in fit_line(replace(both.model, pull_left_out=None), METRIC.torque)


def test_printed_bound_is_no_less_than_the_bound(both: Build) -> None:
    found = replace(both.best.search, gap_per_cell=0.01234, gap_of_gain=None)
    said = proof(replace(both.best, search=found))
    assert "over 0.02 N·m a cell" in said
    assert "no gain over the best fixed timing" in said


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
    """Smoothness only where it takes more than the 0.5 N·m that a careful dyno shows."""
    costs, limited_by = smoothness_costs(both), both.best.search.limited_by
    for name, count in binders(both):
        cells = [(r, k) for r, row in enumerate(limited_by) for k, names in enumerate(row) if name in names]
        assert count == sum(name != "roughness" or costs[cell] > 0.5 for cell in cells)


def test_most_gain_is_around_its_peak(both: Build) -> None:
    gain = both.torque["gain"].isel(load=-1)
    low, high = gained_most(both) or pytest.fail("the example gains")
    assert low <= float(gain["rpm"][int(gain.to_numpy().argmax())]) <= high
    flat = both.torque.assign(gain=both.torque["gain"] * 0.0)
    assert gained_most(changed(both, comparison={"torque": flat})) is None


def test_a_page_says_all_that_is_printed_and_more(both: Build) -> None:
    printed, whole = build_document(both, depth=Depth.DETAIL), build_document(both)
    sections = tuple(each for each in printed.sections if not each.title.startswith("Full throttle"))
    assert len(sections) == len(printed.sections) - 1  # a page has this on its first screen
    assert set(all_words(replace(printed, sections=sections)).splitlines()) <= set(all_words(whole).splitlines())
    titles = [section.title for section in whole.sections]
    assert len(titles) == len(set(titles))
    assert {"Explore a cell", "Torque before and after", "Safe phases", "Hand check", "What went in"} <= set(titles)
