"""What a report says of a simulation: never more than was measured, and always what is not modelled."""

import re
from dataclasses import replace

import numpy as np
import pytest
from parts import changed
from read_document import all_words, lines_of, table_of
from simulated import CALIBRATION, alone, with_prior

from phaseopt.cycle.grid import KNOCK
from phaseopt.job.build import Build
from phaseopt.report.document import Depth, ShadedTable
from phaseopt.report.figures import build as figures
from phaseopt.report.figures import calibration as calibration_figures
from phaseopt.report.page import page
from phaseopt.report.simulation import calibration_line, depression_lines, far_off, grid_lines, notes
from phaseopt.report.subjects.build import build_document
from phaseopt.report.terminal import terminal_text
from phaseopt.torque import LoggedDepression
from phaseopt.values.display_units import METRIC
from report.test_figures import words_of
from report.test_page import read

MEASURED_WORDS = ("pull", "log", "dyno log", "measured point", "left out")


@pytest.fixture(scope="module")
def simulated_only(both: Build) -> Build:
    return alone(both)


@pytest.fixture(scope="module")
def prior(both: Build) -> Build:
    return with_prior(both)


def test_without_a_simulation_nothing_is_said_of_one(both: Build, both_files: dict[str, str]) -> None:
    assert notes(both) == ()
    for said in (
        terminal_text(build_document(both, depth=Depth.DETAIL)),
        "".join(read(both_files["report.html"]).text),
    ):
        assert "simulat" not in said
        assert "nock is not" not in said


def test_simulation_alone_is_said_on_top_and_does_not_read_as_if_there_were_pulls(simulated_only: Build) -> None:
    found = build_document(simulated_only)
    measured, knock = found.lead[:2]
    assert simulated_only.model.simulation is not None
    assert (measured, knock) == simulated_only.model.simulation.notes
    assert "8 %" in measured
    assert knock == KNOCK
    words = all_words(found)
    for word in MEASURED_WORDS:
        assert word not in words, word
    assert "a judgement" in words_of(figures.full_load_torque(simulated_only))


def test_pulls_on_a_simulation_are_said_with_what_calibration_did(prior: Build) -> None:
    found = build_document(prior)
    assert prior.model.simulation is not None
    assert set(prior.model.simulation.notes) <= set(found.lead)
    calibrated, fit = lines_of(found, "Torque model")
    assert "9.8 N·m (rms) off the measured points before, 4.2 N·m after" in calibrated
    assert "A pull left out is predicted to" in fit
    factors = {row.label: row.cells for row in table_of(found, "Calibration").rows}
    assert factors["flow"][:2] == ("1.052", "± 0.024")  # twice the standard error
    assert "refused: the data leave it uncertain by 40 % of its range" in factors["wall temperature"][2]


def test_points_that_did_not_settle_and_timings_that_would_touch_are_counted(simulated_only: Build) -> None:
    assert simulated_only.model.simulation is not None
    shown = grid_lines(simulated_only, simulated_only.model.simulation)
    load = simulated_only.tables.load[0]
    assert "180 operating points: 5 speeds" in shown[0]
    assert "3 intake centrelines" in shown[0]
    assert "all but 2 (1.1 %)" in shown[1]
    assert f"2 of them at {load:g} kPa" in shown[1]
    assert "4 of 12 timings by speed HIT" in shown[2]


def test_a_description_far_off_the_pulls_is_a_caution_on_every_output(prior: Build) -> None:
    """Half of mean torque is far off, 10 N·m of about 150 is not."""
    assert prior.model.simulation is not None
    assert far_off(prior.model.simulation, METRIC.torque) == ()
    wrong = replace(prior.model.simulation, calibration=replace(CALIBRATION, before=75.0))
    off = changed(prior, model={"simulation": wrong})
    (caution,) = far_off(wrong, METRIC.torque)
    assert "75 N·m" in caution
    for depth in Depth:
        assert caution in build_document(off, depth=depth).cautions
    assert caution in " ".join(terminal_text(build_document(off, depth=Depth.ANSWER)).split())
    assert caution in "".join(read(page(build_document(off), "phaseopt build")).text)


def test_full_throttle_as_logged_is_shown_with_what_the_project_states(prior: Build) -> None:
    """1.0 kPa at 2000 rpm and 4.0 at 8000 is 0.8 + 0.05 (rpm/1000)²; the project says the usual 2."""
    assert prior.model.simulation is not None
    assert depression_lines(prior) == []  # none was looked for

    def lines(found: LoggedDepression, stated: float | None = None) -> list[str]:
        assert prior.project.cycle is not None
        cycle = prior.project.cycle.model_copy(update={"full_throttle_depression": stated})
        simulation = replace(prior.model.simulation, depression=found)  # type: ignore[type-var]
        project = prior.project.model_copy(update={"cycle": cycle})
        return depression_lines(changed(prior, project=project, model={"simulation": simulation}))

    law = LoggedDepression(zero=0.8, loss=0.05, scatter=0.1, span=(2000.0, 8000.0), pulls=3)
    (used,) = lines(law)
    for words in ("1.0 kPa", "2000 rpm", "4.0 kPa", "8000"):
        assert words in used
    (at_the_ends,) = lines(replace(law, zero=0.0, loss=0.5))  # 2 and 32 kPa; 20 can be held
    assert "20.0 kPa" in at_the_ends
    assert len(lines(law, 3.5)) == 2  # 2.5 kPa from what was logged
    assert len(lines(replace(law, loss=0.0), 0.8)) == 1
    assert "1.8 kPa below the barometer" in lines(replace(law, taken_off=1.8))[1]
    (refused,) = lines(LoggedDepression(refused="no pull logged it"), 1.5)
    assert "1.5 kPa" in refused
    assert "no pull logged it" in refused


def test_a_calibration_that_fits_nothing_says_why(prior: Build) -> None:
    none = replace(CALIBRATION, factors={}, errors={})
    assert "the data determine none of the factors" in calibration_line(none, METRIC.torque)
    assert "the project asks for none" in calibration_line(replace(none, refused={}), METRIC.torque)
    assert prior.model.simulation is not None
    bare = changed(prior, model={"simulation": replace(prior.model.simulation, calibration=replace(none, refused={}))})
    assert "Calibration: effective" not in all_words(build_document(bare))


def test_figures_of_the_simulation_say_what_they_show(prior: Build) -> None:
    shown = words_of(calibration_figures.measured_and_simulated(prior))
    for words in (
        "measured torque, N·m",
        "as described: 9.8 N·m (rms)",
        "calibrated: 4.2 N·m (rms)",
        "engine speed, rpm",
    ):
        assert words in shown
    shown = words_of(calibration_figures.filling(prior))
    assert "volumetric efficiency" in shown
    assert f"before: {prior.baseline.name}" in shown


def test_air_is_shown_where_it_was_simulated(simulated_only: Build) -> None:
    *_, air = build_document(simulated_only).blocks(ShadedTable)
    texts = [[cell.text for cell in cells] for _, cells in air.rows]
    assert texts[0] == ["1.000", "1.000", "1.111"]
    assert texts[1].count("") == 1  # not simulated


def test_a_gain_that_is_not_known_is_not_printed_as_a_number(simulated_only: Build) -> None:
    torque = simulated_only.torque.assign(gain=simulated_only.torque["gain"] * np.nan)
    nothing = replace(simulated_only.comparison.gains, before=np.nan, after=np.nan, deviation=np.nan)
    lost = build_document(changed(simulated_only, comparison={"gains": nothing, "torque": torque}))
    assert lines_of(lost, "Gain")[0].startswith("The average gain at full throttle over rest timing is not known")
    assert not re.search(r"\bnan\b", page(lost, "phaseopt build").lower())
