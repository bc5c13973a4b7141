"""What the torque model expects of an engine before a pull is seen, though the simulation was calibrated to them."""

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from cycle.sample import sample

from phaseopt.torque_model import Simulated

AXES = {"rpm": [2e3, 3e3, 4e3], "load": [50.0, 100.0], "icl": [100.0, 110.0, 120.0], "ecl": [100.0, 115.0]}
BETWEEN = np.array([[2400.0, 80.0, 103.0, 110.0], [3e3, 100.0, 110.0, 100.0]])


def torque(rpm, load, icl, ecl, flow=1.0, length=1.0):
    """An engine whose torque is a straight line in its factors, and over each axis."""
    return 2.0 * load + 0.01 * rpm + 0.1 * icl + (flow - 1.0) * (load + 0.02 * rpm) + (length - 1.0) * (icl - ecl)


def grid(**factors: float) -> xr.DataArray:
    nodes = np.meshgrid(*AXES.values(), indexing="ij")
    return xr.DataArray(torque(*nodes, **factors), AXES, tuple(AXES))


def simulated(effects: xr.Dataset | None) -> Simulated:
    columns = {name: ("point", BETWEEN[:, i]) for i, name in enumerate(AXES)}
    columns |= {"torque": ("point", np.ones(2)), "pull": ("point", [1, 2]), "scatter": ("point", np.ones(2))}
    columns["after"] = ("point", torque(*BETWEEN.T, flow=0.9))
    calibrated = grid(flow=0.9).to_dataset(name="torque")
    return Simulated(calibrated, sample(), None, xr.Dataset(columns), 0.08, effects)


def effects() -> xr.Dataset:
    """Of flow, known to 5 %, and a length, known to 2 %."""
    each = [0.05 * (grid(flow=2.0) - grid()), 0.02 * (grid(length=2.0) - grid())]
    columns = {"deviation": ("part", [0.05, 0.02]), "calibrated": ("part", [0.9, 1.0])}
    return xr.concat(each, "part").to_dataset(name="effect").assign(columns).assign_coords(part=["flow", "length"])


def test_it_is_the_engine_as_described_on_the_tangent_at_the_calibrated_one() -> None:
    """Which for straight lines is the described engine itself: pulls then count once, in the torque model."""
    expected = simulated(effects()).expected()
    assert expected.prior.at(BETWEEN) == pytest.approx(torque(*BETWEEN.T))
    assert expected.at_points == pytest.approx(torque(*BETWEEN.T))
    flow, length = (effect.at(BETWEEN) for effect in expected.effects)
    assert flow == pytest.approx(torque(*BETWEEN.T, flow=1.05) - torque(*BETWEEN.T))
    assert length == pytest.approx(torque(*BETWEEN.T, length=1.02) - torque(*BETWEEN.T))


def test_without_effects_it_is_the_grid_as_it_is() -> None:
    found = simulated(None)
    assert found.expected().prior.at(BETWEEN) == pytest.approx(torque(*BETWEEN.T, flow=0.9))
    assert found.expected().effects == ()
    assert replace(found, points=None).expected().at_points is None


def test_an_effect_that_did_not_settle_somewhere_leaves_no_hole() -> None:
    """It is what its neighbours make likely: a tolerance may be rough, torque may not."""
    holed = effects()
    holed["effect"][0, 1, 1, 1, 1] = np.nan
    assert np.isfinite(simulated(holed).expected().prior.at(BETWEEN)).all()
