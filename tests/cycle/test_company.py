"""A point's numbers depend on the point alone: not on threads, chunks, neighbours, order, or what ran before."""

from dataclasses import fields, replace

import numpy as np
import pytest
import xarray as xr

from phaseopt.cycle import chunks, schedule
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.grid import simulate
from phaseopt.cycle.scattered import run_scattered

from .sample import MESH, single

AXES = Axes(
    np.array([2500.0, 5000.0]), np.array([40.0, 70.0, 98.0]), np.array([88.0, 105.0, 122.0]), np.array([92.0, 110.0])
)
rng = np.random.default_rng(5)
POINTS = np.stack(
    [rng.uniform(1500.0, 7500.0, 14), rng.uniform(35.0, 100.0, 14), *rng.uniform(85.0, 125.0, (2, 14))], 1
)


def values(found, chosen=slice(None)):
    """All that a run says of some points, as bytes."""
    return [getattr(found, field.name)[chosen].tobytes() for field in fields(found)]


@pytest.fixture(scope="module")
def together():
    found = Simulator(single(), MESH).run(POINTS)
    assert found.settled.sum() >= 12
    return found


@pytest.mark.parametrize(("workers", "points"), [(1, 3), (2, 12), (3, 3), (2, 1000)])
def test_a_grid_is_the_same_bytes_from_any_threads_and_chunks(monkeypatch, workers, points):
    """Chunks of one load, of two or of all, on one, two or three threads."""
    usual = simulate(single(), AXES, mesh=MESH, workers=1)
    monkeypatch.setattr(chunks, "POINTS", points)
    xr.testing.assert_identical(simulate(single(), AXES, mesh=MESH, workers=workers), usual)


def test_a_grid_and_scattered_points_agree():
    """Each point of a grid, in any order and among others, and its neighbours left out."""
    grid = simulate(single(), AXES, mesh=MESH)
    points = np.stack([x.ravel() for x in np.meshgrid(*AXES, indexing="ij")], axis=1)
    order = np.random.default_rng(2).permutation(len(points))[:20]
    (found,) = run_scattered([single()], np.concatenate([POINTS[:3], points[order]]), mesh=MESH)
    torque = np.where(found.settled, found.torque, np.nan)
    assert np.array_equal(torque[3:], grid.torque.values.ravel()[order], equal_nan=True)


@pytest.mark.parametrize("seed", [1, 2])
def test_lanes_queues_and_what_ran_before_do_not_matter(together, seed):
    """The points shuffled, so that others are beside and before each, in a simulator that has run others already."""
    order = np.random.default_rng(seed).permutation(len(POINTS))
    simulator = Simulator(single(), MESH)
    simulator.run(POINTS[order[:4]] + np.array([130.0, -5.0, 3.0, -3.0]))
    assert values(simulator.run(POINTS[order])) == values(together, order)
    few = order[:3]
    assert values(simulator.run(POINTS[few])) == values(together, few)


def test_points_of_one_pull_share_lanes(monkeypatch):
    """At many speeds, with few numbers of steps in use: half as many cycles are marched at most, and torque is the same
    as nearly as cycles settle (0.5 %)."""
    pull = np.column_stack([np.linspace(1500.0, 7500.0, 24), np.tile([95.0, 104.0, 110.0], (24, 1))])
    marched, torque = [], []
    cycle = Simulator.cycle
    monkeypatch.setattr(Simulator, "cycle", lambda self: marched.append(few) or cycle(self))
    for few in (False, True):
        run_scattered([single()], pull, mesh=MESH, few=few, workers=1)  # homes are known from here on
        marched.clear()
        (found,) = run_scattered([single()], pull, mesh=MESH, few=few, workers=1)
        torque.append(found.torque)
        assert found.settled.all()
        if not few:
            many = len(marched)
    assert len(marched) <= many / 2
    np.testing.assert_allclose(torque[1], torque[0], rtol=5e-3)


@pytest.mark.parametrize("workers", [1, 3])
def test_engines_marched_together_are_as_alone(together, workers):
    """Several engines of one build share the lanes; one of another build is in the list too."""
    other = replace(single(), flow_factor=0.93, burn_duration=70.0)
    engines = [other, single(), replace(single(), bore=82.0)]
    found = run_scattered(engines, POINTS, mesh=MESH, workers=workers)
    assert values(found[1]) == values(together)
    for engine, result in zip(engines, found, strict=True):
        assert values(Simulator(engine, MESH).run(POINTS[4:6])) == values(result, slice(4, 6))
    assert not np.array_equal(found[0].torque, found[1].torque)


def test_a_point_that_needs_more_steps_gets_them_alone(monkeypatch):
    """With too few steps for some points: these are marched again with more, to the same bytes in any company."""
    monkeypatch.setattr(schedule, "COURANT", 1.12)
    raised = []
    steps = schedule.Schedule.steps

    def counted(self, point, again=0):
        raised.append(point if again else None)
        return steps(self, point, again)

    monkeypatch.setattr(schedule.Schedule, "steps", counted)
    found = Simulator(single(), MESH).run(POINTS)
    assert 0 < len({point[:4] for point in raised if point is not None} & {tuple(row) for row in POINTS.tolist()}) < 14
    for i in range(0, len(POINTS), 3):
        assert values(Simulator(single(), MESH).run(POINTS[i : i + 1])) == values(found, slice(i, i + 1))
