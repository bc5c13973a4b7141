"""Both examples with each usual mistake planted in a copy: `limits` and `check` refuse it and name the cause.

The mistakes, and that builders make them, are common practice, no source. The readings on the engine are not changed.
"""

import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hillclimb import ROOT
from typer.testing import CliRunner, Result

from phaseopt.cli import app

EXAMPLES = "hillclimb", "intake_only"


@dataclass(frozen=True)
class Copy:
    """A copy of an example whose project file and readings may be spoiled."""

    folder: Path

    @property
    def project(self) -> Path:
        return self.folder / "project.toml"

    def text(self, old: str, new: str) -> None:
        text = self.project.read_text(encoding="utf-8")
        assert old in text, old
        self.project.write_text(text.replace(old, new, 1), encoding="utf-8")

    def rows(self, name: str, change: Callable[[np.ndarray], np.ndarray]) -> None:
        head, *rows = (self.folder / name).read_text(encoding="utf-8").split()
        found = change(np.array([[float(cell) for cell in row.split(",")] for row in rows]))
        lines = [head, *(f"{angle:g},{lift:.3f}" for angle, lift in found)]
        (self.folder / name).write_text("\n".join([*lines, ""]), encoding="utf-8")

    def swap(self, kind: str) -> None:
        one, other, third = (self.folder / kind / f"{name}.csv" for name in ("intake", "exhaust", "between"))
        one.rename(third)
        other.rename(one)
        third.rename(other)


def copy_of(example: str, folder: Path) -> Copy:
    where = ROOT / "examples" / example
    for part in ("lobes", "drops"):
        shutil.copytree(where / part, folder / part)
    text = (where / "project.toml").read_text(encoding="utf-8").replace("../../maps/", f"{ROOT / 'maps'}/")
    text = re.sub(r"^\[\[?torque.*?(?=^\[(?!\[?torque)|\Z)", "", text, flags=re.MULTILINE | re.DOTALL)
    (folder / "project.toml").write_text(text, encoding="utf-8")
    return Copy(folder)


def mirrored(rows: np.ndarray) -> np.ndarray:
    return np.c_[-rows[::-1, 0], rows[::-1, 1]]


def later(rows: np.ndarray) -> np.ndarray:
    return np.c_[rows[:, 0] + 4.0, rows[:, 1]]


def without_ratio(rows: np.ndarray) -> np.ndarray:
    return np.c_[rows[:, 0], rows[:, 1] / 1.25]


CENTRELINE = {"hillclimb": "centreline = 108.0", "intake_only": "centreline = 118.0"}
END = {"hillclimb": 45.0, "intake_only": 40.0}  # of the intake phaser's travel, crank degrees
LOBE = "lobes/intake.csv"
MISTAKES: dict[str, tuple[Callable[[Copy, str], None], str, tuple[str, ...]]] = {
    # what is planted, one of the words that name it, the examples it can be planted in
    "lobe mirrored": (lambda copy, _: copy.rows(LOBE, mirrored), "mirrored", ("intake_only",)),
    "offset sign": (lambda copy, _: copy.text("offset = -12.0", "offset = 12.0"), "wrong sign", ("hillclimb",)),
    "offset in cam degrees": (
        lambda copy, _: copy.text("offset = -12.0", "offset = -6.0"), "cam degrees", ("hillclimb",),
    ),
    "card in cam degrees": (
        lambda copy, _: [copy.text(f"degrees = {each}", f"degrees = {each / 2:g}") for each in (226, 208, 166)],
        "cam deg", ("intake_only",),
    ),
    "travel in cam degrees": (
        lambda copy, name: copy.text(f"travel = [0.0, {END[name]}]", f"travel = [0.0, {END[name] / 2}]"),
        "cam degrees", EXAMPLES,
    ),
    "travel from the other end": (
        lambda copy, name: copy.text(f"travel = [0.0, {END[name]}]", f"travel = [-{END[name]}, 0.0]"),
        "wrong sign", EXAMPLES,
    ),
    "lobe zero off its nose": (lambda copy, _: copy.rows(LOBE, later), "zero", EXAMPLES),
    "ratio missing": (lambda copy, _: copy.rows(LOBE, without_ratio), "about 1.25", EXAMPLES),
    "ratio missing, lobe mirrored": (
        lambda copy, _: copy.rows(LOBE, lambda rows: mirrored(without_ratio(rows))), "mirrored", ("intake_only",),
    ),
    "lash in thousandths": (lambda copy, _: copy.text("lash = 0.20", "lash = 8"), "8 thou", ("hillclimb",)),
    "lash in inches": (lambda copy, _: copy.text("lash = 0.20", "lash = 0.008"), "0.008 in", ("hillclimb",)),
    "lobe files swapped": (lambda copy, _: copy.swap("lobes"), "swapped", ("hillclimb",)),
    "drop files swapped": (lambda copy, _: copy.swap("drops"), "swapped", ("hillclimb",)),
    "a tooth out": (
        lambda copy, name: copy.text(CENTRELINE[name], f"centreline = {float(CENTRELINE[name][-5:]) + 17:g}"),
        "tooth", EXAMPLES,
    ),
}  # fmt: skip


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(each) for each in arguments])


def at_rest(folder: Path) -> list[object]:
    """Tables of the phaser at rest, which either example calls clear."""
    (folder / "rest.csv").write_text("rpm\\load_kPa,30,100\n1000,0,0\n6000,0,0\n", encoding="utf-8")
    return ["--intake", folder / "rest.csv", "--intake-sign", "1", "--intake-zero", "0", "--intake-in", "crank"]


@pytest.mark.parametrize("example", EXAMPLES)
def test_an_example_without_a_mistake_is_clear(example: str, tmp_path: Path) -> None:
    copy = copy_of(example, tmp_path)
    for found in (run("limits", copy.project), run("check", copy.project, *at_rest(tmp_path))):
        assert found.exit_code == 0, found.output
        assert "CLEAR in any combination" in found.output


@pytest.mark.parametrize(
    ("name", "example"), [(name, example) for name, (_, _, fits) in MISTAKES.items() for example in fits]
)
def test_a_mistake_is_refused_and_named(name: str, example: str, tmp_path: Path) -> None:
    plant, cause, _ = MISTAKES[name]
    copy = copy_of(example, tmp_path)
    plant(copy, example)
    for found in (run("limits", copy.project), run("check", copy.project, *at_rest(tmp_path))):
        assert found.exit_code == 2, found.output
        assert cause in " ".join(found.output.split())
        assert "CLEAR in any" not in found.output


def test_a_mirrored_lobe_that_rough_readings_allow_counts_either_way(tmp_path: Path) -> None:
    """The hill-climb flanks are nearly alike and its wheel is read to half a degree: nothing shows which is which."""
    copy = copy_of("hillclimb", tmp_path)
    copy.rows(LOBE, mirrored)
    found = run("limits", copy.project, "--verbose")
    assert found.exit_code == 0
    assert "intake readings fit as well if the lobe file is mirrored" in " ".join(found.output.split())
