"""A plan of pulls on the textbook engine: safe, in order, worth making, and spread where nothing can be compared."""

import csv
import io
import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from cycle.sample import sample
from engines import project_of

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.clearance.check import box_verdict
from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.rules import CLEAR, margins, running_gaps
from phaseopt.output.records.plan import PlanRecord
from phaseopt.output.run_sheet_files import run_sheet_files
from phaseopt.project import Project
from phaseopt.report.subjects.plan import plan_document
from phaseopt.report.terminal import terminal_text
from phaseopt.study.best_pulls import plan_pulls
from phaseopt.study.planned_pulls import Plan
from phaseopt.study.run_sheet import run_sheet
from phaseopt.study.safe_timings import ADDED, safe_timings
from phaseopt.surrogate import GridPrior, Readings, fit, simulation_alone
from phaseopt.torque_model import Simulated, TorqueModel
from phaseopt.values.errors import InputError

SPEEDS = np.arange(2000.0, 6001.0, 500.0)


def torque(rpm: np.ndarray, icl: np.ndarray, ecl: np.ndarray) -> np.ndarray:
    """Best intake timing grows later with speed (common practice, no source)."""
    return 150.0 - 0.03 * (icl - 96.0 - (rpm - 2000.0) / 400.0) ** 2 - 0.02 * (ecl - 104.0) ** 2


def learnt_at(timings: list[tuple[float, float]], load: float) -> TorqueModel:
    """A torque model of sweeps at true centrelines."""
    rng = np.random.default_rng(3)
    rows = [(n, load, i, e, k) for k, (i, e) in enumerate(timings) for n in SPEEDS]
    rpm, load_at, icl, ecl, pull = np.array(rows).T
    readings = (
        torque(rpm, icl, ecl) + rng.normal(0.0, 0.3, rpm.size) + rng.normal(0.0, 0.5, len(timings))[pull.astype(int)]
    )
    surface = fit(Readings(np.column_stack([rpm, load_at, icl, ecl]), readings, pull.astype(np.int64)))
    return TorqueModel(surface, None, None, None, None)


def planned(tmp_path: Path, timings: list[tuple[float, float]], pulls: int, **changes: Any) -> tuple[
    Project, ContactModel, Limits, Plan
]:  # fmt: skip
    project = project_of(tmp_path, **changes)
    model = contact_model(project)
    limits = phase_limits(model)
    plan = plan_pulls(limits, learnt_at(timings, project.tables.load[-1]), pulls)
    return project, model, limits, plan


def at_rest(project: Project) -> tuple[float, float]:
    return project.intake.centreline - project.intake.offset, project.exhaust.centreline + project.exhaust.offset


def three_timings(tmp_path: Path) -> list[tuple[float, float]]:
    icl, ecl = at_rest(project_of(tmp_path))
    return [(icl, ecl), (icl - 8.0, ecl), (icl, ecl - 6.0)]


@pytest.fixture(scope="module")
def five(tmp_path_factory: pytest.TempPathFactory) -> tuple[Project, ContactModel, Limits, Plan]:
    """Eight pulls after three at and near rest, three of the eight baselines."""
    folder = tmp_path_factory.mktemp("five")
    return planned(folder, three_timings(folder), 8)


def test_every_pull_is_clear_with_more_in_hand(five: tuple[Project, ContactModel, Limits, Plan]) -> None:
    """Judged anew by the box of each pull and rest, and by the gaps at each of its timings."""
    _, model, _, plan = five
    assert sum(pull.kind != "baseline" for pull in plan.pulls) == 5
    for pull in plan.pulls:
        pairs = np.column_stack([pull.intake, pull.exhaust])
        assert pairs.shape == (plan.rpm.size, 2)
        assert box_verdict(model, pairs, False, model.top_speed).verdict == CLEAR
        gaps = model.gaps(np.repeat(pairs, 2, axis=1))
        least = float(margins(model, gaps.static, running_gaps(model, gaps, model.top_speed)).min())
        assert pull.boldness == pytest.approx(least - ADDED, abs=0.002)
        if np.any(pairs) and pull.kind != "baseline":
            assert least >= ADDED


def test_order_baselines_and_what_is_expected(five: tuple[Project, ContactModel, Limits, Plan]) -> None:
    _, _, _, plan = five
    assert [k for k, pull in enumerate(plan.pulls) if pull.kind == "baseline"] == [0, 3, 7]
    made = [pull for pull in plan.pulls if pull.kind != "baseline"]
    assert [p.boldness for p in made] == sorted((p.boldness for p in made), reverse=True)
    assert all(math.isnan(pull.expected_gain) for pull in plan.pulls if pull.kind == "baseline")
    assert plan.expected[0] == 0.0
    assert [b - a for a, b in itertools.pairwise(plan.expected)] == pytest.approx([p.expected_gain for p in made])
    assert plan.expected[-1] > 0.0
    assert all(np.ptp(p.intake) == np.ptp(p.exhaust) == 0.0 for p in made if p.kind == "fixed")
    assert f"{plan.expected[-1]:.1f} N·m" in plan.stop


def test_the_plan_goes_where_little_is_known_and_torque_may_be(
    tmp_path: Path, five: tuple[Project, ContactModel, Limits, Plan]
) -> None:
    """Pulls stand at rest and near it, the best timing lies advanced: no pull is planned back among them."""
    project, model, _, plan = five
    made = [pull for pull in plan.pulls if pull.kind != "baseline"]
    lines = [
        (model.engine.intake.true_centreline(p.intake), model.engine.exhaust.true_centreline(p.exhaust)) for p in made
    ]
    for icl, ecl in lines:
        assert min(np.hypot(icl - i, ecl - e).mean() for i, e in three_timings(tmp_path)) > 2.0
    at_hand = torque(plan.rpm, *(np.asarray(line) for line in at_rest(project))).mean()
    assert max(torque(plan.rpm, *line).mean() for line in lines) > at_hand


SPARK = {
    "correction": "none",
    "columns": {"rpm": "n", "torque": "t", "load": "p", "throttle": "tps", "spark": "ign",
                "intake_phase": "i", "exhaust_phase": "e"},
    "phases": {side: {"sign": 1, "zero": 0.0, "in": "crank deg"} for side in ("intake", "exhaust")},
    "full_throttle": {"throttle_above": 95},
}  # fmt: skip


def test_the_best_timing_by_now_is_swung_in_spark_from_safe_to_bold(tmp_path: Path) -> None:
    """Against the planted torque: no timing pulled makes more, and it gains most where the sheet says to look."""
    project, model, _, plan = planned(tmp_path, three_timings(tmp_path), 4, torque=SPARK)
    assert [pull.spark for pull in plan.swing] == [0.0, -3.0, 3.0]
    assert len({(*pull.intake, *pull.exhaust) for pull in plan.swing}) == 1
    best = plan.swing[0]
    line = model.engine.intake.true_centreline(best.intake), model.engine.exhaust.true_centreline(best.exhaust)
    rest = [np.asarray(centre) for centre in at_rest(project)]
    gain = torque(plan.rpm, *line) - torque(plan.rpm, *rest)
    for icl, ecl in three_timings(tmp_path):
        assert torque(plan.rpm, *line).mean() > torque(plan.rpm, np.asarray(icl), np.asarray(ecl)).mean()
    at = np.isin(plan.rpm, plan.most_at)
    assert at.sum() == 3
    assert gain[at].min() > np.median(gain[~at])
    sheet = run_sheet(model, plan)
    assert [pull.number for pull in sheet.swing] == [5, 6, 7]
    assert all(pull.box.verdict == CLEAR for pull in sheet.swing)
    text = terminal_text(plan_document(sheet))
    for words in ("usual spark", "spark -3°", "spark +3°", "first knock", "heats the exhaust", "Log spark"):
        assert words in text
    files = run_sheet_files(sheet)
    assert "Pull 6: spark -3°" in files["run_sheet.html"]
    assert "exhaust too hot" in files["run_sheet.html"]
    rows = list(csv.DictReader(io.StringIO(files["run_sheet.csv"])))
    assert [row["spark"] for row in rows][:: plan.rpm.size][-3:] == ["0", "-3", "3"]
    assert [pull.spark for pull in PlanRecord.of(sheet).spark_swing] == [0.0, -3.0, 3.0]
    *_, known = planned(tmp_path, three_timings(tmp_path), 4, torque={**SPARK, "best_spark": True})
    assert known.swing == ()


@pytest.mark.parametrize("count", [1, 2])
def test_with_too_few_timings_pulls_are_spread_away_from_them(tmp_path: Path, count: int) -> None:
    timings = three_timings(tmp_path)[:count]
    _, _, _, plan = planned(tmp_path, timings, 4)
    assert "timing" in plan.notes[0]
    assert plan.expected == ()
    assert [pull.kind for pull in plan.pulls] == ["in turn"] * 4
    tried = [(pull.intake[k], pull.exhaust[k]) for pull in plan.pulls[2:] for k in (0, -1)]
    assert all(np.hypot(intake - 8.0, exhaust) > 3.0 for intake, exhaust in tried if count == 2)


def test_a_cam_that_never_moved_is_tried(tmp_path: Path) -> None:
    """Three timings of the intake alone say nothing of the exhaust, so no gain is claimed and it is moved."""
    icl, ecl = at_rest(project_of(tmp_path))
    _, _, _, plan = planned(tmp_path, [(icl, ecl), (icl - 6.0, ecl), (icl - 12.0, ecl)], 4)
    assert plan.expected == ()
    assert any(pull.exhaust.min() < -4.0 for pull in plan.pulls)


def test_a_fixed_cam_is_never_moved(tmp_path: Path) -> None:
    icl, ecl = at_rest(project_of(tmp_path))
    timings = [(icl, ecl), (icl - 6.0, ecl), (icl - 12.0, ecl)]
    _, _, _, plan = planned(tmp_path, timings, 2, exhaust={"phaser": None})
    assert all((pull.exhaust == 0.0).all() for pull in plan.pulls)
    assert any((pull.intake != 0.0).any() for pull in plan.pulls if pull.kind != "baseline")


def test_a_simulation_alone_is_planned_on_where_it_does_not_settle_everywhere(tmp_path: Path) -> None:
    """Nothing simulated below 3000 rpm and none settled in one corner: pulls are planned all the same, and clear."""
    project = project_of(tmp_path)
    model = contact_model(project)
    axes = {
        "rpm": SPEEDS[2:],
        "load": np.array([40.0, 100.0]),
        "icl": np.arange(70.0, 121.0, 10.0),
        "ecl": np.arange(75.0, 121.0, 9.0),
    }
    rpm, load, icl, ecl = (np.asarray(v) for v in np.meshgrid(*axes.values(), indexing="ij"))
    made = torque(rpm, icl, ecl) * load / 100.0
    made[-1, :, 0, 0] = np.nan
    grid = xr.Dataset({"torque": (tuple(axes), made)}, axes)
    known = Simulated(grid, sample(), None, None, 0.08)
    learnt = TorqueModel(simulation_alone(GridPrior(grid), 0.08), None, known, None, None)
    plan = plan_pulls(phase_limits(model), learnt, 2)
    assert plan.expected[-1] > 0.5
    assert any("Nothing is measured" in note for note in plan.notes)
    assert "Stop here" not in plan.stop
    for pull in plan.pulls:
        pairs = np.column_stack([pull.intake, pull.exhaust])
        assert box_verdict(model, pairs, False, model.top_speed).verdict == CLEAR


def test_safe_timings_are_those_of_a_check_of_each(tmp_path: Path) -> None:
    model = contact_model(project_of(tmp_path))
    limits = phase_limits(model)
    timings = safe_timings(limits)
    for k in range(0, len(timings.pairs), 97):
        assert box_verdict(model, timings.pairs[k : k + 1], False, model.top_speed).verdict == CLEAR
    thin = timings.thinned(5)
    assert len(thin.pairs) <= 30
    assert (thin.pairs[thin.rest] == 0.0).all()
    for k in range(2):
        assert {thin.pairs[:, k].min(), thin.pairs[:, k].max()} == {
            timings.pairs[:, k].min(),
            timings.pairs[:, k].max(),
        }


def test_no_room_is_said(tmp_path: Path) -> None:
    gaps = contact_model(project_of(tmp_path)).gaps(np.zeros((1, 4))).static[0]
    gap = {"static": {"intake": float(gaps[0]) - 0.05, "exhaust": float(gaps[1]) - 0.05}}
    with pytest.raises(InputError, match="nothing to try"):
        planned(tmp_path, three_timings(tmp_path), 2, gap=gap)
