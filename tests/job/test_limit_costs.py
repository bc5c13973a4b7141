"""Prices against whole searches of projects in which the limit really is elsewhere, and against integer programming."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from engines import drop_csv, project_of
from search.small import milp_optimum
from study.planted import CHANGED, learnt_of, plant, resolver_of

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.dips import CONTACT, TRAVEL
from phaseopt.job.limit_costs import LimitCost, limit_costs
from phaseopt.job.resolve import Resolver
from phaseopt.project import Project
from phaseopt.torque_model import TorqueModel

AIM = 2e-4  # N·m a cell and unit, about what both searches' gaps leave open


def learnt_on(project: Project, cause: str | None) -> TorqueModel:
    model = contact_model(project)
    limits = phase_limits(model)
    return learnt_of(plant(cause, 0, limits.boxes[0].intake_to), model, limits, 0)


def price_of(resolver: Resolver, limit: str) -> LimitCost:
    return next(price for price in limit_costs(resolver).limits if price.limit == limit)


def test_required_gap_costs_what_pockets_that_much_deeper_bring(tmp_path: Path) -> None:
    """Outside the price: two projects whose drop readings are 0.25 mm more and less, each built from the start."""
    project = project_of(tmp_path, **CHANGED)
    learnt = learnt_on(project, CONTACT)
    scores = []
    for number, more in enumerate((-0.25, 0.25)):
        folder = tmp_path / str(number)
        folder.mkdir()
        deeper = {"drop_intake.csv": drop_csv(6.2 + more, wheel=0.6, scatter=0.03, seed=1)}
        scores.append(resolver_of(project_of(folder, deeper, **CHANGED), learnt).base)
    found = price_of(resolver_of(project, learnt), "gap intake_piston")
    per_unit = (scores[1].value - scores[0].value) / 2.0 / scores[0].intake.size
    assert found.score == pytest.approx(per_unit, rel=0.02, abs=AIM)
    assert found.score > 0.01


def test_travel_costs_what_a_phaser_that_reaches_farther_brings(tmp_path: Path) -> None:
    """Outside the price: two projects whose phaser's travel begins two degrees earlier and ends at rest two earlier."""
    project = project_of(tmp_path, **CHANGED)
    learnt = learnt_on(project, TRAVEL)
    farther = project.intake.phaser.model_copy(update={"travel": (-2.0, 40.0)})
    beyond = project.model_copy(update={"intake": project.intake.model_copy(update={"phaser": farther})})
    resolver = resolver_of(project, learnt)
    found = price_of(resolver, "travel intake retard")
    per_degree = (resolver_of(beyond, learnt).base.value - resolver.base.value) / 2.0 / resolver.base.intake.size
    assert found.score == pytest.approx(per_degree, rel=0.02, abs=AIM)  # rest is at the end: outwards alone
    assert found.score > 0.01


def test_a_contact_limit_costs_what_integer_programming_says(tmp_path: Path) -> None:
    """Outside check: scipy.optimize.milp on both tables that the central difference takes."""
    phaser = {"travel": [0.0, 40.0], "resolution": 3.0, "slew": {"advance": 80.0, "retard": 100.0}}
    changes = CHANGED | {"intake": {"phaser": phaser}, "exhaust": {"phaser": None}}
    project = project_of(tmp_path, **changes)
    resolver = resolver_of(project, learnt_on(project, CONTACT))
    found = price_of(resolver, "box intake advance")
    box = resolver.base.box
    inwards, outwards = resolver.space.room("intake advance", resolver.base.box)
    assert min(inwards, outwards) >= 2
    values = []
    for more in (-2, 2):
        inside = np.zeros(resolver.problem.objective.shape, dtype=np.bool_)
        inside[:, :, box.a_from : box.a_to + more + 1] = True
        assert resolver.problem.reach is not None
        lost = resolver.base.unsupported[:, :, None, None]  # nothing was measured at part load: those cells go along
        rules = {**resolver.problem.rules, "box": inside & (resolver.problem.reach | lost)}
        objective = np.where(lost, 0.0, resolver.problem.objective)
        values.append(milp_optimum(replace(resolver.problem, objective=objective, rules=rules)))
    assert found.score == pytest.approx((values[1] - values[0]) / 12.0 / resolver.base.intake.size, abs=1e-5)


def test_what_holds_nothing_has_no_price_and_no_torque_in_pockets(tmp_path: Path) -> None:
    project = project_of(tmp_path, **CHANGED)
    found = limit_costs(resolver_of(project, learnt_on(project, None)))
    assert not [price for price in found.limits if price.limit.startswith(("box", "gap", "travel intake"))]
    assert found.deeper_pockets == pytest.approx(0.0, abs=AIM)


def test_the_search_made_again_without_a_change_is_the_same(tmp_path: Path) -> None:
    """Labels beyond travel change nothing by being there."""
    project = project_of(tmp_path, **CHANGED)
    learnt = learnt_on(project, TRAVEL)
    resolver = resolver_of(project, learnt)
    assert resolver.space.first[0] > 0
    same = resolver.solved("nothing changed", resolver.problem)
    assert same is not None
    assert same.value == resolver.base.value
    assert resolver.base.intake.min() >= 0.0
