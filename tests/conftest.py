"""What several parts of the tests share."""

# Several workers share the processor, and sums must not depend on how many threads there are: before NumPy is loaded.
import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"

# ruff: noqa: E402
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser import axe_source, launched
from hillclimb import pulls_alone
from shared import once

from phaseopt.job.build import Build, build
from phaseopt.output.files import build_files

if TYPE_CHECKING:
    from playwright.sync_api import Browser


# Where several workers share the tests: files that take long, in the order in which they are begun, so that none is
# left for the end. The first two compile most kernels, each others.
LONG = (
    "job/test_build.py", "cycle/test_torque_grid.py", "cycle/test_calibrate.py", "cycle/test_calibration.py",
    "cycle/test_engine.py", "test_examples.py", "test_notebooks.py", "cli/test_commands.py", "test_library.py",
    "job/test_build_simulated.py", "report/test_pages_in_browser.py", "cli/test_simulate.py",
    "output/test_figure_files.py", "output/test_simulated_files.py", "study/test_offsets.py",
    "report/test_simulation.py", "values/test_numba.py", "cli/test_frame.py", "study/test_tradeoff.py",
    "report/test_studies.py", "job/test_build_supplied_grid.py", "test_wheel.py",
)  # fmt: skip


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The tests of a file run on one worker, so that what they share is made once."""
    if not hasattr(config, "workerinput"):
        return
    tests = Path(__file__).parent
    place = {tests / name: i for i, name in enumerate(LONG)}
    for item in items:
        if item.get_closest_marker("xdist_group") is None:
            inside = item.path.is_relative_to(tests)
            item.add_marker(pytest.mark.xdist_group(str(item.path if inside else item.path.parent)))
    items.sort(key=lambda item: place.get(item.path, len(place)))


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
