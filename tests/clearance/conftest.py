"""Engines that many tests look at, built once."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from engines import SEATS, project_of

from phaseopt.clearance import ContactModel, contact_model

Build = Callable[..., ContactModel]


@pytest.fixture
def build(tmp_path: Path) -> Build:
    """A contact model of the plain engine with changes."""

    def make(files: dict[str, str] | None = None, **changes: Any) -> ContactModel:
        return contact_model(project_of(tmp_path, files, **changes))

    return make


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    """The plain engine: full intake travel is short, valve to valve not covered."""
    return contact_model(project_of(tmp_path_factory.mktemp("plain")))


@pytest.fixture(scope="session")
def close_heads(tmp_path_factory: pytest.TempPathFactory) -> ContactModel:
    """Heads so near each other that how far one cam may go depends on the other."""
    seats = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
    return contact_model(project_of(tmp_path_factory.mktemp("close"), seats=seats))
