"""What several parts of the tests share."""

from pathlib import Path

import pytest

from phaseopt.build import Build, build
from phaseopt.project_file import load_project

ROOT = Path(__file__).parent.parent
HILLCLIMB = ROOT / "examples" / "hillclimb" / "project.toml"


@pytest.fixture(scope="session")
def hillclimb() -> Build:
    """The example's build; a test must not change it."""
    return build(load_project(HILLCLIMB))
