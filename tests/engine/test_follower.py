"""Followers whose ratio changes with lift: finger followers and rockers.

Expectations are closed forms: a ratio that grows as a + b l at lifter lift l moves the valve by a l + b l²/2, so that
valve lift over lifter lift is a + b l/2. How far ratios of finger followers grow is common practice, no source.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import lobe_csv, project_of

from phaseopt.clearance.model import contact_model
from phaseopt.engine.camshaft import Camshaft, camshaft_of
from phaseopt.engine.lobe import at_valve
from phaseopt.values.errors import InputError

A, B = 1.5, 0.04  # ratio at no lift, and its growth a mm
LIFTER = np.linspace(0.0, 6.0, 61)
TRUE = A * LIFTER + B * LIFTER**2 / 2
PAIRS = [[lift, A + B * lift / 2] for lift in (0.5, 3.0, 6.5)]


def cam(folder: Path, header: str = "cam_deg,lift_mm", **intake: Any) -> Camshaft:
    files = {"intake.csv": lobe_csv(6.0, 66.0).replace("cam_deg,lift_mm", header)}
    return camshaft_of(project_of(folder, files, intake={"lash": 0.0, **intake}), "intake")


def test_pairs_give_the_lift_of_the_closed_form() -> None:
    assert at_valve(LIFTER[5:], tuple(map(tuple, PAIRS))) == pytest.approx(TRUE[5:], abs=1e-12)


def test_a_lobe_through_measured_pairs_lifts_as_the_closed_form(tmp_path: Path) -> None:
    one = cam(tmp_path, ratio=1.0).lobe
    found = cam(tmp_path, ratio_over_lift=PAIRS)
    x = np.linspace(-100.0, 100.0, 81)
    lifter = one.lift(x)
    assert found.lobe.lift(x) == pytest.approx(A * lifter + B * lifter**2 / 2, abs=0.01)
    assert found.most is found.lobe


@pytest.mark.parametrize("growth", [0.0, 0.02, 0.05])
def test_one_ratio_is_charged_for_what_it_may_be_short(tmp_path: Path, growth: float) -> None:
    """Where the ratio grows by up to 5 % at full lift, no lift is above what contact counts."""
    charged = cam(tmp_path, ratio=1.5)
    one = cam(tmp_path, ratio=1.0).lobe
    x = np.linspace(-130.0, 130.0, 521)
    lifter = one.lift(x)
    true = 1.5 * lifter * (1.0 + growth * lifter / 6.0)
    assert (charged.most.lift(x) >= true - 1e-9).all()


def test_who_measured_at_the_valve_is_charged_nothing(tmp_path: Path) -> None:
    found = cam(tmp_path, "cam_deg,valve_lift_mm", ratio=1.5)
    assert found.most is found.lobe


def test_a_stated_error_replaces_the_usual_one_and_shows_in_the_gap(tmp_path: Path) -> None:
    gaps = []
    for error in (0.0, 0.03, None):
        keys = {"ratio": 1.5, "ratio_error": error} if error is not None else {"ratio": 1.5}
        files = {"intake.csv": lobe_csv(6.0, 66.0)}
        model = contact_model(project_of(tmp_path, files, intake=keys))
        gaps.append(float(model.gaps([0.0, 0.0, 0.0, 0.0]).static[0, 0]))
        assert any("ratio" in note for note in model.notes) is (error != 0.0)
    assert gaps[0] > gaps[1] > gaps[2]


@pytest.mark.parametrize(
    "keys",
    [
        {"ratio": 1.5, "ratio_over_lift": [[1.0, 1.5]]},
        {"ratio_over_lift": [[2.0, 1.5], [1.0, 1.6]]},
        {"ratio_over_lift": [[0.0, 1.5]]},
        {"ratio_over_lift": [[1.0, 15.0]]},
    ],
)
def test_pairs_that_are_none_are_refused(tmp_path: Path, keys: dict[str, Any]) -> None:
    with pytest.raises(InputError) as caught:
        project_of(tmp_path, intake=keys)
    assert "ratio_over_lift" in str(caught.value)
