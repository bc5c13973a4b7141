"""What a torque model's own readings show of it, on invented pulls."""

import math

import numpy as np
import pytest
import xarray as xr
from hillclimb import HILLCLIMB, pulls_alone

from phaseopt.project.load import load_project
from phaseopt.torque.phases import centreline
from phaseopt.torque_model import deviations, torque_model, torque_trust
from phaseopt.torque_model.trust import centrelines, unknown
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent


@pytest.fixture(scope="module")
def example():
    project = pulls_alone()
    return project, torque_model(project, silent)


def points(timings, *, full=True, speeds=5):
    """Points of a pull at each (icl, ecl)."""
    n = len(timings) * speeds
    icl, ecl = (np.repeat([timing[k] for timing in timings], speeds).astype(float) for k in (0, 1))
    variables = {
        "icl": icl,
        "ecl": ecl,
        "full_throttle": np.full(n, full),
        "pull": np.repeat(range(len(timings)), speeds),
    }
    return xr.Dataset({name: ("point", values) for name, values in variables.items()})


@pytest.mark.parametrize(
    ("timings", "full", "missing"),
    [
        ([(110, 110)], True, {"drift", "icl", "ecl", "part load"}),
        ([(110, 110), (110, 110)], False, {"icl", "ecl", "full load"}),
        ([(110, 100), (100, 100)], True, {"ecl", "part load"}),
        ([(110, 100), (100, 110), (90, 120)], True, {"each cam", "part load"}),
        ([(110, 100), (100, 100), (100, 110), (110, 110)], True, {"part load"}),
    ],
)
def test_what_pulls_cannot_show_is_listed_with_its_fix(timings, full, missing):
    found = unknown(points(timings, full=full), simulated=False)
    assert found.keys() == missing
    assert all("Make" in sentence or "Log" in sentence for sentence in found.values())


def test_a_simulation_fills_in_and_is_named():
    found = unknown(points([(110, 110)]), simulated=True)
    assert all("simulation" in found[key] for key in ("icl", "ecl", "part load"))


def test_left_out_pulls_are_listed_one_by_one(example):
    _, model = example
    trust = torque_trust(*example)
    assert [pull.name for pull in trust.pulls] == model.reduction.points["pull_name"].to_numpy().tolist()
    count = np.array([pull.points for pull in trust.pulls])
    squares = np.array([pull.rmse for pull in trust.pulls]) ** 2
    assert count.sum() == model.reduction.points.sizes["point"]
    assert np.sqrt(count @ squares / count.sum()) == pytest.approx(model.lopo_rmse)
    inside = np.array([pull.inside for pull in trust.pulls])
    assert count @ inside / count.sum() == pytest.approx(trust.by_pull[1].inside)
    assert trust.unknown == ()


def test_deviation_is_least_where_pulls_were_made_and_greatest_far_from_them(example):
    """And is that of the model: a corner of the travel, speed by speed."""
    project, model = example
    found = deviations(project, model.surface)["over_timing"]
    assert found.min() < 0.3 * found.max()
    far = found.isel(intake_phase=-1, exhaust_phase=0)
    icl = centrelines(project, "intake", np.array([45.0]))[0]
    ecl = centrelines(project, "exhaust", np.array([-40.0]))[0]
    at = [[rpm, project.tables.load[-1], icl, ecl] for rpm in project.tables.rpm]
    assert float(far) == pytest.approx(math.sqrt(np.mean(model.surface.predict(at)[1] ** 2)))


def test_centrelines_are_those_of_a_pull_made_today():
    project = load_project(HILLCLIMB)
    today = project.torque.pulls[1]
    for side in ("intake", "exhaust"):
        phase = np.array([0.0, 12.5])
        np.testing.assert_allclose(centrelines(project, side, phase), centreline(side, phase, project, today))


def test_a_project_without_pulls_has_nothing_to_be_judged_by(example):
    project, model = example
    with pytest.raises(InputError) as caught:
        torque_trust(project.model_copy(update={"torque": None, "cycle": load_project(HILLCLIMB).cycle}), model)
    (mistake,) = caught.value.mistakes
    assert mistake.where == "torque"
    assert "[torque]" in mistake.hint
