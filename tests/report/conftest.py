"""Builds for the report to show: real contact, search and torque of small invented engines."""

import pytest
from engines import SEATS
from shared import once
from small_builds import HOSTILE, small_build

from phaseopt.job.build import Build
from phaseopt.output.files import build_files


@pytest.fixture(scope="session")
def both(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Two phasers, valve to valve covered, a name that tries to break the page."""
    name = HOSTILE.replace('"', '\\"')
    changes = {"name": name, "seats": SEATS, "gap": {"tables_only_guard": True}}
    return once(tmp_path_factory, "both", lambda folder: small_build(folder, **changes))


@pytest.fixture(scope="session")
def tied(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """One phaser for both sets of lobes, valve to valve not covered."""
    shared = {"travel": [0.0, 20.0], "slew": {"advance": 80.0, "retard": 100.0}}
    still = {"phaser": None}
    changes = {"phaser": shared, "intake": still, "exhaust": still, "gap": {"tables_only_guard": True}}
    return once(tmp_path_factory, "tied", lambda folder: small_build(folder, tied=True, **changes))


@pytest.fixture(scope="session")
def intake_only(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """A fixed exhaust cam."""
    changes = {"exhaust": {"phaser": None}, "gap": {"tables_only_guard": True}}
    return once(tmp_path_factory, "intake_only", lambda folder: small_build(folder, **changes))


@pytest.fixture(scope="session")
def both_files(both: Build, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What the first of them writes, by name."""
    return once(tmp_path_factory, "both-files", lambda _: build_files(both))


@pytest.fixture(scope="session")
def tied_files(tied: Build, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What the second writes."""
    return once(tmp_path_factory, "tied-files", lambda _: build_files(tied))


@pytest.fixture(scope="session")
def intake_only_files(intake_only: Build, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What the third writes."""
    return once(tmp_path_factory, "intake_only-files", lambda _: build_files(intake_only))
