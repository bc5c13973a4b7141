"""Factors of another engine's calibration: with the same parts, or refused by key."""

from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from engines import project_of

from phaseopt.cycle.carried import require_same_parts
from phaseopt.project import Project
from phaseopt.values.errors import InputError

from .test_from_project import CYCLE, FOUR

FACTORS = {"flow": 0.95, "friction": 1.2, "burn_duration": 1.1, "of": "../now/project.toml"}


def engine(folder: Path, cycle: dict[str, Any], **changes: Any) -> Project:
    folder.mkdir()
    return project_of(folder, firing_order=FOUR, cycle=cycle, **changes)


def next_engine(folder: Path, now: dict[str, Any] | None = None, /, **changes: Any) -> Project:
    """An engine that takes its factors from one beside it; `now` are changes of that one's [cycle]."""
    engine(folder / "now", {**deepcopy(CYCLE), **(now or {})})
    cycle = {**deepcopy(CYCLE), **changes.pop("cycle", {}), "factors": FACTORS | changes.pop("factors", {})}
    return engine(folder / "next", cycle, **changes)


def refused(project: Project) -> dict[str, str]:
    """Keys of factors refused, and why."""
    with pytest.raises(InputError) as caught:
        require_same_parts(project)
    assert all(mistake.file == project.file and mistake.hint for mistake in caught.value.mistakes)
    return {mistake.where: str(mistake) for mistake in caught.value.mistakes}


def test_with_the_same_parts_all_are_carried(tmp_path: Path) -> None:
    """Pipes are no part of any factor's: they may be others."""
    longer = deepcopy(CYCLE["exhaust"]) | {"tail": [{"length": 900, "start": 55}]}
    require_same_parts(next_engine(tmp_path, cycle={"exhaust": longer}))


def test_another_head_takes_no_flow(tmp_path: Path) -> None:
    found = refused(next_engine(tmp_path, intake={"head_diameter": 34.0}))
    assert list(found) == ["cycle.factors.flow"]
    assert "intake.head_diameter" in found["cycle.factors.flow"]


def test_another_port_takes_no_flow(tmp_path: Path) -> None:
    intake = deepcopy(CYCLE["intake"]) | {"throat": 29.0}
    assert "cycle.intake.throat" in refused(next_engine(tmp_path, cycle={"intake": intake}))["cycle.factors.flow"]


def test_another_bottom_end_takes_neither_friction_nor_burning(tmp_path: Path) -> None:
    found = refused(next_engine(tmp_path, crank={"bore": 83.0}))
    assert list(found) == ["cycle.factors.friction", "cycle.factors.burn_duration"]


def test_a_factor_multiplies_the_same_figure(tmp_path: Path) -> None:
    assert list(refused(next_engine(tmp_path, cycle={"burn_duration": 50.0}))) == ["cycle.factors.burn_duration"]


def test_what_one_does_not_describe_is_not_compared(tmp_path: Path) -> None:
    outward = deepcopy(CYCLE["exhaust"]) | {"outward": [[0.05, 0.7], [0.3, 0.6]]}
    require_same_parts(next_engine(tmp_path, {"exhaust": outward}))


def test_only_factors_in_use_are_compared(tmp_path: Path) -> None:
    require_same_parts(next_engine(tmp_path, factors={"flow": 1.0}, intake={"head_diameter": 34.0}))


def test_a_project_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        require_same_parts(next_engine(tmp_path, factors={"of": "elsewhere.toml"}))
    assert "elsewhere.toml" in str(caught.value)
