"""A combination tried, with torque by a formula in place of the simulation: where its best timing is is then known."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import xarray as xr

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.cycle.chunks import Axes
from phaseopt.io.cache import forget_oldest
from phaseopt.project import Project
from phaseopt.project.load import load_project
from phaseopt.project.shelf import load_shelf
from phaseopt.study.offset_range import fitted_at
from phaseopt.study.parts import nodes, trial
from phaseopt.study.parts.combinations import Fitted, fitted, present
from phaseopt.study.parts.knowledge import Knowledge
from phaseopt.study.parts.nodes import every_other, nested, simulated_torque
from phaseopt.study.parts.present import base_of
from phaseopt.study.parts.reach import at_full_throttle, least_overlap, reaching_all, windows
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Base, band_mean, tried
from phaseopt.torque_model.shared_unknowns import Variable
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent

EXAMPLE = Path(__file__).parents[3] / "examples" / "hillclimb" / "project.toml"
BAND = (3000.0, 8000.0)
SHELF = """
[aim]
rpm = [3000, 8000]
[now]
intake_offset = [-20, 0]
exhaust_offset = [0, 16]
[[gaskets]]
name = "thinner gasket"
drop.measured_with.gasket = 1.2
drop.built_with.gasket = 1.0
"""


def wanted(rpm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where torque of the formula is highest: later with speed."""
    return 104.0 + (rpm - 3000.0) / 500.0, 108.0 - (rpm - 3000.0) / 1000.0


def formula(points: np.ndarray) -> np.ndarray:
    icl, ecl = wanted(points[:, 0])
    return 170.0 - 0.02 * (points[:, 2] - icl) ** 2 - 0.015 * (points[:, 3] - ecl) ** 2


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Project:
    """The hill-climb engine with torque by formula."""

    def run(configs: list, points: np.ndarray, **_: object) -> list[SimpleNamespace]:
        torque = formula(points)
        return [SimpleNamespace(torque=torque, settled=np.ones(len(points), dtype=bool)) for _ in configs]

    def answers(config: object, known: dict, factors: dict, points: np.ndarray, **_: object) -> tuple:
        torque = formula(points)
        base = SimpleNamespace(torque=torque, settled=np.ones(len(points), dtype=bool), half_burned=0.0 * torque + 8.0)
        return base, dict.fromkeys(known, 0.01 * torque)

    monkeypatch.setattr(nodes, "run_scattered", run)
    monkeypatch.setattr(trial, "effects_at", answers)
    found = load_project(EXAMPLE)
    (tmp_path / "shelf.toml").write_text(SHELF)
    return found


def base_and_fit(project: Project, folder: Path) -> tuple[Base, Fitted]:
    shelf = load_shelf(folder / "shelf.toml", project)
    now = present(shelf)
    scale = (Variable("scale"), Variable("shift"))
    known = Knowledge(now.kinds_of, scale, np.zeros(2), np.eye(2), 0.05, 1.0)
    rpm = np.array(project.tables.rpm)
    apart = project.model_copy(update={"file": folder / "project.toml"})
    return Base(apart, known, BAND, np.zeros(rpm.size)), fitted(shelf, project, now)


def test_the_best_timing_of_the_formula_is_found(project: Project, tmp_path: Path) -> None:
    base, fit = base_and_fit(project, tmp_path)
    found = tried(base, fit, WHOLE)
    inside = (found.rpm >= BAND[0]) & (found.rpm <= BAND[1])
    icl, ecl = wanted(found.rpm[inside])
    assert np.abs(found.icl[inside] - icl).max() <= 1.0  # whole degrees of phase, and little roughness
    assert np.abs(found.ecl[inside] - ecl).max() <= 1.0
    assert found.torque == pytest.approx(170.0, abs=0.05)


def test_its_tables_are_clear_at_the_offsets_it_names(project: Project, tmp_path: Path) -> None:
    """Against limits and labels made anew from the project at these offsets."""
    base, fit = base_and_fit(project, tmp_path)
    found = tried(base, fit, WHOLE)
    limits = phase_limits(contact_model(fitted_at(project, found.offsets)))
    for intake, exhaust in found.phases.T:
        assert any(box.holds(intake, exhaust) for box in limits.boxes)
    assert found.margin >= 0.0
    assert found.icl[5] == pytest.approx(project.intake.centreline - found.offsets[0] - found.phases[0, 5])


def test_no_clearance_is_less_above_its_rule_than_the_margin(project: Project, tmp_path: Path) -> None:
    """The box of the tables counts too: all timings in it, and not the cells alone."""
    base, fit = base_and_fit(project, tmp_path)
    for level in (COARSE, WHOLE):
        found = tried(base, fit, level)
        model = contact_model(project)
        for k, contact in enumerate(model.contacts):
            assert found.static[contact] - model.required[k] >= found.margin - 1e-9
            assert found.running[contact] - model.reserve >= found.margin - 1e-9


def test_a_band_with_too_few_speeds_is_refused_before_any_work(project: Project, tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(SHELF.replace("[3000, 8000]", "[3000, 3600]"))
    shelf = load_shelf(tmp_path / "shelf.toml", project)
    with pytest.raises(InputError, match="less than two of the speeds"):
        base_of(project, shelf, present(shelf), silent)


def test_fine_nodes_hold_the_coarse_ones_and_no_point_is_simulated_twice(project: Project, tmp_path: Path) -> None:
    base, fit = base_and_fit(project, tmp_path)
    everything = reaching_all(at_full_throttle(fit.project, base.rpm, BAND), fit.offset_range or {})
    limits = phase_limits(contact_model(everything))
    coarse, fine = nested(base.rpm, limits, FINE)
    assert {tuple(p) for p in coarse.points} <= {tuple(p) for p in fine.points}
    config, _ = trial.engine_of(base, fit, fit.project)
    first = simulated_torque(tmp_path, fit.project, config, [coarse])
    second = simulated_torque(tmp_path, fit.project, config, [coarse, fine])
    assert first.simulated == len(coarse.points)
    assert second.simulated == len(fine.points) - len(coarse.points)
    assert simulated_torque(tmp_path, fit.project, config, [coarse, fine]).simulated == 0


def test_a_cluster_gives_the_same_torque_at_every_node(
    project: Project, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The grid of nodes that goes to a cluster, here computed by the formula, is laid out as that of threads."""

    def gridded(config: object, axes: Axes, *, pressure: np.ndarray, cluster: str) -> xr.Dataset:
        assert pressure.shape == (len(axes.rpm), 1)
        points = np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)
        shape = tuple(len(axis) for axis in axes)
        return xr.Dataset({"torque": (axes._fields, formula(points).reshape(shape))}, axes._asdict())

    monkeypatch.setattr(nodes, "simulate", gridded)
    base, fit = base_and_fit(project, tmp_path)
    everything = reaching_all(at_full_throttle(fit.project, base.rpm, BAND), fit.offset_range or {})
    sets = nested(base.rpm, phase_limits(contact_model(everything)), FINE)
    config, _ = trial.engine_of(base, fit, fit.project)
    local = simulated_torque(tmp_path, fit.project, config, sets)
    away = simulated_torque(tmp_path, fit.project, config, sets, cluster="tcp://nowhere:8786")
    np.testing.assert_allclose(away.torque, local.torque)
    assert away.simulated == len(sets[-1].points)


def test_simulated_points_are_not_forgotten_with_old_grids(project: Project, tmp_path: Path) -> None:
    base, fit = base_and_fit(project, tmp_path)
    tried(base, fit, COARSE)
    folder = nodes.points_folder(tmp_path)
    before = sorted(folder.iterdir())
    forget_oldest(folder.parent, 0)
    assert sorted(folder.iterdir()) == before != []


def test_phasers_that_reach_all_hold_every_timing_of_every_offset(project: Project, tmp_path: Path) -> None:
    _, fit = base_and_fit(project, tmp_path)
    ranges = fit.offset_range or {}
    longer = reaching_all(project, ranges)
    rest = least_overlap(project, ranges)
    assert rest == (-20.0, 16.0)
    for offset in (-20.0, -7.0, 0.0):
        for phase in project.intake.phaser.travel:
            assert longer.intake.phaser.travel[0] <= offset + phase - rest[0] <= longer.intake.phaser.travel[1]
    for offset in (0.0, 5.0, 16.0):
        for phase in project.exhaust.phaser.travel:
            assert longer.exhaust.phaser.travel[0] <= offset + phase - rest[1] <= longer.exhaust.phaser.travel[1]


def test_offsets_that_are_tried_reach_what_is_used(project: Project, tmp_path: Path) -> None:
    _, fit = base_and_fit(project, tmp_path)
    ranges = fit.offset_range or {}
    used = {"intake": (10.0, 30.0), "exhaust": (-30.0, -8.0)}  # of phasers at the least overlap
    rest = least_overlap(project, ranges)
    for intake, exhaust in windows(project, ranges, used):
        for k, (offset, side) in enumerate(((intake, "intake"), (exhaust, "exhaust"))):
            travel = project.phaser_of(side).travel
            first, last = (rest[k] + end for end in used[side])
            assert offset + travel[0] <= first
            assert last <= offset + travel[1]
            assert ranges[side][0] <= offset <= ranges[side][1]


def test_every_other_speed_keeps_both_ends() -> None:
    assert every_other((1.0, 2.0, 3.0, 4.0, 5.0)) == (1.0, 3.0, 5.0)


def test_a_band_mean_is_the_area_under_the_curve() -> None:
    rpm, torque = np.array([2e3, 3e3, 4e3, 6e3]), np.array([90.0, 100.0, 120.0, 110.0])
    by_hand = (0.5 * (100 + 120) * 1000 + 0.5 * (120 + 110) * 2000) / 3000
    assert band_mean(rpm, torque, (3e3, 6e3)) == pytest.approx(by_hand)
