"""Dips planted in an engine whose torque is known: found, and their cause named. The benchmark plants many more."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from engines import project_of
from scipy.spatial import ConvexHull
from study.planted import CHANGED, FULL, SPEEDS, Planted, learnt_of, plant, resolver_of, torque

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.job.dips import CHANGES, CONTACT, LOGS, OWN, RULE, THIN, TRAVEL, UNSURE, Dip, dips
from phaseopt.project import Pin
from phaseopt.report.dips import dip_words
from phaseopt.surrogate import ExactModel
from phaseopt.torque_model import TorqueModel


def dips_of(folder: Path, cause: str | None, **changes: object) -> tuple[Planted, list[Dip]]:
    project = project_of(folder, **(CHANGED | changes))
    model = contact_model(project)
    limits = phase_limits(model)
    planted = plant(cause, 1, limits.boxes[0].intake_to)
    learnt = learnt_of(planted, model, limits, 1)
    return planted, [dip for dip in dips(resolver_of(project, learnt), learnt) if dip.load == FULL]


def true_depth(planted: Planted) -> float:
    """How far the true curve at the best timings is below its hull, by scipy.spatial.ConvexHull."""
    made = torque(planted, SPEEDS, planted.best(SPEEDS), np.full(SPEEDS.size, -8.0))
    corners = np.sort(ConvexHull(np.column_stack([SPEEDS, made])).vertices)
    above = [corner for corner in corners if made[corner] >= np.interp(SPEEDS[corner], SPEEDS[[0, -1]], made[[0, -1]])]
    return float((np.interp(SPEEDS, SPEEDS[above], made[above]) - made).max())


@pytest.mark.parametrize("cause", [CONTACT, TRAVEL, CHANGES, LOGS, OWN])
def test_a_planted_cause_is_named(tmp_path: Path, cause: str) -> None:
    planted, found = dips_of(tmp_path, cause)
    near = [dip for dip in found if dip.rpm_from - 500.0 <= planted.speed <= dip.rpm_to + 500.0]
    dip = max(near, key=lambda each: each.depth)
    assert dip.cause == cause
    assert dip.depth > 2.0 * dip.deviation
    if cause in (CONTACT, TRAVEL):
        edge = "intake advance" if cause == CONTACT else "intake retard"
        assert dict(dip.degrees)[edge] >= 1.0
        assert dip.names[0].endswith(edge)
    if cause == OWN:
        assert dip.gain is None
        assert dip.depth == pytest.approx(true_depth(planted), abs=3.0 * dip.deviation)
    else:
        assert dip.gain is not None
        assert dip.gain > 0.0 or cause == LOGS


def test_an_even_curve_has_no_dip(tmp_path: Path) -> None:
    assert dips_of(tmp_path, None)[1] == []


def test_a_pinned_cell_is_a_rule_of_the_project(tmp_path: Path) -> None:
    """One speed pinned at rest, where the best timing is elsewhere at all speeds."""
    search = {"roughness": 0.0, "crossing": 200.0}
    plain = project_of(tmp_path, **(CHANGED | {"search": search}))
    pinned = plain.search.model_copy(update={"pinned": (Pin(rpm=(4000.0, 4000.0), load=(0.0, 200.0), intake=0.0),)})
    project = plain.model_copy(update={"search": pinned})
    model = contact_model(project)
    limits = phase_limits(model)
    learnt = learnt_of(plant(None, 1, limits.boxes[0].intake_to), model, limits, 1)
    found = [dip for dip in dips(resolver_of(project, learnt), learnt) if dip.load == FULL]
    assert [(dip.rpm, dip.cause, dip.names) for dip in found] == [(4000.0, RULE, ("pinned cell",))]


def test_speeds_that_nothing_was_measured_at_are_too_thin_to_say(tmp_path: Path) -> None:
    """Where no label is in reach of the data, at any mean of the torque model is no dip of an engine.

    The model is made sure of its mean out there, so that the majorant lies above it by more than its uncertainty.
    """
    project = project_of(tmp_path, **CHANGED)
    model = contact_model(project)
    limits = phase_limits(model)
    learnt = learnt_of(plant(None, 1, limits.boxes[0].intake_to), model, limits, 1)
    assert learnt.reduction is not None
    rpm = learnt.reduction.points["rpm"].to_numpy()
    keep = np.abs(rpm - 4500.0) > 1100.0
    h = learnt.surface.hyperparameters
    short = type(h)(6.0, (500.0, *h.lengths[1:]), h.noise, h.pull, 100.0)
    thin = TorqueModel(ExactModel.at(short, learnt.surface.readings.subset(keep)), learnt.reduction.__class__(
        learnt.reduction.points.isel(point=keep), ()), None, None, None)  # fmt: skip
    found = [dip for dip in dips(resolver_of(project, thin), thin) if dip.rpm == 4500.0]
    assert found
    assert {dip.cause for dip in found} == {THIN}


def test_a_dip_within_its_error_bars_is_not_shown(tmp_path: Path) -> None:
    """The same torque, known as well as it is and a hundred times less well."""
    project = project_of(tmp_path, **CHANGED)
    model = contact_model(project)
    limits = phase_limits(model)
    learnt = learnt_of(plant(OWN, 1, limits.boxes[0].intake_to), model, limits, 1)
    h = learnt.surface.hyperparameters
    unsure = type(h)(100.0 * h.signal, h.lengths, 100.0 * h.noise, 100.0 * h.pull, h.mean)
    uncertain = replace(learnt, surface=ExactModel.at(unsure, learnt.surface.readings))
    assert any(dip.load == FULL for dip in dips(resolver_of(project, learnt), learnt))
    assert not any(dip.load == FULL for dip in dips(resolver_of(project, uncertain), uncertain))


def test_what_few_pulls_leave_open_is_said_with_the_pull_that_would_show_it(tmp_path: Path) -> None:
    """A loss that no timing fixes looks like one that a timing nobody tried would fix."""
    project = project_of(tmp_path, **CHANGED)
    model = contact_model(project)
    limits = phase_limits(model)
    (box,) = limits.boxes
    many, few = (
        [dip for dip in dips(resolver_of(project, learnt), learnt) if dip.load == FULL]
        for count in (30, 5)
        for learnt in [learnt_of(plant(OWN, 1, box.intake_to), model, limits, 1, count)]
    )
    assert {dip.cause for dip in many} == {OWN}
    (dip,) = few
    assert dip.cause == UNSURE
    assert dip.pull is not None
    assert box.holds(*dip.pull)
    assert "would show it" in dip_words(dip, project.display_units.torque)
