"""What a wheel and a source distribution carry. `benchmarks/bench_packaging.py` installs them and runs them."""

import tarfile
import zipfile
from pathlib import Path

import pytest
from hatchling.builders.sdist import SdistBuilder
from hatchling.builders.wheel import WheelBuilder
from hillclimb import ROOT

from phaseopt.cli.example_data import source_files


def wheel(root: Path, folder: Path) -> Path:
    (path,) = WheelBuilder(str(root)).build(directory=str(folder), versions=["standard"])
    return Path(path)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return wheel(ROOT, tmp_path_factory.mktemp("wheel"))


def test_a_wheel_carries_all_that_runs(built: Path) -> None:
    """Every module, template and data file of the package, the mark of typed packages (PEP 561) and the example."""
    with zipfile.ZipFile(built) as archive:
        names = set(archive.namelist())
    package = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "phaseopt").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert package <= names
    assert "phaseopt/py.typed" in names
    assert {f"phaseopt/_examples/{name}" for name in source_files(ROOT)} <= names
    assert not [name for name in names if not name.startswith(("phaseopt/", "phaseopt-"))]
    assert not [name for name in names if ".phaseopt" in name or name.endswith((".nbi", ".nbc", ".pyc"))]


def test_a_wheel_of_the_source_distribution_is_the_wheel(built: Path, tmp_path: Path) -> None:
    """The same bytes, and the source distribution holds tests, examples and maps too."""
    (sdist,) = SdistBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    with tarfile.open(sdist) as archive:
        archive.extractall(tmp_path, filter="data")
    root = tmp_path / Path(sdist).name.removesuffix(".tar.gz")
    assert all((root / name).is_dir() for name in ("tests", "examples/intake_only", "maps/hillclimb-best"))
    assert not list(root.rglob(".phaseopt"))
    assert wheel(root, tmp_path / "again").read_bytes() == built.read_bytes()
