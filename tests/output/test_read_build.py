"""A build read back: as it was written, or refused with what is wrong and how to fix it."""

import hashlib
import json
import os
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from hillclimb import pulls_alone, pulls_alone_file
from small_builds import small_project

from phaseopt.job.build import build
from phaseopt.output.directory import write_files
from phaseopt.output.files import write_build
from phaseopt.output.read_build import read_build
from phaseopt.project.load import load_project
from phaseopt.values.errors import InputError


@pytest.fixture
def out(hillclimb_files: dict[str, str], tmp_path: Path) -> Path:
    write_files(tmp_path / "out", hillclimb_files)
    return tmp_path / "out"


def test_what_was_written_is_read(out: Path, hillclimb_files: dict[str, str]) -> None:
    found = read_build(out)
    table = found.file("intake_phase.csv")
    assert table is not None
    assert table.read_bytes() == hillclimb_files["intake_phase.csv"].encode()
    assert found.file("airflow.csv") is None  # nothing was simulated
    assert found.changed_inputs(pulls_alone()) == ()
    assert found.record.model_dump_json(indent=2) + "\n" == hillclimb_files["run.json"]


def test_inputs_that_changed_are_named(out: Path, tmp_path: Path) -> None:
    moved = load_project(pulls_alone_file(tmp_path))
    changed = read_build(out).changed_inputs(moved)
    assert "project.toml" in changed


def test_the_project_file_counts_as_it_was_read(tmp_path: Path) -> None:
    """It is edited while a build runs: the record has what was built, and the edit shows as a change."""
    path = small_project(tmp_path, gap={"tables_only_guard": True})
    text = path.read_text(encoding="utf-8")
    project = load_project(path)
    path.write_text("half an edit = [", encoding="utf-8")
    found = build(project)
    path.write_text(text + "# later\n", encoding="utf-8")
    write_build(tmp_path / "out", found)
    read = read_build(tmp_path / "out")
    assert read.record.project_file == tomllib.loads(text)
    assert read.record.inputs_sha256["project.toml"] == hashlib.sha256(text.encode()).hexdigest()
    assert read.changed_inputs(load_project(path)) == ("project.toml",)


def record_with(**changes: object) -> Callable[[Path], None]:
    def change(out: Path) -> None:
        path = out / "run.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | changes))

    return change


def with_a_pipe(out: Path) -> None:
    (out / "cells.csv").unlink()
    os.mkfifo(out / "cells.csv")


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda out: (out / "run.json").unlink(), "no finished build is here"),
        (lambda out: (out / "run.json").write_text('{"made_by": "phase'), "cannot be read"),
        (lambda out: (out / "run.json").write_text('{"made_by": "phaseopt"}'), "not the record of a build"),
        (lambda out: os.truncate(out / "run.json", 3 << 30), "3221 MB, more than"),
        (record_with(made_by="someone"), "not the record of a build"),
        (record_with(format=99), "another version"),
        (record_with(outputs_sha256=None), "damaged: outputs_sha256 is not what a build writes"),
        (record_with(limit_costs={}), "damaged: limit_costs.limits is missing"),
        (record_with(verdict=5), "damaged: verdict is not what a build writes"),
        (record_with(format=1), "another version"),
        (record_with(more=0), "damaged: more is not known"),
        (record_with(format=float("nan")), "cannot be read"),
        (record_with(outputs_sha256={"../x.csv": 64 * "0"}), "would leave the directory"),
        (record_with(outputs_sha256={"x\0.csv": 64 * "0"}), "would leave the directory"),
        (lambda out: (out / "run.json").write_text("[" * 100_000), "cannot be read"),
        (lambda out: (out / "cells.csv").unlink(), "cells.csv: a file of the build is missing"),
        (with_a_pipe, "cells.csv: a file of the build is missing"),
        (lambda out: (out / "intake_phase.csv").write_text("rpm,1"), "intake_phase.csv: changed since it was built"),
    ],
)  # fmt: skip
def test_a_damaged_build_is_refused(out: Path, damage: Callable[[Path], None], said: str) -> None:
    damage(out)
    with pytest.raises(InputError) as caught:
        read_build(out)
    assert said in str(caught.value)
