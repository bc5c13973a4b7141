"""What a centreline is of: full lift and equal lifts are apart on a lobe whose flanks differ.

Expectations are closed forms of a lobe with cosine flanks of unequal length: full lift is at its zero, and lift 1.25 mm
below the peak is passed at the same share of each flank.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import project_of

from phaseopt.clearance.model import contact_model
from phaseopt.engine.camshaft import camshaft_of
from phaseopt.values.errors import InputError

PEAK, BEFORE, AFTER = 10.0, 56.0, 76.0  # mm, cam degrees
SHARE = np.arccos(1 - 2 * 1.25 / PEAK) / np.pi
MIDDLE = SHARE * (AFTER - BEFORE)  # crank degrees after full lift


def project(folder: Path, zero: float = 0.0, **intake: Any) -> Any:
    """Full lift `zero` cam degrees after the file's zero."""
    cam_deg = np.arange(-90.0, 95.0)
    half = np.where(cam_deg < zero, BEFORE, AFTER)
    share = np.clip((cam_deg - zero) / half, -1.0, 1.0)
    rows = "\n".join(f"{a:g},{b:.5f}" for a, b in zip(cam_deg, PEAK / 2 * (1 + np.cos(np.pi * share)), strict=True))
    (folder / "uneven.csv").write_text(f"cam_deg,lift_mm\n{rows}\n")
    return project_of(folder, intake={"lobe": "uneven.csv", "ratio": 1.0, "lash": 0.0, **intake})


@pytest.mark.parametrize(("by", "full"), [("lobe zero", 4.0), ("full lift", 0.0), ("equal lift", -MIDDLE)])
def test_the_lobe_is_where_its_centreline_is_taken(tmp_path: Path, by: str, full: float) -> None:
    """The file's zero 2 cam degrees before full lift."""
    cam = camshaft_of(project(tmp_path, 2.0, centreline_by=by), "intake")
    x = np.linspace(-20.0, 20.0, 4001)
    lift = cam.lobe.lift(x)
    near = x[lift > PEAK - 0.002]
    assert near.mean() == pytest.approx(full, abs=0.5)


@pytest.mark.parametrize("zero", [0.0, 2.0])
def test_a_nose_off_its_zero_is_asked_about(tmp_path: Path, zero: float) -> None:
    with pytest.raises(InputError) as caught:
        camshaft_of(project(tmp_path, zero), "intake")
    (mistake,) = caught.value.mistakes
    assert mistake.where == "intake.centreline_by"
    assert "equal lift" in mistake.hint


def test_a_cam_turned_backwards_on_the_bench_is_not_covered(tmp_path: Path) -> None:
    """A file from any zero does not show which flank opens; readings on the engine do."""
    project(tmp_path)
    (tmp_path / "bench.csv").write_text((tmp_path / "uneven.csv").read_text().replace("cam_deg", "bench_deg"))
    uneven: dict[str, Any] = {"lobe": "bench.csv", "ratio": 1.0, "lash": 0.0, "centreline_by": "full lift"}
    for readings, listed in (({}, True), ({"degree_in": {"lifts": flanks(110.0)}}, False)):
        model = contact_model(project_of(tmp_path, intake={**uneven, "centreline": 110.0, "offset": 0.0, **readings}))
        assert any("intake cam turned on the bench" in each for each in model.not_covered) == listed
        assert not any("exhaust cam turned" in each for each in model.not_covered)


def flanks(centre: float) -> list[dict[str, float]]:
    """Where the lobe passes two lifts with full lift at an angle."""
    lines = []
    for lift in (3.0, 7.0):
        share = np.arccos(2 * lift / PEAK - 1) / np.pi
        lines.append({"lift": lift, "opening": centre - 2 * BEFORE * share, "closing": centre + 2 * AFTER * share})
    return lines


def test_the_zero_of_a_bench_is_no_centreline(tmp_path: Path) -> None:
    """It would count as the lobe's own, which the maker of the cam states: full lift is 10° from it here."""
    project(tmp_path)
    (tmp_path / "bench.csv").write_text((tmp_path / "uneven.csv").read_text().replace("cam_deg", "bench_deg"))
    uneven: dict[str, Any] = {"lobe": "bench.csv", "ratio": 1.0, "lash": 0.0}
    for by in ({"centreline_by": "lobe zero"}, {}):
        with pytest.raises(InputError) as caught:
            camshaft_of(project_of(tmp_path, intake={**uneven, **by}), "intake")
        (mistake,) = caught.value.mistakes
        assert mistake.where == "intake.centreline_by"
        assert "equal lift" in mistake.hint
        assert '"lobe zero"' not in mistake.hint
    camshaft_of(project_of(tmp_path, intake={**uneven, "centreline_by": "full lift"}), "intake")


def test_a_redline_in_thousands_is_asked_about(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="8000"):
        project_of(tmp_path, crank={"redline": 8.0, "overspeed": 9000.0})
