"""What cylinders that stand elsewhere take from torque: by the outside engine, and by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from engines import project_of
from outside import engine as outside_engine
from outside.engine import family

from phaseopt.report.simulation_facts import spread_cost
from phaseopt.report.subjects.simulate import spread_line
from phaseopt.values.display_units import METRIC

SPREAD = {"intake": [0.0, 2.0, -2.0, 1.0], "exhaust": [1.0, 0.0, 0.0, -1.0]}


def grid(project, torque):  # type: ignore[no-untyped-def]
    """A grid at one speed and load on which every timing is clear."""
    axes = {"rpm": [4000.0], "load": [100.0], "icl": np.arange(70.0, 121.0, 2.0), "ecl": np.arange(70.0, 121.0, 2.0)}
    nodes = np.meshgrid(*axes.values(), indexing="ij")
    shape = (1, len(axes["icl"]), len(axes["ecl"]))
    values = torque(nodes[2], nodes[3])
    return xr.Dataset(
        {
            "torque": (tuple(axes), values),
            "volumetric_efficiency": (tuple(axes), np.ones_like(values)),
            "plenum_pressure": (("rpm", "load"), [[98.0]]),
            "contact": (("rpm", "icl", "ecl"), np.zeros(shape, dtype=np.int8)),
        },
        axes,
    )


def test_a_parabola_loses_its_mean_square(tmp_path: Path) -> None:
    """Of torque that falls by so much a squared degree; a spread about the best timing loses that much."""
    project = project_of(tmp_path, intake={"spread": SPREAD["intake"]}, exhaust={"spread": SPREAD["exhaust"]})
    best = 96.0
    cost = spread_cost(project, grid(project, lambda i, e: 150.0 - 0.05 * (i - best) ** 2 - 0.02 * (e - best) ** 2))
    squares = [float(np.mean(np.square(SPREAD[side]))) for side in ("intake", "exhaust")]
    assert cost == pytest.approx([0.05 * squares[0] + 0.02 * squares[1]], rel=1e-6)
    assert f"{cost[0]:.1f} N·m" in spread_line(np.array([4000.0]), cost, METRIC.torque)


def test_without_a_spread_nothing_is_said(tmp_path: Path) -> None:
    project = project_of(tmp_path)
    assert spread_cost(project, grid(project, lambda i, e: 150.0 - 0.0 * i)) is None


def test_it_is_what_the_outside_engine_loses() -> None:
    """Cylinders of a four up to 4 degrees either way, marched together by the outside engine, beside the mean of four
    engines whose cylinders all stand where one of them does."""
    engine = family()["road four, as drawn"]
    late = -4.0, -4.0 / 3.0, 4.0 / 3.0, 4.0
    rpm, icl, ecl = engine.speeds[2], engine.icl[1], engine.ecl[1]
    apart = replace(engine, intake_shift=late, exhaust_shift=tuple(-each for each in late))
    alike = outside_engine.torque(engine, rpm, icl, ecl).torque
    true = outside_engine.torque(apart, rpm, icl, ecl).torque - alike
    mean = np.mean([outside_engine.torque(engine, rpm, icl + each, ecl + each).torque for each in late]) - alike
    assert true < -0.2
    assert mean == pytest.approx(true, abs=0.15)
