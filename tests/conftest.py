"""What several parts of the tests share."""

# Several workers share the processor, and sums must not depend on how many threads there are: before NumPy is loaded.
import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"

# ruff: noqa: E402
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from browser import axe_source, launched
from hillclimb import pulls_alone
from shared import once

from phaseopt.job.build import Build, build
from phaseopt.output.files import build_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def hillclimb(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """The example's build from its pulls alone; a test must not change it."""
    return once(tmp_path_factory, "hillclimb", lambda _: build(pulls_alone()))


@pytest.fixture(scope="session")
def hillclimb_files(hillclimb: Build, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What that build writes, by name; a test must not change it."""
    return once(tmp_path_factory, "hillclimb-files", lambda _: build_files(hillclimb))


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """A browser, where there is one."""
    with launched() as found:
        yield found


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core as a script."""
    return once(tmp_path_factory, "axe", axe_source)
