"""The traced cycle against the production run of the same point."""

from dataclasses import replace

import numpy as np
import pytest

from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.traces import TRACES, traces

from .sample import sample
from .test_engine import COARSE

POINT = (4500.0, 98.0, 108.0, 112.0)


@pytest.fixture(scope="module")
def trace():
    return traces(sample(), *POINT, mesh=COARSE)


def test_it_is_the_production_runs_cycle(trace):
    """Work from the p-V loop, and the highest pressure: those of the run, to twice the 0.1 % that it settled to.

    Work of one cylinder's loop by the trapezoidal rule (closed where the cycle ends); the run's mean of all cylinders.
    """
    run = Simulator(sample(), COARSE).run(np.array([POINT]))
    p, v = trace.cylinder_pressure.values, trace.volume.values * 1e-6
    work = (0.5 * (p + np.roll(p, -1)) * (np.roll(v, -1) - v)).sum()
    swept = sample().displacement / 4
    assert trace.settled
    assert work / swept == pytest.approx(run.imep[0] * 1e-3, rel=2e-3)
    assert p.max() == pytest.approx(run.peak_pressure[0] * 1e-3, rel=2e-3)
    assert trace.imep == pytest.approx(run.imep[0], rel=2e-3)


def test_flows_carry_what_was_trapped(trace):
    """What came in less what went back out through the intake valves is fresh charge; as much leaves by the exhaust."""
    seconds = 120.0 / POINT[0] / len(trace.crank_angle)
    came = trace.intake_flow.values.sum() * seconds * 1e3  # mg
    left = trace.exhaust_flow.values.sum() * seconds * 1e3
    assert came == pytest.approx(left, rel=2e-3)
    assert came == pytest.approx(trace.trapped_mass * (1 - trace.residual_fraction) * 1e6, rel=0.02)


def test_angles_and_units(trace):
    """Lift peaks at the centrelines, firing at the ends of the axis, gas exchange in its middle."""
    angle = trace.crank_angle.values
    assert angle[0] == pytest.approx(-360.0)
    assert np.all(np.diff(angle) > 0.0)
    assert angle[trace.intake_lift.values.argmax()] == pytest.approx(108.0, abs=1.5)
    assert angle[trace.exhaust_lift.values.argmax()] == pytest.approx(-112.0, abs=1.5)
    assert -360.0 < angle[trace.cylinder_pressure.values.argmax()] < -330.0
    assert all(trace[name].attrs["units"] == unit for name, (unit, _, _) in TRACES.items())


def test_cylinder_1_need_not_fire_first():
    """Another firing order of the same even engine: the same traces."""
    other = replace(sample(), firing_order=(3, 4, 2, 1))
    a, b = (traces(c, *POINT, mesh=COARSE) for c in (sample(), other))
    assert b.cylinder_pressure.values == pytest.approx(a.cylinder_pressure.values, rel=5e-3)
    assert b.intake_lift.identical(a.intake_lift)
