"""What several parts of the tests share."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from browser import axe_source, launched
from hillclimb import pulls_alone

from phaseopt.job.build import Build, build

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def hillclimb() -> Build:
    """The example's build from its pulls alone; a test must not change it."""
    return build(pulls_alone())


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """A browser, where there is one."""
    with launched() as found:
        yield found


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core as a script."""
    return axe_source(tmp_path_factory.mktemp("axe"))
