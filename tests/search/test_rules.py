"""Hard rules of a project's search: pinned cells on the hill-climb example, whose one safe box is known."""

import numpy as np
import pytest
from hillclimb import pulls_alone

from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.project import Pin, Project
from phaseopt.search.objective import TorqueMap, search_problem
from phaseopt.search.rules import PINNED, hard_rules_of, lock_mask, slew_caps
from phaseopt.search.solver import SearchResult, solve
from phaseopt.values.errors import InputError


@pytest.fixture(scope="module")
def project() -> Project:
    return pulls_alone()


@pytest.fixture(scope="module")
def model(project: Project) -> ContactModel:
    return contact_model(project)


@pytest.fixture(scope="module")
def limits(model: ContactModel) -> Limits:
    return phase_limits(model)


def pinned(project: Project, *pins: dict[str, object]) -> Project:
    search = project.search.model_copy(update={"pinned": tuple(Pin.model_validate(pin) for pin in pins)})
    return project.model_copy(update={"search": search})


def solved(project: Project, model: ContactModel, limits: Limits) -> SearchResult:
    """The best tables on a torque that falls with the distance from 10° and -12°."""
    a, b = limits.phases_intake[:, None], limits.phases_exhaust[None, :]
    shape = (len(project.tables.rpm), len(project.tables.load), a.size, b.size)
    torque = np.broadcast_to(150.0 - 0.02 * (a - 10.0) ** 2 - 0.02 * (b + 12.0) ** 2, shape)
    known = np.ones(shape, dtype=np.bool_)
    problem, boxes = search_problem(project, limits, TorqueMap(torque, 0 * torque, known, known, False))
    return solve(problem, boxes)


def test_pinned_cells_hold_and_the_others_go_on(project: Project, model: ContactModel, limits: Limits) -> None:
    """One cam pinned leaves the other free; the first band that holds a cell decides; neighbours are not pinned."""
    pins = (
        {"rpm": [5000, 5500], "load": [100, 100], "intake": 15},
        {"rpm": [5000, 6000], "load": [90, 100], "intake": 8, "exhaust": -10},
    )
    found = solved(pinned(project, *pins), model, limits)
    rpm, load = list(project.tables.rpm), list(project.tables.load)
    five, top = rpm.index(5000), load.index(100)
    assert (found.intake[five : five + 2, top] == 15).all()
    assert (found.intake[five : five + 2, top - 1] == 8).all()
    assert found.intake[rpm.index(6000), top] == 8
    assert (found.exhaust[five : five + 2, top - 1] == -10).all()
    assert (found.exhaust[five : five + 2, top] != -10).all()
    assert found.intake[rpm.index(7000), top] == pytest.approx(10, abs=1)
    free = solved(project, model, limits)
    assert found.value < free.value


@pytest.mark.parametrize(
    ("pin", "message"),
    [
        ({"intake": 30}, r"pinned \(entry 1\): intake 30° is outside the safe box \(refused by intake to piston\)"),
        ({"exhaust": -35}, r"exhaust -35° is outside the safe box \(refused by exhaust to piston\)"),
        ({"intake": 10.5}, r"no cell can hold an intake phase of 10.5°.*a step .* from 0 to 45°"),
        ({"intake": 60}, r"no cell can hold an intake phase of 60°"),
        ({"rpm": [5100, 5200], "intake": 5}, r"no cell of the tables is in this band"),
    ],
)
def test_a_pin_that_no_safe_table_can_hold_is_named(
    project: Project, model: ContactModel, limits: Limits, pin: dict[str, object], message: str
) -> None:
    changed = pinned(project, {"rpm": [5000, 6000], "load": [90, 100], **pin})
    with pytest.raises(InputError, match=message):
        hard_rules_of(changed, limits)


def test_a_pin_against_the_low_speed_lock_names_both(project: Project, model: ContactModel, limits: Limits) -> None:
    with pytest.raises(InputError, match=rf"1000 rpm, load 30 .*'{PINNED}' bars the last"):
        solved(pinned(project, {"rpm": [1000, 1500], "load": [30, 100], "intake": 5}), model, limits)


def test_a_pin_needs_a_phase() -> None:
    with pytest.raises(ValueError, match="names neither cam"):
        Pin.model_validate({"rpm": [5000, 6000], "load": [90, 100]})


def test_lock_holds_up_to_and_at_its_speed() -> None:
    mask = lock_mask(np.array([900.0, 1500.0, 1600.0]), 1500.0, np.array([0.0, 1.0]), np.array([-1.0, 0.0]))
    assert mask[:2, 0].sum() == 2
    assert mask[:2, 0, 0, 1].all()
    assert mask[2].all()


def test_slew_follows_the_engine_both_ways(project: Project) -> None:
    """500 rpm take 1/6 s at 3000 rpm/s. Advance 90, retard 60 deg/s: 15 or 10 deg, the slower is needed on
    the way up or on the way down, for either sign of the change."""
    assert project.intake.phaser is not None
    slew = project.intake.phaser.slew.model_copy(update={"advance": 90.0, "retard": 60.0})
    phaser = project.intake.phaser.model_copy(update={"slew": slew})
    changed = project.model_copy(
        update={
            "intake": project.intake.model_copy(update={"phaser": phaser}),
            "search": project.search.model_copy(update={"crossing": 3000.0}),
        }
    )
    step = np.diff(project.tables.rpm)
    assert slew_caps(changed, "intake") == pytest.approx(np.column_stack([-step, step]) / 50.0)
