"""Every figure of a build by itself."""

import struct
from itertools import islice
from pathlib import Path
from xml.etree import ElementTree

import pytest

from phaseopt.job.build import Build
from phaseopt.output.directory import RECORD, require_apart, write_files
from phaseopt.output.figure_files import figure_files
from phaseopt.report.figures.all_of_build import build_figures, heading
from phaseopt.values.errors import InputError

NAMES = {
    "torque", "power", "table-intake", "table-exhaust", "map-intake_piston", "map-exhaust_piston",
    "angle-intake_piston", "angle-exhaust_piston", "safe", "dips", "limit-costs", "thin",
}  # fmt: skip


@pytest.fixture(scope="module")
def files(hillclimb: Build) -> dict[str, str | bytes]:
    return figure_files(hillclimb)


def test_each_figure_is_there_as_svg_and_png(files: dict[str, str | bytes]) -> None:
    names = {name.rpartition(".")[0] for name in files} - {"run"}
    assert names >= NAMES
    assert set(files) == {f"{name}.{kind}" for name in names for kind in ("svg", "png")} | {RECORD}


def test_each_is_read_alone(hillclimb: Build, files: dict[str, str | bytes]) -> None:
    """Each has the project's name and verdict, and titled axes; every one but a table's load and speed has a unit."""
    above = heading(hillclimb)
    assert above.startswith(f"{hillclimb.project.name}: clear at every cell and in any combination up to")
    for name, content in files.items():
        if name.endswith(".svg"):
            assert isinstance(content, str)
            shown = " ".join(" ".join(ElementTree.fromstring(content).itertext()).split())
            assert above in shown, name
            axes = ("engine speed, rpm", "crank angle, degrees", "crank degrees", "you should measure")
            assert any(axis in shown for axis in axes), name


def test_a_png_is_one_at_150_dots_an_inch_and_bears_no_program(files: dict[str, str | bytes]) -> None:
    """PNG (ISO/IEC 15948): signature, IHDR first; pHYs in pixels a metre, 150 / 0.0254; tEXt bears names."""
    for name, content in files.items():
        if name.endswith(".png"):
            assert isinstance(content, bytes)
            assert content[:8] == b"\x89PNG\r\n\x1a\n"
            width, height = struct.unpack(">II", content[16:24])
            assert 800 <= width <= 1500, name
            assert 300 <= height <= 1500, name
            place = content.index(b"pHYs") + 4
            assert struct.unpack(">II", content[place : place + 8]) == (5906, 5906)
            assert b"tEXt" not in content


def test_the_same_build_gives_the_same_bytes(hillclimb: Build, files: dict[str, str | bytes]) -> None:
    for drawing in islice(build_figures(hillclimb), 0, None, 3):  # every third: a build's page holds the others
        again = drawing.files(heading(hillclimb))
        assert again == {name: files[name] for name in again}


def test_they_are_written_whole_and_replaced(tmp_path: Path, files: dict[str, str | bytes]) -> None:
    folder = tmp_path / "figures"
    for _ in range(2):
        write_files(folder, files, "--figures")
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == {
            name: content.encode() if isinstance(content, str) else content for name, content in files.items()
        }


@pytest.mark.parametrize(("figures", "out"), [("a", "a"), ("a/b", "a"), ("a", "a/b"), ("x/../a", "a")])
def test_a_directory_that_is_not_apart_is_refused(tmp_path: Path, figures: str, out: str) -> None:
    with pytest.raises(InputError, match=r"--figures: is not apart from --out.*Fix: name a directory beside it"):
        require_apart(tmp_path / figures, "--figures", tmp_path / out)
    require_apart(tmp_path / "a", "--figures", tmp_path / "ab")
