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


# Where several workers share the tests, each takes a file at a time (`--dist loadfile`), so that what its tests share
# is made once. Files that take long, in the order in which they are begun, so that none is left for the end. The first
# two compile most kernels, each others.
LONG = (
    "job/test_build.py", "cycle/test_company.py", "cycle/test_torque_grid.py", "cycle/test_cluster.py",
    "report/test_pages_in_browser.py", "test_notebooks.py", "cycle/test_calibrate.py", "cycle/test_calibration.py",
    "cycle/test_engine.py", "test_examples.py", "output/test_compare.py", "cli/test_tradeoff.py", "cli/test_offsets.py",
    "output/test_figure_files.py", "test_library.py", "job/test_build_simulated.py", "cli/test_commands.py",
    "engine/test_cam_card.py", "cli/test_simulate.py", "outside/test_limits_and_check.py",
    "search/test_arrangements.py",
    "study/test_offsets.py", "engine/test_degree_in.py", "engine/test_valve_control.py", "outside/test_degreed.py",
    "report/test_simulation_figures.py", "report/test_studies.py", "output/records/test_schema.py", "io/test_atomic.py",
    "outside/test_pockets.py", "study/test_confirm.py", "study/test_acquisition.py", "cli/test_fit.py",
    "report/test_page.py", "output/test_simulated_files.py", "test_hostile.py", "test_first_hour.py",
    "job/test_build_supplied_grid.py", "test_wheel.py",
)  # fmt: skip


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Files that take long come first where several workers share the tests."""
    if hasattr(config, "workerinput"):
        tests = Path(__file__).parent
        place = {tests / name: i for i, name in enumerate(LONG)}
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
