"""`phaseopt simulate` as a user runs it: files, what is shown, and what wrong input brings."""

import os
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import xarray as xr
from cycle.test_from_project import CYCLE, FOUR
from engines import write_project
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.cycle import cluster
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.grid import KNOCK, VARIABLES, dataset
from phaseopt.cycle.storage import read_netcdf
from phaseopt.io.cache import FOLDER

SMALL: dict[str, Any] = {
    "firing_order": FOUR,
    "cycle": CYCLE,
    "tables": {"rpm": [4000, 4400], "load": [70, 100]},
    "intake": {"phaser": {"travel": [0.0, 8.0]}},
    "exhaust": {"phaser": None},
}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["simulate", *(str(argument) for argument in arguments)])


def shown(result: Result) -> str:
    return " ".join(result.output.split())


def test_a_grid_with_pictures_and_a_summary(tmp_path: Path) -> None:
    """Then once more from what was kept, for machines, over what is there."""
    project, out, plots = write_project(tmp_path, **SMALL), tmp_path / "grid.nc", tmp_path / "plots"
    first = run(project, "--out", out, "--plots", plots, "--pipes", tmp_path / "pipes.svg")
    assert first.exit_code == 0, first.output
    text = shown(first)
    for words in (
        "a test engine: torque by simulation, nothing measured",
        KNOCK,
        "A simulation is not a measurement",
        "every cylinder by hand",
        "ll points settled",
        "uses this grid again",
        "97.0 kPa in the plenum",
    ):
        assert words in text
    assert "cylinder 1" in (tmp_path / "pipes.svg").read_text(encoding="utf-8")
    assert {path.name for path in plots.iterdir()} >= {"filling.svg", "waves-peak.svg", "run.json"}
    grid = read_netcdf(out)
    assert grid.attrs["project"] == "a test engine"
    with h5py.File(out) as file:
        assert file["contact"].shape == (2, grid.sizes["icl"], 1)
    before = out.read_bytes()
    record = printed("simulate", project, "--out", out, "--plots", plots)
    assert record["cached"] is True
    assert record["written"] == [str(out), str(plots)]
    assert record["not_settled"] == 0
    assert record["points"] == grid["torque"].size
    assert len(record["full_throttle"]["best"]) == 2
    assert any("Knock" in note for note in record["notes"])
    assert read_netcdf(out).identical(grid)
    assert len(before) == out.stat().st_size
    project.write_text(project.read_text(encoding="utf-8").replace("a test engine", "another"), encoding="utf-8")
    refused(run(project, "--out", out), "holds the simulated grid of another project, a test engine")
    assert out.stat().st_size == len(before)


def test_pipes_are_drawn_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("phaseopt.cycle.torque_grid.simulate", None)  # not to be reached
    project, drawn = write_project(tmp_path, **SMALL), tmp_path / "pipes.svg"
    found = printed("simulate", project, "--pipes", drawn, option="--pipes")
    assert found["written"] == [str(drawn)]
    assert found["volumes"]
    assert "cylinder 1" in drawn.read_text(encoding="utf-8")
    there = folder_of(tmp_path)
    refused(run(project), "--out", "--pipes")
    refused(run(project, "--pipes", drawn, "--plots", tmp_path / "plots"), "--out")
    assert folder_of(tmp_path) == there


def folder_of(path: Path) -> set[str]:
    return {str(found.relative_to(path)) for found in path.rglob("*") if FOLDER not in found.parts}


def refused(result: Result, *words: str) -> None:
    assert result.exit_code == 2, result.output
    lines = result.output.strip().splitlines()
    assert len(lines) == 1, lines
    assert "Fix:" in lines[0]
    for word in words:
        assert word in lines[0]


def test_wrong_places_are_refused_before_any_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("phaseopt.cycle.torque_grid.simulate", None)  # not to be reached
    project = write_project(tmp_path, **SMALL)
    (tmp_path / "notes.txt").write_text("mine")
    xr.Dataset({"depth": ("x", [1.0])}).to_netcdf(tmp_path / "sea.nc", engine="h5netcdf")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "engine.jpg").write_bytes(b"x")
    there = folder_of(tmp_path)
    refused(run(project, "--out", tmp_path / "no" / "grid.nc"), "its folder does not exist")
    refused(run(project, "--out", tmp_path / "notes.txt"), "no simulated")
    refused(run(project, "--out", tmp_path / "sea.nc"), "no simulated")
    refused(run(project, "--out", tmp_path / "photos"), "is a folder")
    refused(run(project, "--out", tmp_path / "g.nc", "--plots", tmp_path / "photos"), "--plots", "engine.jpg")
    assert folder_of(tmp_path) == there
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_project_without_a_cycle_section(tmp_path: Path) -> None:
    refused(run(write_project(tmp_path), "--out", tmp_path / "grid.nc"), "cycle", "describe pipes")
    assert not (tmp_path / "grid.nc").exists()


def test_a_cluster_that_does_not_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "PATIENCE", 0.3)
    project = write_project(tmp_path, **SMALL)
    refused(run(project, "--out", tmp_path / "grid.nc", "--cluster", "tcp://127.0.0.1:9"), "tcp://127.0.0.1:9")
    assert not (tmp_path / "grid.nc").exists()
    assert not list((tmp_path / FOLDER).glob("*.nc"))


def test_a_full_disk_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    project, out = write_project(tmp_path, **SMALL), tmp_path / "grid.nc"
    assert run(project, "--out", out).exit_code == 0
    before = out.read_bytes()
    there = folder_of(tmp_path)

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    refused(run(project, "--out", out), "grid.nc", "No space left on device", "has room")
    assert out.read_bytes() == before
    assert folder_of(tmp_path) == there


def test_a_simulation_that_settles_nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(_: object, axes: Axes, **__: object) -> xr.Dataset:
        rpm, *others = (len(axis) for axis in axes)
        return dataset(np.full((rpm, len(VARIABLES), *others), np.nan), axes)

    monkeypatch.setattr("phaseopt.cycle.torque_grid.simulate", nothing)
    result = run(write_project(tmp_path, **SMALL), "--out", tmp_path / "grid.nc")
    refused(result, "no point", "cycle")
    assert not (tmp_path / "grid.nc").exists()


def test_knock_is_shown_where_the_fuel_is_known(tmp_path: Path) -> None:
    """Not scaled without knock heard, and said so; the spark for each speed; as numbers for machines too."""
    cycle = {**CYCLE, "knock": {"octane": "93 AKI"}}
    project = write_project(tmp_path, **{**SMALL, "cycle": cycle})
    result = run(project, "--out", tmp_path / "grid.nc")
    assert result.exit_code == 0, result.output
    assert "changes no table" in shown(result)
    assert "Knock decides" in shown(result)
    assert KNOCK not in shown(result)
    knock = printed("simulate", project, "--out", tmp_path / "grid.nc")["knock"]
    assert knock["octane"] == 98.0
    assert knock["heard_at"] == []
    assert knock["spark"] == [None, None]  # it would be read as advice
    assert all(value is not None for value in knock["torque"])


def test_an_octane_number_needs_its_scale(tmp_path: Path) -> None:
    result = run(
        write_project(tmp_path, **{**SMALL, "cycle": {**CYCLE, "knock": {"octane": 98}}}), "--out", tmp_path / "g.nc"
    )
    assert result.exit_code == 2
    assert 'write "98 RON"' in shown(result)
