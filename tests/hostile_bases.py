"""Sound projects that `outside/hostile.py` damages, and one call of each command so that a fork finds all loaded."""

import io
import shutil
from collections.abc import Sequence
from pathlib import Path

import xlsxwriter
from engines import FILES, write_project
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
SHORT = (("next", PROJECT), ("limits", PROJECT, "--set", "intake.offset=-10"))
# On a small project with a build of it beside it.
BUILT = (
    ("build", PROJECT, "--out", "results"),
    ("export", PROJECT, "--tables", "kept", "--out", "tables"),
    ("export", PROJECT, "--tables", "kept", "--paste", "intake"),
    ("compare", "kept", "kept"),
    ("compare", "kept", "kept", "--out", "page"),
    ("confirm", PROJECT, "--pull", "more.csv", "--tables", "kept", "--weather", "101 kPa, 20 degC, 0.4"),
    ("plan", PROJECT, "--pulls", "3"),
)


def bases(folder: Path) -> list[Base]:
    """A project with pulls, tables and clamps; one with a grid of torque; the example with a cam card and one cam.

    A project in spreadsheets and with lists; and one that has been built.
    """
    pulls, grid, books, built = (folder / each for each in ("pulls", "grid", "books", "built"))
    for each in (pulls, grid, books, built):
        each.mkdir(parents=True)
    path = write_project(pulls, gap={"tables_only_guard": True})
    path.write_text(path.read_text("utf-8") + TORQUE + _pulls(pulls, tied=False), encoding="utf-8")
    for name, text in (("in.csv", TABLE.format(10)), ("ex.csv", TABLE.format(-5)), ("clamps.csv", CLAMPS)):
        (pulls / name).write_text(text, encoding="utf-8")
    given_project(grid)
    _in_spreadsheets(books)
    _built(built)
    quick = [
        Base(_files(pulls), (*LIMITS, *CHECK, *CHECK, ("reduce", PROJECT), ("fit", PROJECT), ("reduce", PROJECT))),
        Base(_files(grid), (LIMITS[0], ("fit", PROJECT), ("fit", PROJECT))),
        Base(_files(ROOT / "examples" / "intake_only"), (*LIMITS, ("reduce", PROJECT))),
        Base(_files(books), (*LIMITS, *SHORT, CHECK[0])),
    ]
    return [*quick, *quick, Base(_files(built), BUILT)]  # those that build take a hundred times as long


def _in_spreadsheets(folder: Path) -> None:
    """A project whose lobes, drop readings and tables are spreadsheets: several lobes, flanks, and a list of drops."""
    lobe = [line.split(",") for line in FILES["intake.csv"].splitlines()[1:]]
    flank = {abs(float(angle)): lift for angle, lift in lobe}
    flanks = [[str(angle), lift, lift] for angle, lift in sorted(flank.items())]
    drops = [line.split(",") for line in FILES["drop_exhaust.csv"].splitlines()[1:]]
    pairs = [[float(cell) for cell in line.split(",")] for line in FILES["drop_intake.csv"].splitlines()[1:]]
    write_project(
        folder,
        intake={"lobe": "lobes.xlsx", "lobe_column": ["lobe 1 intake", "lobe 3 intake"]},
        exhaust={"lobe": "flanks.xlsx"},
        drop={
            "intake": {"readings": [], "around_tdc": pairs},
            "exhaust": {"readings": "drops.xlsx"},
        },
        gap={"tables_only_guard": True},
    )  # fmt: skip
    _book(folder / "lobes.xlsx", [["cam_deg", "lobe 1 intake", "lobe 3 intake"], *([*row, row[1]] for row in lobe)])
    _book(folder / "flanks.xlsx", [["cam_deg", "opening_lift_mm", "closing_lift_mm"], *flanks])
    _book(folder / "drops.xlsx", [["crank_deg", "drop_mm"], *drops])
    for name, advance in (("in.csv", 10), ("ex.csv", -5)):
        (folder / name).write_text(TABLE.format(advance), encoding="utf-8")
    for name in FILES:
        (folder / name).unlink()


def _book(path: Path, rows: Sequence[Sequence[str]]) -> None:
    made = io.BytesIO()
    with xlsxwriter.Workbook(made, {"strings_to_numbers": True}) as book:
        sheet = book.add_worksheet()
        for number, row in enumerate(rows):
            sheet.write_row(number, 0, row)
    path.write_bytes(made.getvalue())


def _built(folder: Path) -> None:
    """A small project, a log that it does not name, and its build."""
    # Few cells: a build is called some hundred times.
    path = write_project(
        folder, gap={"tables_only_guard": True}, tables={"rpm": [2000, 4000, 6000, 8000], "load": [40, 100]}
    )
    path.write_text(path.read_text("utf-8") + TORQUE + _pulls(folder, tied=False), encoding="utf-8")
    head, *rows = (folder / "pull2.csv").read_text("utf-8").splitlines()
    cells = [row.split(",") for row in rows]
    more = [head, *(f"{rpm},{float(torque) + 0.4:.3f},{load},7,-8" for rpm, torque, load, *_ in cells)]
    (folder / "more.csv").write_text("\n".join(more) + "\n", encoding="utf-8")
    result = CliRunner().invoke(app, ["build", str(path), "--out", str(folder / "kept")])
    assert result.exit_code in (0, 1), result.output


def warm(sound: Sequence[Base], folder: Path) -> None:
    """Call each command on the sound projects, in this process."""
    for base in {id(each): each for each in sound}.values():
        for arguments in dict.fromkeys(base.calls):
            for name, content in base.files.items():
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(content)
            here = [
                str(folder / each)
                if each.endswith((".toml", ".csv", ".html")) or each in ("results", "tables", "kept", "page")
                else each
                for each in arguments
            ]
            result = CliRunner().invoke(app, here)
            assert result.exit_code in (0, 1), (here, result.output)
            shutil.rmtree(folder)


def _files(folder: Path) -> dict[str, bytes]:
    found = (p for p in sorted(folder.rglob("*")) if p.is_file())
    kept = (".toml", ".csv", ".xlsx")
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in found if p.suffix in kept or p.parent.name == "kept"
    }
