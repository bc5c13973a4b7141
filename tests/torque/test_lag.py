"""Torque that is logged late is moved back to what made it."""

from pathlib import Path

import numpy as np
import pytest
from outside.dyno_days import make_day
from scipy.ndimage import shift

from phaseopt.torque import reduce_logs
from phaseopt.torque.lag import Recording, SweepRun, lateness

from .dyno import COLUMNS, PULL, csv_text, dyno_project, filtered_noise, with_facts


def stepped(seconds: float, hertz: float = 20.0, seed: int = 1, noise: float = 1.0) -> dict[str, np.ndarray]:
    """Phases and pressure that step every four seconds at a steady speed; torque answers after so many seconds."""
    rng, rows = np.random.default_rng(seed), int(60 * hertz)
    hold = np.arange(rows) // int(4 * hertz)
    intake, load = rng.choice([5.0, 15.0, 25.0], 15)[hold], rng.choice([50.0, 60.0, 70.0], 15)[hold]
    made = 80.0 + 0.8 * intake + 1.0 * load - 0.02 * (intake - 15.0) ** 2
    torque = shift(made, seconds * hertz, order=1, mode="nearest") + filtered_noise(rng, rows, noise, 0.7)
    jitter = rng.normal(0, 0.2, (4, rows))
    return {
        "t": np.arange(rows) / hertz, "rpm": 3000 + 10 * jitter[0], "tq": torque, "map": load + jitter[1],
        "tps": np.full(rows, 40.0), "icam": intake + jitter[2], "ecam": -10.0 + jitter[3],
    }  # fmt: skip


def recording(log: dict[str, np.ndarray]) -> tuple[Recording, float]:
    return Recording(log["tq"], log["rpm"], np.stack([log["icam"], log["map"]])), 0.05


@pytest.mark.parametrize("seconds", [0.0, 0.12, 0.3, 0.65])
def test_a_known_delay_is_found(seconds: float) -> None:
    """Source: the delay that the signal was made with; its interval must hold it."""
    found = lateness([], [recording(stepped(seconds))]).lag
    assert found.seconds == pytest.approx(seconds, abs=0.03)
    assert found.least <= seconds <= found.most
    assert (found.applied > 0.0) == (seconds > 0.05)


def test_a_lag_that_nothing_shows_is_not_found() -> None:
    """Torque that no cause moves, and causes that only creep."""
    log = stepped(0.3)
    nothing = log | {"tq": 100 + filtered_noise(np.random.default_rng(2), 1200, 2.0, 0.9)}
    assert not lateness([], [recording(nothing)]).lag.known
    creeping = np.linspace(0, 30, 1200)
    noise = filtered_noise(np.random.default_rng(2), 1200, 1.0, 0.7)
    ramp = log | {
        "icam": creeping,
        "map": np.full(1200, 60.0),
        "tq": 100 + creeping + noise,
    }
    assert not lateness([], [recording(ramp)]).lag.known


def test_it_is_seldom_found_in_noise() -> None:
    """50 logs in which torque is noise: none shows a lag (chance of one, under the likelihood taken, below 0.1)."""
    rng = np.random.default_rng(3)
    found = [
        lateness([], [recording(stepped(0.0, seed=k) | {"tq": filtered_noise(rng, 1200, 2.0, 0.8)})]).lag
        for k in range(50)
    ]
    assert not any(lag.known for lag in found)


def runs_of(engine: str, seed: int, lag: float, *, kinds: tuple[str, ...] = ()) -> list[SweepRun]:
    """Sweeps of a day that is none of ours (`outside.dyno_days`), of some kinds of pulls or all."""
    pulls = [p for p in make_day(engine, seed, lag, 6).pulls if not kinds or p.kind in kinds]
    names = ("time", "torque", "rpm", "intake", "exhaust")
    return [SweepRun(*(p.channels[name] for name in names), p.channels["throttle"] > 95) for p in pulls]


@pytest.mark.parametrize(("engine", "lag"), [("road four, narrow tail", 0.0), ("small four, hot", 0.4)])
def test_sweeps_of_an_outside_engine_show_one_lag(engine: str, lag: float) -> None:
    """Humps of torque over speed are no answer to phase. Source: the lag with which the outside dyno was made."""
    found = lateness(runs_of(engine, 4, lag)).lag
    assert found.known
    assert found.least <= lag <= found.most
    assert found.applied == pytest.approx(lag, abs=0.1)


def test_held_pulls_at_one_rate_cannot_show_a_lag() -> None:
    """Nothing is shifted, and nothing moves whose torque it could have smeared."""
    runs = runs_of("small four, hot", 4, 0.4, kinds=("held", "baseline"))
    found = lateness(runs)
    assert not found.lag.known
    assert found.lag.applied == 0.0
    assert found.lag.deviation > 0.1
    assert max(float(np.abs(each).max()) for each in found.by_phases) == 0.0


def test_steady_points_of_late_torque_come_back(tmp_path: Path) -> None:
    log = stepped(0.6, noise=0.3)
    pull = PULL | {"kind": "steady"}
    project = dyno_project(tmp_path, {"a.csv": csv_text(log)}, [pull], columns=COLUMNS | {"time": "t"})
    reduction = reduce_logs(project)
    points = reduction.points
    phase = 116 - points["icl"].values
    made = 80.0 + 0.8 * phase + 1.0 * points["load"].values - 0.02 * (phase - 15.0) ** 2
    assert points["torque"].values == pytest.approx(made, abs=0.6)
    assert with_facts(reduction.notes, "0.60 s late")
    assert any("ends before torque" in one.reason for one in reduction.rejected)
