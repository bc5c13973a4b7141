"""Pulls that do what no other does are named; pulls that only breathe otherwise are not.

Torque is that of engines that are none of ours (`outside.dyno_days`), with faults planted in it.
"""

from pathlib import Path

import numpy as np
import pytest
from engines import project_of
from outside.dyno_days import TRAVEL, Day, Pull, make_day, plant

from phaseopt.project import Project, Weather
from phaseopt.project import Pull as ProjectPull
from phaseopt.torque import reduce_logs, reduce_pull

from .dyno import mistakes_of, with_facts

ENGINE = "road four, uneven"
COLUMNS = {
    "time": "t_ms", "rpm": "N", "torque": "TRQ", "load": "MAP", "throttle": "TPS", "air_temperature": "IAT",
    "mixture": "LAM", "spark": "SPK", "intake_phase": "CAMI", "exhaust_phase": "CAME",
}  # fmt: skip


def day(fault: str = "", seed: int = 3) -> Day:
    made = make_day(ENGINE, 11, 0.0, 6)
    return plant(made, fault, seed) if fault else made


def project_with(folder: Path, pulls: list[Pull], **torque: object) -> Project:
    """The day as its builder would describe it."""
    engine, slew = day().engine, {"slew": {"advance": 100.0, "retard": 100.0}}
    entries = [
        {"name": p.name, "files": [f"{p.name}.csv"],
         "weather": dict(zip(("pressure", "temperature", "humidity"), map(float, p.weather), strict=True))}
        for p in pulls
    ]  # fmt: skip
    section = {
        "correction": "SAE J1349", "columns": COLUMNS, "full_throttle": {"throttle_above": 95}, "pulls": entries,
        "units": {"torque": "lbf ft", "time": "ms"}, "dyno": {"at": "flywheel", "engine_inertia": 0.12},
        "phases": {"intake": {"sign": 1, "zero": 0.0, "in": "cam deg"},
                   "exhaust": {"sign": -1, "zero": 5.0, "in": "crank deg"}},
    }  # fmt: skip
    return project_of(
        folder,
        {f"{p.name}.csv": p.text(lambda_logged=True) for p in pulls},
        crank={"bore": engine.bore, "stroke": engine.stroke},
        intake={"centreline": 128.0, "phaser": {"travel": [0.0, TRAVEL], **slew}},
        exhaust={"centreline": 128.0, "phaser": {"travel": [-TRAVEL, 0.0], **slew}},
        torque=section | torque,
    )


def test_good_pulls_are_not_named(tmp_path: Path) -> None:
    assert reduce_logs(project_with(tmp_path, day().pulls)).first == ()


@pytest.mark.parametrize(
    ("fault", "word"),
    [
        ("fuel starvation", "fuel"),
        ("misfire", "misfire"),
        ("weather of another day", "weather"),
        ("another spark", "spark"),
    ],
)
def test_a_pull_that_does_what_no_other_does_is_named(tmp_path: Path, fault: str, word: str) -> None:
    bad = day(fault)
    first = reduce_logs(project_with(tmp_path, bad.pulls)).first
    assert with_facts(first, bad.faulty, word)
    good = {pull.name for pull in bad.pulls} - {bad.faulty}
    assert not [line for line in first if any(name in line for name in good)]


@pytest.mark.parametrize("fault", ["torque that is power", "phase channel of another file"])
def test_what_is_no_torque_of_this_pull_is_refused_until_it_is_left_out(tmp_path: Path, fault: str) -> None:
    bad = day(fault)
    project = project_with(tmp_path, bad.pulls)
    first = mistakes_of(reduce_logs, project)[0]
    problem, hint = first.problem, first.hint
    assert "leave_out" in hint
    named = next(pull.name for pull in bad.pulls if f"{pull.name}.csv" in hint)
    assert named in problem
    left = reduce_logs(project_with(tmp_path, bad.pulls, leave_out=[f"{named}.csv"]))
    assert named not in left.points["pull_name"].values.tolist()
    assert len(left.points["pull_name"]) == len(bad.pulls) - 1


def test_an_extra_pull_at_another_spark_says_that_its_gain_is_not_the_cams_alone(tmp_path: Path) -> None:
    bad = day("another spark")
    number = next(k for k, pull in enumerate(bad.pulls) if pull.name == bad.faulty)
    project = project_with(tmp_path, bad.pulls, leave_out=[f"{bad.faulty}.csv"])
    p, t, h = map(float, bad.pulls[number].weather)
    weather = Weather(pressure=p, temperature=t, humidity=h)
    extra = ProjectPull(files=(f"{bad.faulty}.csv",), weather=weather)
    assert with_facts(reduce_pull(project, extra, "after").notes, "after", "not at best spark")


def test_stated_gain_of_spark_brings_a_pull_to_the_usual_spark(tmp_path: Path) -> None:
    """Source: the planted loss, 0.0006 of torque times the square of degrees, as a straight line over those degrees."""
    good, bad = day(), day("another spark")
    number = next(k for k, pull in enumerate(bad.pulls) if pull.name == bad.faulty)
    later = float(np.median(good.pulls[number].channels["spark"] - bad.pulls[number].channels["spark"]))
    found = []
    for name, made, gain in (("good", good, None), ("plain", bad, None), ("adjusted", bad, 0.0006 * later)):
        (tmp_path / name).mkdir()
        reduction = reduce_logs(project_with(tmp_path / name, made.pulls, **({"spark_gain": gain} if gain else {})))
        points = reduction.points
        found.append(float(points["torque"].where((points["pull"] == number) & points["full_throttle"]).mean()))
        assert bool(with_facts(reduction.first, bad.faulty, "spark")) == (name == "plain")
    assert abs(found[2] - found[0]) < 0.3 * abs(found[1] - found[0])
