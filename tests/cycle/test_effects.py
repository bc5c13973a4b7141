"""What may be wrong with a description, and what torque makes of it: against engines described so, simulated anew."""

from copy import deepcopy
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from engines import project_of

from phaseopt.cycle import effects as module
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.effects import effects
from phaseopt.cycle.factors import with_factors
from phaseopt.cycle.from_project import cycle_config, plenum_pressure
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.tolerances import tolerances
from phaseopt.cycle.usual_pipework import pipework_of
from phaseopt.project import Project

from .test_from_project import CYCLE, FOUR

COARSE = Mesh(60.0, 90.0, 150.0)
AXES = Axes(np.array([3000.0, 5000.0]), np.array([100.0]), np.array([100.0, 114.0]), np.array([108.0]))
FACTORS = {"flow": 0.96, "friction": 1.2}


def described(folder: Path, *lengths: str, by: float = 1.0, **cycle: Any) -> Project:
    """The engine of the tests with some pipes longer, their ports too."""
    own = deepcopy({**CYCLE, **cycle})
    for key in lengths:
        side, pipe = key.split(".")
        for piece in own[side][pipe]:
            millimetres = 254.0 if piece["length"] == "10 in" else piece["length"]
            piece["length"] = by * millimetres
    return project_of(folder, firing_order=FOUR, cycle=own)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Project:
    return described(tmp_path_factory.mktemp("project"))


@pytest.fixture(scope="module")
def found(project: Project) -> xr.Dataset:
    return effects(project, with_factors(cycle_config(project), FACTORS), FACTORS, AXES, mesh=COARSE)


@pytest.mark.parametrize(
    ("part", "keys"),
    [
        ("runner length", ("intake.runner", "intake.port")),
        ("primary length", ("exhaust.primary", "exhaust.port")),
        ("secondary length", ("exhaust.secondary",)),
        ("tail length", ("exhaust.tail",)),
    ],
)
def test_a_longer_pipe_is_the_engine_described_with_a_longer_pipe(
    tmp_path: Path, part: str, keys: tuple[str, ...]
) -> None:
    config = cycle_config(described(tmp_path))
    moved = pipework_of(tolerances(config, 5.0)[part].apply(config, 1.1))
    other = pipework_of(cycle_config(described(tmp_path, *keys, by=1.1)))
    for ours, theirs in zip(moved.ducts, other.ducts, strict=True):
        assert ours.name == theirs.name
        assert [s.length for s in ours.pipe.sections] == pytest.approx([s.length for s in theirs.pipe.sections])


def test_a_plenum_is_moved_and_an_engine_without_one_has_none_to_move(tmp_path: Path) -> None:
    config = cycle_config(described(tmp_path))
    bigger = pipework_of(tolerances(config, 5.0)["plenum volume"].apply(config, 1.5))
    assert [volume.litres for volume in bigger.volumes] == [6.0]
    own = {name: value for name, value in CYCLE.items() if name != "plenum_volume"}
    alone = cycle_config(project_of(tmp_path, firing_order=FOUR, cycle={**own, "throttles": "per cylinder"}))
    assert "plenum volume" not in tolerances(alone, 5.0)


def test_a_coarser_tape_leaves_a_length_less_well_known_and_nothing_else(project: Project) -> None:
    config = cycle_config(project)
    fine, coarse = tolerances(config, 1.0), tolerances(config, 20.0)
    for part, tolerance in fine.items():
        if part.endswith("length"):
            assert tolerance.deviation < coarse[part].deviation
        else:
            assert tolerance.deviation == coarse[part].deviation


def simulated(project: Project, factors: dict[str, float]) -> np.ndarray:
    points = np.stack([x.ravel() for x in np.meshgrid(*AXES, indexing="ij")], axis=1)
    points[:, 1] = plenum_pressure(project, points[:, 0], points[:, 1])
    (result,) = run_scattered([with_factors(cycle_config(project), factors)], points, mesh=COARSE)
    assert result.settled.all()
    return result.torque


def test_an_effect_is_what_an_engine_described_so_makes(project: Project, found: xr.Dataset, tmp_path: Path) -> None:
    """Two simulations of the same step; friction, which is not simulated, to rounding."""
    base = simulated(project, FACTORS)
    bigger = simulated(described(tmp_path, plenum_volume=4.0 * 1.15), FACTORS)
    part = found.sel(part="plenum volume")
    np.testing.assert_allclose(
        part["effect"].to_numpy().ravel(), (bigger - base) * float(part["deviation"]) / 0.15, atol=1e-6
    )
    rubs = simulated(project, {**FACTORS, "friction": 1.3}) - base
    part = found.sel(part="friction")
    np.testing.assert_allclose(part["effect"].to_numpy().ravel(), rubs * float(part["deviation"]) / 0.1, rtol=1e-6)


def test_effects_know_by_what_the_engine_was_calibrated(found: xr.Dataset) -> None:
    calibrated = dict(zip(found["part"].to_numpy().tolist(), found["calibrated"].to_numpy().tolist(), strict=True))
    assert {name: value for name, value in calibrated.items() if value != 1.0} == FACTORS


def test_effects_are_simulated_once(project: Project, found: xr.Dataset, monkeypatch: pytest.MonkeyPatch) -> None:
    config = with_factors(cycle_config(project), FACTORS)
    monkeypatch.setattr(module, "run_scattered", lambda *_, **__: pytest.fail("simulated again"))
    xr.testing.assert_identical(effects(project, config, FACTORS, AXES, mesh=COARSE), found)
