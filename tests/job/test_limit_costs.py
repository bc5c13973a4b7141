"""Prices against whole searches of projects in which the limit really is elsewhere, and against integer programming."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from engines import drop_csv, project_of
from search.small import milp_optimum
from study.planted import CHANGED, again_of, learnt_of, plant

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.dips import CONTACT, TRAVEL
from phaseopt.job.limit_costs import LimitCost, limit_costs
from phaseopt.job.resolve import Again
from phaseopt.project import Project
from phaseopt.torque_model.sources import TorqueModel

AIM = 2e-4  # N·m a cell and unit, about what both searches' gaps leave open


def learnt_on(project: Project, cause: str | None) -> TorqueModel:
    model = contact_model(project)
    limits = phase_limits(model)
    return learnt_of(plant(cause, 0, limits.boxes[0].intake_to), model, limits, 0)


def price_of(again: Again, limit: str) -> LimitCost:
    return next(price for price in limit_costs(again).limits if price.limit == limit)


def test_required_gap_costs_what_pockets_that_much_deeper_bring(tmp_path: Path) -> None:
    """Outside the price: two projects whose drop readings are 0.25 mm more and less, each built from the start."""
    project = project_of(tmp_path, **CHANGED)
    learnt = learnt_on(project, CONTACT)
    scores = []
    for number, more in enumerate((-0.25, 0.25)):
        folder = tmp_path / str(number)
        folder.mkdir()
        deeper = {"drop_intake.csv": drop_csv(6.2 + more, wheel=0.6, scatter=0.03, seed=1)}
        scores.append(again_of(project_of(folder, deeper, **CHANGED), learnt).base)
    found = price_of(again_of(project, learnt), "gap intake_piston")
    per_unit = (scores[1].value - scores[0].value) / 2.0 / scores[0].intake.size
    assert found.score == pytest.approx(per_unit, rel=0.02, abs=AIM)
    assert found.score > 0.01


def test_travel_costs_what_a_phaser_that_reaches_farther_brings(tmp_path: Path) -> None:
    """Outside the price: two projects whose phaser's travel begins two degrees earlier and ends at rest two earlier."""
    project = project_of(tmp_path, **CHANGED)
    learnt = learnt_on(project, TRAVEL)
    farther = project.intake.phaser.model_copy(update={"travel": (-2.0, 40.0)})
    beyond = project.model_copy(update={"intake": project.intake.model_copy(update={"phaser": farther})})
    again = again_of(project, learnt)
    found = price_of(again, "travel intake retard")
    per_degree = (again_of(beyond, learnt).base.value - again.base.value) / 2.0 / again.base.intake.size
    assert found.score == pytest.approx(per_degree, rel=0.02, abs=AIM)  # rest is at the end: outwards alone
    assert found.score > 0.01


def test_a_contact_limit_costs_what_integer_programming_says(tmp_path: Path) -> None:
    """Outside check: scipy.optimize.milp on both tables that the central difference takes."""
    phaser = {"travel": [0.0, 40.0], "resolution": 3.0, "slew": {"advance": 80.0, "retard": 100.0}}
    changes = CHANGED | {"intake": {"phaser": phaser}, "exhaust": {"phaser": None}}
    project = project_of(tmp_path, **changes)
    again = again_of(project, learnt_on(project, CONTACT))
    found = price_of(again, "box intake advance")
    box = again.base.box
    inwards, outwards = again.room("intake advance")
    assert min(inwards, outwards) >= 2
    values = []
    for more in (-2, 2):
        inside = np.zeros(again.problem.objective.shape, dtype=np.bool_)
        inside[:, :, box.a_from : box.a_to + more + 1] = True
        assert again.problem.reach is not None
        lost = again.base.unsupported[:, :, None, None]  # nothing was measured at part load: those cells go along
        rules = {**again.problem.rules, "box": inside & (again.problem.reach | lost)}
        objective = np.where(lost, 0.0, again.problem.objective)
        values.append(milp_optimum(replace(again.problem, objective=objective, rules=rules)))
    assert found.score == pytest.approx((values[1] - values[0]) / 12.0 / again.base.intake.size, abs=1e-5)


def test_what_holds_nothing_has_no_price_and_no_torque_in_pockets(tmp_path: Path) -> None:
    project = project_of(tmp_path, **CHANGED)
    found = limit_costs(again_of(project, learnt_on(project, None)))
    assert not [price for price in found.limits if price.limit.startswith(("box", "gap", "travel intake"))]
    assert found.deeper_pockets == pytest.approx(0.0, abs=AIM)


def test_the_search_made_again_without_a_change_is_the_same(tmp_path: Path) -> None:
    """Labels beyond travel change nothing by being there."""
    project = project_of(tmp_path, **CHANGED)
    learnt = learnt_on(project, TRAVEL)
    again = again_of(project, learnt)
    assert again.first[0] > 0
    same = again.solved("nothing changed", again.problem)
    assert same is not None
    assert same.value == again.base.value
    assert again.base.intake.min() >= 0.0
