"""Drops carried over to other parts, against what the same engine would have read with them."""

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import piston_fall, project_of

from phaseopt.clearance import contact_model
from phaseopt.clearance.drop_sources import drop_law
from phaseopt.values.errors import InputError

ANGLES = np.arange(-20.0, 21.0, 5.0)
THETA = np.linspace(-20.0, 20.0, 81)


def read(lower: float, factor: float = 1.0, stroke: float = 86.0, edge: float = 0.0, rod: float = 137.0) -> str:
    """Readings with the piston lower by so much; from 3 mm of fall on an `edge` gives so much more."""
    fall = piston_fall(ANGLES, stroke, rod) + lower
    drops = 5.6 + factor * fall + np.where(fall > 1.0, edge, 0.0)
    return "crank_deg,drop_mm\n" + "".join(f"{a:g},{d:.4f}\n" for a, d in zip(ANGLES, drops, strict=True))


def law(folder: Path, text: str, **drop: Any):
    """The intake drop of the plain engine (tilt 12°) read as `text`."""
    folder.mkdir()
    drop.setdefault("carry_error", 0.0)
    return drop_law(project_of(folder, {"drop_intake.csv": text}, drop=drop), "intake")


@pytest.mark.parametrize(
    ("then", "now", "lower"),
    [
        ({"gasket": 1.2}, {"gasket": 0.8}, -0.4),
        ({"gasket": 0.8, "skimmed": 0.0}, {"gasket": 1.2, "skimmed": 0.3}, 0.1),
        ({"deck": 0.1}, {"deck": 0.4}, 0.3),
        ({"compression_height": 30.0}, {"compression_height": 30.5}, -0.5),
        ({"pocket_depth": 1.5}, {"pocket_depth": 2.5}, 1.0),
    ],
)
@pytest.mark.parametrize("factor", [math.cos(math.radians(12.0)), 1.0, 1.02])
def test_carried_readings_are_those_of_the_engine_as_it_is(
    tmp_path: Path, then: dict[str, float], now: dict[str, float], lower: float, factor: float
) -> None:
    """Source: D = D0 + k (fall + δ), by the textbook fall of the piston."""
    taken_again = law(tmp_path / "a", read(lower, factor))
    carried = law(tmp_path / "b", read(0.0, factor), measured_with=then, built_with=now)
    assert carried.fitted(THETA) == pytest.approx(taken_again.fitted(THETA), abs=0.03)
    assert (carried.low(THETA) <= 5.6 + factor * (piston_fall(THETA) + lower)).all()
    assert any("carried over" in note for note in carried.notes)


def test_a_longer_stroke_is_carried_over_with_its_compression_height(tmp_path: Path) -> None:
    then = {"stroke": 82.0, "compression_height": 32.0}
    carried = law(tmp_path / "a", read(0.0, stroke=82.0), measured_with=then, built_with={"compression_height": 30.5})
    assert carried.fitted(THETA) == pytest.approx(5.6 - 0.5 + piston_fall(THETA), abs=0.01)


def test_the_error_of_what_moved_is_taken_off_twice(tmp_path: Path) -> None:
    parts = {"measured_with": {"gasket": 1.2}, "built_with": {"gasket": 0.8}}
    sure, unsure = (law(tmp_path / f"{e}", read(0.0), carry_error=e, **parts) for e in (0.0, 0.1))
    assert sure.low(THETA) - unsure.low(THETA) == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("lower", [-0.4, 0.4])
def test_steps_are_carried_over_and_claim_no_more_than_there_is(tmp_path: Path, lower: float) -> None:
    parts = {"measured_with": {"gasket": 1.0}, "built_with": {"gasket": 1.0 + lower}}
    carried = law(tmp_path / "a", read(0.0, edge=1.5), **parts)
    assert carried.steps is not None
    fall = piston_fall(THETA) + lower
    assert (carried.low(THETA) <= 5.6 + fall + np.where(fall > 1.0, 1.5, 0.0)).all()


def test_steps_are_refused_with_another_crown(tmp_path: Path) -> None:
    parts = {"measured_with": {"pocket_depth": 1.0}, "built_with": {"pocket_depth": 1.5}}
    with pytest.raises(InputError) as caught:
        law(tmp_path / "a", read(0.0, edge=1.5), **parts)
    assert "measure them again" in caught.value.mistakes[0].hint


@pytest.mark.parametrize(
    "drop",
    [
        {"measured_with": {"gasket": 1.2}},
        {"measured_with": {"stroke": 84.0}},
        {"measured_with": {"gasket": 12.0}, "built_with": {"gasket": 1.2}},
        {"measured_with": {"deck": 0.0}, "built_with": {"deck": 5.0}},
    ],
)
def test_what_does_not_show_how_the_piston_moved_is_refused(tmp_path: Path, drop: dict[str, Any]) -> None:
    with pytest.raises(InputError) as caught:
        law(tmp_path / "a", read(0.0), **drop)
    assert caught.value.mistakes[0].where.startswith("drop")
    assert caught.value.mistakes[0].hint


def test_a_thinner_gasket_turns_the_cams_until_they_are_degreed_in_again(tmp_path: Path) -> None:
    """Common practice: about 2 crank degrees a millimetre on a chain."""
    parts = {"measured_with": {"gasket": 1.2}, "built_with": {"gasket": 0.8}}
    made = []
    for number, again in enumerate((False, True)):
        parts["built_with"]["degreed_again"] = again
        (tmp_path / f"{number}").mkdir()
        made.append(contact_model(project_of(tmp_path / f"{number}", drop=parts)))
    assert made[0].as_stated is not None
    assert made[0].as_stated.intake.centreline_error == made[1].project.intake.centreline_error
    turned, as_set = (model.project.intake.centreline_error for model in made)
    assert turned - as_set == pytest.approx(0.8)
    gaps = [model.gaps([[0.0, 40.0, -35.0, 0.0]]).static[0, :2] for model in made]
    assert (gaps[0] < gaps[1]).all()
    noted = [any("degreed_again" in note for note in model.notes) for model in made]
    assert noted == [True, False]
