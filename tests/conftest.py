"""What several parts of the tests share."""

import pytest
from hillclimb import pulls_alone

from phaseopt.job import Build, build


@pytest.fixture(scope="session")
def hillclimb() -> Build:
    """The example's build from its pulls alone; a test must not change it."""
    return build(pulls_alone())
