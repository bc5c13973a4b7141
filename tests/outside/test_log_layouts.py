"""Logs in invented layouts: each gives the torque that was written, or is refused with the words of the fix."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import project_of

from outside.log_files import READ, REFUSED, Layout, Pull
from phaseopt.project import Project
from phaseopt.torque import reduce_logs
from phaseopt.values.errors import InputError

CRANK = {"sign": 1, "zero": 0.0, "in": "crank deg"}
INTAKE, EXHAUST = 12.0, -8.0


def curve(rpm: np.ndarray) -> np.ndarray:
    return 150.0 + 20.0 * np.sin(rpm / 1500.0)


def pull() -> Pull:
    rpm = np.linspace(2000.0, 6500.0, 600)
    held = np.ones_like(rpm)
    return Pull(np.arange(600) * 0.02, rpm, curve(rpm), 99.0 * held, 100.0 * held, INTAKE * held, EXHAUST * held)


def project_with(folder: Path, layout: Layout) -> Project:
    """A project with this log alone in its folder, and no more stated than the layout says."""
    (folder / "logs").mkdir()
    (folder / "logs" / layout.file).write_bytes(layout.write(pull()))
    torque: dict[str, Any] = {
        "correction": "none",
        "logs": "logs/",
        "columns": layout.columns,
        "phases": {"intake": CRANK, "exhaust": CRANK},
        "full_throttle": {"throttle_above": 95},
    }
    return project_of(folder, torque=torque | layout.torque)


@pytest.mark.parametrize("layout", READ, ids=lambda layout: layout.name)
def test_a_layout_is_read(tmp_path: Path, layout: Layout) -> None:
    project = project_with(tmp_path, layout)
    points = reduce_logs(project).points
    assert points.sizes["point"] >= 17
    np.testing.assert_allclose(points["torque"], curve(points["rpm"].to_numpy()), rtol=2e-3)
    icl, ecl = (project.cam(side).centreline for side in ("intake", "exhaust"))
    np.testing.assert_allclose(points["icl"], icl - project.intake.offset - INTAKE, atol=0.05)
    np.testing.assert_allclose(points["ecl"], ecl + project.exhaust.offset + EXHAUST, atol=0.05)
    assert points["full_throttle"].all()


@pytest.mark.parametrize(("layout", "fix"), REFUSED, ids=lambda given: getattr(given, "name", ""))
def test_a_layout_is_refused_with_the_fix(tmp_path: Path, layout: Layout, fix: tuple[str, ...]) -> None:
    with pytest.raises(InputError) as caught:
        reduce_logs(project_with(tmp_path, layout))
    words = " ".join(f"{mistake.where} {mistake.problem} {mistake.hint}" for mistake in caught.value.mistakes)
    assert all(each in words for each in fix), words
    assert all(mistake.hint and mistake.file is not None for mistake in caught.value.mistakes)
