"""Cylinders whose lobes stand elsewhere: contact limits hold in each of them."""

from pathlib import Path

import numpy as np
import pytest
from engines import project_of

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.clearance.budget import gap_budget
from phaseopt.clearance.tolerance_stack import root_sum_squares
from phaseopt.values.errors import InputError

SPREAD = {"intake": [0.0, 2.0, -1.0, 0.5], "exhaust": [0.0, -1.5, 3.0, 1.0]}
PHASES = np.array([[0.0, 0.0], [12.0, -8.0], [25.0, -20.0]]).repeat(2, axis=1)


def engine(folder: Path, spread: bool, intake: float = 0.0, exhaust: float = 0.0):  # type: ignore[no-untyped-def]
    """The usual engine, its cams fitted so much earlier."""
    folder.mkdir(exist_ok=True)
    plain = project_of(folder)
    moved = {
        side: {"offset": plain.cam(side).offset + by, **({"spread": SPREAD[side]} if spread else {})}
        for side, by in (("intake", intake), ("exhaust", exhaust))
    }
    return project_of(folder, **moved)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("spread")


def test_no_cylinder_has_less_clearance_than_is_counted(folder: Path) -> None:
    """Each cylinder as an engine of its own, whose cams stand where that cylinder's lobes do."""
    whole = contact_model(engine(folder, True)).gaps(PHASES)
    for number, shift in enumerate(zip(*SPREAD.values(), strict=True)):
        own = contact_model(engine(folder / f"{number}", False, *shift)).gaps(PHASES)
        assert (whole.static <= own.static + 1e-9).all()
        assert (whole.swept <= own.swept + 1e-9).all()


def test_what_is_safe_is_safe_in_each_cylinder(folder: Path) -> None:
    found = phase_limits(contact_model(engine(folder, True))).safe["safe"]
    assert found.any()
    for number in (1, 2):
        shift = SPREAD["intake"][number], SPREAD["exhaust"][number]
        own = phase_limits(contact_model(engine(folder / f"{number}", False, *shift))).safe["safe"]
        assert bool((own | ~found).all())


def test_the_budget_adds_up_and_counts_the_spread_whole(folder: Path) -> None:
    model = contact_model(engine(folder, True))
    found = gap_budget(model, 12.0, -8.0, 6000.0)
    assert abs(found["by_hand"] - found["taken"].sum("step") - found["running"]).max() < 1e-9
    row = found.sel(step="spread_intake")
    assert float(row["taken"].max()) > 0.0
    assert not bool(row["error"])


def test_the_root_of_squares_has_the_spread_whole(folder: Path) -> None:
    """With no other error of timing it takes what the worst case takes."""
    exact = {"centreline_error": 0.0, "phaser": {"error": 0.0, "overshoot": 0.0}}
    pairs, speeds = np.array([[12.0, -8.0]]), np.array([6000.0])
    apart = []
    for spread in ([0.0] * 4, [0.0, 3.0, 0.0, 0.0]):
        project = project_of(folder, intake={**exact, "spread": spread}, exhaust=exact)
        model = contact_model(project)
        gaps = model.gaps(pairs.repeat(2, axis=1))
        apart.append((root_sum_squares(model, pairs, gaps, speeds)[0], gaps.static))
    (root, static), (root_spread, static_spread) = apart
    assert root - root_spread == pytest.approx(static - static_spread, abs=0.01)
    assert (static - static_spread)[0, 0] > 0.1


def test_the_cylinder_that_was_degreed_in_is_where_the_cam_stands(tmp_path: Path) -> None:
    """Its readings would else seem to contradict the project, or fit a mistake that nobody made."""
    read = {"cylinder": 2, "full_lift": 10.0, "lift_at_tdc": 1.5}
    with pytest.raises(InputError) as caught:
        project_of(tmp_path, intake={"spread": SPREAD["intake"], "degree_in": read})
    (mistake,) = caught.value.mistakes
    assert mistake.where == "intake.spread"
    assert "cylinder 2" in str(mistake)


def test_one_value_a_cylinder_is_needed(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        project_of(tmp_path, exhaust={"spread": [1.0, 0.0]})
    (mistake,) = caught.value.mistakes
    assert mistake.where == "exhaust.spread"
    assert "2 values for 4 cylinders" in str(mistake)
