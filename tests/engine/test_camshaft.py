"""Camshafts as fitted: signs, and engines read from a project."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import lobe_csv, project_of

from phaseopt.engine.camshaft import Camshaft, camshaft_of, engine_of
from phaseopt.engine.lobe import Lobe
from phaseopt.values.errors import InputError

from .profiles import polynomial_345

FLANK, PEAK = 140.0, 10.0  # crank degrees, mm


def cam(side: Any, nominal: float = 108.0, offset: float = 0.0, lash: float = 0.0, peak: float = PEAK) -> Camshaft:
    angles = np.arange(-142.0, 143.0, 1.0)
    lobe = Lobe.through(angles, peak * polynomial_345(angles / FLANK))
    return Camshaft(side, lobe, lobe, lash, nominal, offset, None)


def test_true_centrelines() -> None:
    """Source: the convention of the trade: icl = nominal - offset - phase, ecl = nominal + offset + phase."""
    phases = np.array([-10.0, 0.0, 25.0])
    intake, exhaust = cam("intake", 110.0, -12.0), cam("exhaust", 112.0, 10.0)
    np.testing.assert_allclose(intake.true_centreline(phases), 110.0 + 12.0 - phases)
    np.testing.assert_allclose(exhaust.true_centreline(phases), 112.0 + 10.0 + phases)
    np.testing.assert_allclose(intake.centre(phases), intake.true_centreline(phases))
    np.testing.assert_allclose(exhaust.centre(phases), -exhaust.true_centreline(phases))


def test_advancing_the_intake_and_retarding_the_exhaust_lift_the_valve_at_tdc() -> None:
    """Source: common practice, no source: these two moves close the valve-to-piston gap."""
    intake, exhaust = cam("intake"), cam("exhaust")
    assert float(intake.lift(0.0, intake.centre(10.0))) > float(intake.lift(0.0, intake.centre(0.0)))
    assert float(exhaust.lift(0.0, exhaust.centre(-10.0))) > float(exhaust.lift(0.0, exhaust.centre(0.0)))


@pytest.mark.parametrize(
    ("changes", "arrangement"),
    [
        ({}, "both"),
        ({"exhaust": {"phaser": None}}, "intake"),
        ({"intake": {"phaser": None}}, "exhaust"),
        (
            {
                "intake": {"phaser": None},
                "exhaust": {"phaser": None},
                "phaser": {"travel": [-20.0, 20.0], "slew": {"advance": 80.0, "retard": 80.0}},
            },
            "together",
        ),
    ],
)
def test_the_four_arrangements(tmp_path: Path, changes: dict[str, Any], arrangement: str) -> None:
    """Source: which cams a phaser moves."""
    engine = engine_of(project_of(tmp_path, **changes))
    assert engine.arrangement == arrangement
    assert (engine.intake.phaser is not None) == (arrangement in ("both", "intake", "together"))
    assert (engine.exhaust.phaser is not None) == (arrangement in ("both", "exhaust", "together"))
    if arrangement == "together":
        assert engine.cam("intake").phaser == engine.cam("exhaust").phaser


def test_an_engine_with_a_measured_lobe_and_a_card(tmp_path: Path) -> None:
    """Source: the project's own numbers; a measured lobe leaves nothing open, a card does."""
    card = {
        "lift": 9.6,
        "measured_at": "tappet",
        "durations": [{"at": 0.4, "degrees": 252.0}, {"at": 1.0, "degrees": "115 cam deg"}],
    }
    engine = engine_of(project_of(tmp_path, exhaust={"lobe": None, "card": card}))
    assert engine.intake.most is engine.intake.lobe
    assert engine.intake.lobe.peak == pytest.approx(10.5)
    assert float(engine.intake.centre(0.0)) == 116.0
    assert engine.exhaust.lobe.span(1.0) == pytest.approx((-115.0, 115.0), abs=0.025)
    assert float(engine.exhaust.most.lift(90.0)) > float(engine.exhaust.lobe.lift(90.0)) + 0.5
    assert float(engine.crank.drop(180.0)) == pytest.approx(86.0)


@pytest.mark.parametrize(
    ("changes", "files", "says"),
    [
        ({"intake": {"lash": 11.0}}, {}, "intake: 11 mm is no valve lash"),
        ({"tables": {"check_lift": 10.0}}, {}, "lash 0.25 mm and check lift 10 mm"),
        ({}, {"intake.csv": lobe_csv(10.5, 132.0)}, "halve them"),
        (
            {
                "exhaust": {
                    "lobe": None,
                    "card": {
                        "lift": 9.6,
                        "measured_at": "tappet",
                        "durations": [{"at": 0.4, "degrees": 90.0}, {"at": 1.0, "degrees": 80.0}],
                    },
                }
            },
            {},
            "project.toml: exhaust.card.durations: 90 degrees",
        ),
    ],
)
def test_an_engine_that_cannot_be_is_refused(
    tmp_path: Path, changes: dict[str, Any], files: dict[str, str], says: str
) -> None:
    """Source: none; each message names the file, the key or line, and the fix."""
    with pytest.raises(InputError) as caught:
        engine_of(project_of(tmp_path, files, **changes))
    assert says in str(caught.value)
    assert "Fix:" in str(caught.value)


@pytest.mark.parametrize("header", ["cam_deg,lift_mm", "cam_deg,valve_lift_mm"])
def test_a_lash_larger_than_the_lift_is_refused(tmp_path: Path, header: str) -> None:
    """Source: none; a valve with more lash than lift never opens. A measured lobe, at the tappet or the retainer."""
    files = {"intake.csv": lobe_csv(10.5, 66.0).replace("cam_deg,lift_mm", header)}
    with pytest.raises(InputError, match="12 mm is no valve lash") as caught:
        engine_of(project_of(tmp_path, files, intake={"lash": 12.0}))
    assert caught.value.mistakes[0].hint


def test_a_zero_that_was_found_is_asked_about_sooner(tmp_path: Path) -> None:
    """Full lift 1.8 crank degrees off the middle of equal lifts: a stated zero is taken as stated; of a bench's zero
    somebody must say which of the two the centreline is. Then both files give the same cam."""
    angle = np.arange(-70.0, 71.0, 1.0)
    flank = np.where(angle < 0, 66.0, 58.0)
    lift = np.where(abs(angle) < flank, 10.0 * np.cos(np.pi * angle / (2 * flank)) ** 2, 0.0)
    rows = ["".join(f"{a + zero:g},{each:.5f}\n" for a, each in zip(angle, lift, strict=True)) for zero in (0, 107)]
    stated, bench = {"intake.csv": f"cam_deg,lift_mm\n{rows[0]}"}, {"intake.csv": f"bench_deg,lift_mm\n{rows[1]}"}
    assert camshaft_of(project_of(tmp_path, stated), "intake")
    with pytest.raises(InputError, match="say which of them is the centreline"):
        camshaft_of(project_of(tmp_path, bench), "intake")
    by: dict[str, Any] = {"centreline_by": "full lift"}
    cams = [camshaft_of(project_of(tmp_path, files, intake=by), "intake") for files in (stated, bench)]
    theta = np.arange(0.0, 220.0, 5.0)
    one, other = (cam.lift(theta, cam.centre(0.0)) for cam in cams)
    np.testing.assert_allclose(one, other, atol=0.002)
