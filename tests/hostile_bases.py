"""Sound projects that `outside/hostile.py` damages, and one call of each command so that a fork finds all loaded."""

import shutil
from collections.abc import Sequence
from pathlib import Path

from engines import write_project
from hillclimb import ROOT
from outside.hostile import Base
from small_builds import TORQUE, _pulls
from supplied_grid import given_project
from typer.testing import CliRunner

from phaseopt.cli import app

TABLE = "crank degrees 0 at rest\nrpm\\load,40,70,100\n1000,0,0,0\n5000,{0},{0},{0}\n8000,0,0,0\n"
CLAMPS = "crank degrees 0 at rest\nrpm,least,most\n1000,0,10\n8000,0,10\n"
PROJECT = "project.toml"
LIMITS = (("limits", PROJECT), ("limits", PROJECT, "--out", "results"), ("limits", PROJECT, "--sheet", "s.html"))
CHECK = (
    ("check", PROJECT, "--intake", "in.csv", "--exhaust", "ex.csv"),
    ("check", PROJECT, "--intake", "clamps.csv", "--exhaust-at", "-2"),
)


def bases(folder: Path) -> list[Base]:
    """A project with pulls, tables and clamps; one with a grid of torque; the example with a cam card and one cam."""
    pulls, grid = folder / "pulls", folder / "grid"
    pulls.mkdir(parents=True)
    grid.mkdir()
    path = write_project(pulls, gap={"tables_only_guard": True})
    path.write_text(path.read_text("utf-8") + TORQUE + _pulls(pulls, tied=False), encoding="utf-8")
    for name, text in (("in.csv", TABLE.format(10)), ("ex.csv", TABLE.format(-5)), ("clamps.csv", CLAMPS)):
        (pulls / name).write_text(text, encoding="utf-8")
    given_project(grid)
    return [
        Base(_files(pulls), (*LIMITS, *CHECK, *CHECK, ("reduce", PROJECT), ("fit", PROJECT), ("reduce", PROJECT))),
        Base(_files(grid), (LIMITS[0], ("fit", PROJECT), ("fit", PROJECT))),
        Base(_files(ROOT / "examples" / "intake_only"), (*LIMITS, ("reduce", PROJECT))),
    ]


def warm(sound: Sequence[Base], folder: Path) -> None:
    """Call each command on the sound projects, in this process."""
    for base in sound:
        for arguments in dict.fromkeys(base.calls):
            for name, content in base.files.items():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(content)
            here = [
                str(folder / each) if each.endswith((".toml", ".csv", ".html", "results")) else each
                for each in arguments
            ]
            result = CliRunner().invoke(app, here)
            assert result.exit_code in (0, 1), (here, result.output)
            shutil.rmtree(folder)


def _files(folder: Path) -> dict[str, bytes]:
    kept = (".toml", ".csv")
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.suffix in kept}
