"""A logged phase becomes a true centreline, and a channel that does not read rest at rest is refused."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phaseopt.project import Channel
from phaseopt.torque import Reduction, reduce_logs

from .dyno import CHANNELS, COLUMNS, PULL, csv_text, dyno_project, mistake_of, mistakes_of, sweep, with_facts

SLEW = {"advance": 80.0, "retard": 100.0}
LOCKED = {"intake": {"phaser": {"travel": [0.0, 40.0], "rest_until": 1200, "slew": SLEW}}}


def reduced(folder: Path, log: dict[str, np.ndarray], pull: dict[str, Any] | None = None, **torque: Any) -> Reduction:
    return reduce_logs(dyno_project(folder, {"a.csv": csv_text(log)}, [PULL | (pull or {})], **torque))


def from_rest(rest: float, **columns: Any) -> dict[str, np.ndarray]:
    """A sweep that starts at 1000 rpm with the intake phaser locked, its channel reading `rest` there."""
    log = sweep(1000.0, 6000.0, **columns)
    return log | {"icam": np.where(log["rpm"] <= 1200.0, rest, 20.0)}


@given(
    st.floats(-50, 50),
    st.sampled_from([1, -1]),
    st.floats(-20, 20),
    st.sampled_from([("crank deg", 1), ("cam deg", 2)]),
)
def test_advance_undoes_how_the_channel_counts(phase: float, sign: int, zero: float, unit: tuple[str, int]) -> None:
    """A log written by the channel's own definition gives back the phase: one cam degree is two crank degrees."""
    logged = zero + sign * phase / unit[1]
    assert float(Channel(sign=sign, zero=zero, **{"in": unit[0]}).phase(logged)) == pytest.approx(phase, abs=1e-9)


def test_true_centrelines_take_the_offset_of_the_day(tmp_path: Path) -> None:
    """Common practice, no source: advancing brings icl nearer TDC, retarding the exhaust brings ecl nearer TDC.

    Nominal 110 and 110. Offsets of the project: -6 and 6. Phases: intake 20, exhaust -10.
    """
    points = reduced(tmp_path, sweep()).points
    assert np.unique(points["icl"]) == pytest.approx([110 + 6 - 20])
    assert np.unique(points["ecl"]) == pytest.approx([110 + 6 - 10])
    then = reduced(tmp_path, sweep(), {"offsets": {"intake": -12.0, "exhaust": 0.0}}).points
    assert np.unique(then["icl"]) == pytest.approx([110 + 12 - 20])
    assert np.unique(then["ecl"]) == pytest.approx([110 - 10])


def test_sign_zero_and_cam_degrees_of_a_channel_count(tmp_path: Path) -> None:
    phases = CHANNELS | {"exhaust": {"sign": -1, "zero": 2.0, "in": "cam deg"}}
    points = reduced(tmp_path, sweep(ecam=7.0), phases=phases).points
    assert np.unique(points["ecl"]) == pytest.approx([110 + 6 - 10])


def test_a_fixed_cam_stands_at_its_offset(tmp_path: Path) -> None:
    log = {name: values for name, values in sweep().items() if name != "ecam"}
    columns = {key: name for key, name in COLUMNS.items() if key != "exhaust_phase"}
    fixed = {"exhaust": {"phaser": None}}
    points = reduced(tmp_path, log, columns=columns, phases={"intake": CHANNELS["intake"]}, sections=fixed).points
    assert np.unique(points["ecl"]) == pytest.approx([116.0])


@pytest.mark.parametrize("rest", [1.4, -1.4])
def test_a_reading_near_zero_at_rest_is_good(tmp_path: Path, rest: float) -> None:
    notes = reduced(tmp_path, from_rest(rest), sections=LOCKED).notes
    assert not any("intake" in note and "rest" in note for note in notes)


@pytest.mark.parametrize(("rest", "unit", "away"), [(1.6, "crank deg", "1.6"), (0.8, "cam deg", "1.6")])
def test_a_reading_away_from_zero_at_rest_is_refused(tmp_path: Path, rest: float, unit: str, away: str) -> None:
    phases = CHANNELS | {"intake": {"sign": 1, "zero": 0.0, "in": unit}}
    mistake = mistake_of(reduced, tmp_path, from_rest(rest), phases=phases, sections=LOCKED)
    assert mistake.where == "torque.pulls (entry 1).rest.intake"
    assert with_facts([mistake.problem], f"reads {rest:g}", f"{away} crank degrees", "0.2 mm")


def test_both_stated_readings_are_checked_at_once(tmp_path: Path) -> None:
    mistakes = mistakes_of(reduced, tmp_path, sweep(), {"rest": {"intake": 3.0, "exhaust": -4.0}})
    assert [mistake.where.rpartition(".")[2] for mistake in mistakes] == ["intake", "exhaust"]


def test_an_accepted_reading_is_noted(tmp_path: Path) -> None:
    notes = reduced(tmp_path, from_rest(5.0), {"accept_rest": True}, sections=LOCKED).notes
    assert with_facts(notes, "5.0 crank degrees", "accept_rest")


def test_a_channel_that_nothing_checks_is_noted(tmp_path: Path) -> None:
    notes = reduced(tmp_path, sweep(), {"rest": {"intake": 0.2}}).notes
    assert len(with_facts(notes, "rest_until")) == len(with_facts(notes, "exhaust", "rest_until")) == 1


def test_a_command_moves_nothing_while_the_phaser_is_locked(tmp_path: Path) -> None:
    columns = {key: name for key, name in COLUMNS.items() if key != "intake_phase"} | {"intake_command": "icam"}
    reduction = reduced(tmp_path, sweep(1000.0, 6000.0), columns=columns, sections=LOCKED)
    points = reduction.points
    locked = points["rpm"] < 1100
    assert np.unique(points["icl"][locked]) == pytest.approx([116.0])
    assert np.unique(points["icl"][points["rpm"] > 1400]) == pytest.approx([96.0])
    assert with_facts(reduction.notes, "intake", "commanded")


def test_a_phase_outside_its_travel_betrays_a_wrong_sign(tmp_path: Path) -> None:
    phases = CHANNELS | {"intake": {"sign": -1, "zero": 0.0, "in": "crank deg"}}
    mistake = mistake_of(reduced, tmp_path, sweep(), phases=phases)
    assert mistake.where == "torque.phases.intake"
    assert "-20.0" in mistake.problem
    assert "sign" in mistake.hint
