"""Commanded beside measured phases: figures of a phaser, and logs that show none."""

import tomllib

import numpy as np
import pytest

from phaseopt.project import Phaser
from phaseopt.report.phaser_fragment import fragment_text, offers
from phaseopt.torque import phaser_response

from .dyno import csv_text, dyno_project, sweep
from .phaser_rig import Rig, recording

TO_AND_FRO = [5.0, 25.0, 10.0, 30.0, 15.0, 35.0, 5.0]


@pytest.fixture
def project(tmp_path):
    return dyno_project(tmp_path, {"a.csv": csv_text(sweep())})


def response(project, *logs):
    """The intake's."""
    return phaser_response(project, project.torque, logs)[0]


def logs(rig, count=3, **how):
    """Recordings at several speeds."""
    return [recording(rig, TO_AND_FRO, rpm=2000.0 + 1500.0 * k, seed=k, **how) for k in range(count)]


def test_a_known_phaser_is_measured(project):
    """Speeds by direction, delay and steady error of a phaser moved by scipy, each within its own standard errors."""
    rig = Rig()
    found = response(project, *logs(rig, bias=-0.6))
    advance, retard = found.moving("advance"), found.moving("retard")
    assert advance.speed == pytest.approx(rig.truth(20.0)[0], abs=4 * advance.speed_error)
    assert advance.speed_error < 5.0
    assert retard.speed == pytest.approx(np.mean([rig.truth(-15.0)[0], rig.truth(-30.0)[0]]), rel=0.06)
    assert advance.delay == pytest.approx(rig.delay, abs=0.006)
    assert found.steady.bias == pytest.approx(-0.6, abs=0.05)
    assert found.steady.spread == pytest.approx(0.3, abs=0.05)  # noise of the sensor; the phaser itself stands still
    assert {(moves.rpm_from, moves.rpm_to) for moves in found.by_speed} == {(r, r) for r in (2000.0, 3500.0, 5000.0)}


def test_figures_offered_are_on_the_cautious_side(project):
    """Of a known phaser no offered error, swing or speed is bolder than the truth."""
    rig = Rig(omega=25.0, damping=0.45, advance=160.0, retard=120.0)
    found = response(project, *logs(rig, bias=0.8))
    figures = {offer.key: offer.logged for offer in offers(project, found)}
    swings = [rig.truth(size)[1] for size in (20.0, -30.0)]
    assert figures["error"] >= 0.8
    assert figures["overshoot"] >= max(swings)
    assert figures["overshoot"] < max(swings) + 1.0
    assert 0.7 * rig.truth(20.0)[0] < figures["slew.advance"] <= rig.truth(20.0)[0]
    assert 0.7 * rig.truth(-15.0)[0] < figures["slew.retard"] <= rig.truth(-15.0)[0]


def test_how_late_it_begins_is_offered_where_the_looser_rule_rests_on_it(project):
    """The rig's dead time is known, and it stays 2 ζ / ω more behind a moving target; what is offered is no less."""
    rig = Rig(delay=0.09)
    behind = rig.delay + 2 * rig.damping / rig.omega
    found = response(project, *logs(rig))
    looser = project.model_copy(update={"gap": project.gap.model_copy(update={"between": "neighbouring cells"})})
    figures = {offer.key: offer for offer in offers(looser, found)}
    assert behind <= figures["delay"].logged <= behind + 0.03
    assert figures["delay"].bolder  # 0.1 s is the default
    assert "delay" not in {offer.key for offer in offers(project, found)}
    assert tomllib.loads(fragment_text(looser, [found]))["intake"]["phaser"]["delay"] == figures["delay"].logged


def test_fragment_is_toml_that_a_phaser_takes(project):
    found = response(project, *logs(Rig(), bias=1.7))
    text = fragment_text(project, [found])
    section = tomllib.loads(text)["intake"]["phaser"]
    stated = project.phaser_of("intake")
    taken = Phaser.model_validate(stated.model_dump() | section)
    assert taken.error >= 1.7
    assert taken.slew.retard <= 100.0
    assert "THE PROJECT IS BOLDER" in text  # its error is stated as 1
    assert "Nothing of this is applied" in text


def test_slower_phaser_shows_by_speed(project):
    """Oil pressure grows with speed: the slow one at low speed decides."""
    slow = recording(Rig(advance=70.0, retard=60.0), TO_AND_FRO, rpm=1500.0, hold=3.0)
    fast = recording(Rig(), TO_AND_FRO, rpm=4500.0, seed=1)
    found = response(project, slow, fast)
    assert found.moving("advance").slowest < 71.0
    by_speed = {(one.direction, one.rpm_from): one.speed for one in found.by_speed}
    assert by_speed["advance", 1500.0] < 72.0 < 120.0 < by_speed["advance", 4500.0]


def test_steps_to_a_stop_show_no_swing(project):
    """A swing into either end of the travel is caught there."""
    least, most = project.phaser_of("intake").travel
    found = response(project, recording(Rig(), [least, most] * 4))
    assert found.moving("advance").speed > 0
    assert np.isnan(found.swing)
    assert any("stop" in why for why in found.not_shown)
    assert "overshoot" not in {offer.key for offer in offers(project, found)}


def test_coarse_log_offers_no_overshoot(project):
    found = response(project, *logs(Rig(retard=150.0), rate=6.0))
    keys = {offer.key for offer in offers(project, found)}
    assert keys == {"error", "slew.advance", "slew.retard"}
    assert found.moving("retard").only_lowest
    assert any("log phases 5 times faster" in why for why in found.not_shown)


def test_a_held_command_shows_the_steady_error_alone(project):
    found = response(project, *(recording(Rig(), [level], hold=5.0, seed=int(level)) for level in (0.0, 10.0, 20.0)))
    assert found.moves == ()
    assert found.steady.holds == 3
    assert sum("fewer than 2 sudden steps" in why for why in found.not_shown) == 2


def test_without_both_channels_there_is_no_figure(project):
    log = recording(Rig(), TO_AND_FRO).drop_vars("intake_command")
    found = response(project, log)
    assert found.steady is None
    assert offers(project, found) == ()
    (why,) = found.not_shown
    assert "intake_command" in why
    assert tomllib.loads(fragment_text(project, [found])) == {"intake": {"phaser": {}}}


def test_rows_at_which_the_phaser_is_locked_are_left_out(tmp_path):
    """Locked at rest below rest_until, it cannot follow: that is no error of the phaser."""
    project = dyno_project(tmp_path, {"a.csv": csv_text(sweep())})
    locked = project.phaser_of("intake").model_copy(update={"rest_until": 1500.0})
    project = project.model_copy(update={"intake": project.intake.model_copy(update={"phaser": locked})})
    log = recording(Rig(), [20.0, 30.0, 20.0], rpm=1000.0)
    found = response(project, log.assign(intake_phase=log["intake_phase"] * 0.0))
    assert found.holds == ()


def test_hysteresis_counts_as_steady_error(project):
    """A phaser that stops short, after each step on the side it came from: the mean says nothing, the bound does."""
    found = response(
        project,
        *(recording(Rig(), [5.0, 20.0], bias=side, seed=k) for k, side in enumerate((-1.0, 1.0, -1.0, 1.0))),
    )
    assert abs(found.steady.bias) < 0.3
    assert found.steady.bound > 2.0


def test_rows_made_by_interpolation_are_not_counted_as_logged(project):
    """A phase logged 6 times a second on rows of 60: as coarse as a log of 6 rows a second."""
    coarse = recording(Rig(retard=150.0), TO_AND_FRO, rate=6.0)
    fine = np.arange(0.0, float(coarse["time"][-1]), 1.0 / 60.0)
    joined = coarse.isel(row=np.zeros(len(fine), dtype=int))
    for name in coarse.data_vars:
        values = np.interp(fine, coarse["time"], coarse[name])
        joined[name] = ("row", values, coarse[name].attrs | ({"rate": 6.0} if name != "rpm" else {}))
    joined["time"] = ("row", fine)
    found = response(project, joined)
    assert found.moving("advance").only_lowest
    assert found.moving("advance").slowest <= Rig().truth(20.0)[0]


def test_a_command_that_dithers_says_the_same(project):
    """A controller that trims its target by a tenth or two of a degree all the time."""
    steady, dithering = recording(Rig(), TO_AND_FRO), recording(Rig(), TO_AND_FRO)
    dither = 0.15 * np.sign(np.sin(np.arange(steady.sizes["row"])))
    dithering["intake_command"] = dithering["intake_command"] + dither
    one, other = (response(project, log).moving("advance") for log in (steady, dithering))
    assert other.steps == one.steps
    assert other.speed == pytest.approx(one.speed, rel=0.03)
    assert other.delay == pytest.approx(one.delay, abs=0.005)


def test_many_steps_are_thinned_in_both_directions(project, monkeypatch):
    """The longest steps of this log go one way; the other is not forgotten for it."""
    monkeypatch.setattr("phaseopt.torque.phasers.MOST_STEPS", 2)
    found = response(project, recording(Rig(), TO_AND_FRO))
    assert (found.moving("advance").steps, found.moving("retard").steps) == (2, 2)
    assert sum("2 longest" in why for why in found.not_shown) == 2
