"""`phaseopt reduce` on a day of invented logs: what a mechanic reads, what is written, and exit codes."""

import csv
import json
import tomllib
from pathlib import Path

import csvw
import numpy as np
import pytest
from printed import printed
from torque.dyno import COLUMNS, csv_text, curve, dyno_project, filtered_noise, sweep
from torque.phaser_rig import Rig, recording
from typer.testing import CliRunner, Result

from phaseopt.cli import app


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def stepped(bias: float) -> str:
    """A log in which the intake was stepped, without torque and load, its columns those of the other logs."""
    log = recording(Rig(), [5.0, 25.0, 10.0, 30.0, 15.0, 35.0, 5.0], bias=bias)
    log["rpm"] = log["rpm"] + np.random.default_rng(2).normal(0.0, 5.0, log.sizes["row"])
    names = {"time": "t", "rpm": "rpm", "intake_phase": "icam", "intake_command": "iset"}
    return csv_text({column: log[name].to_numpy() for name, column in names.items()})


def day(folder: Path, factors: list[float], **torque: object) -> Path:
    """A project of sweeps at one timing, each `curve` times its factor and noise; the file of the project."""
    rng = np.random.default_rng(1)
    logs = {}
    for k, factor in enumerate(factors):
        log = sweep(rows=1500)
        log["tq"] = factor * curve(log["rpm"]) + filtered_noise(rng, 1500, 1.0, 0.8)
        logs[f"pull-{k + 1}.csv"] = csv_text(log | {"t": np.arange(1500) / 50.0})
    pulls = [{"kind": "sweep", "files": [name]} for name in logs]
    return dyno_project(folder, logs, pulls, **torque).file


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return day(tmp_path, [1.0, 1.004, 0.997, 1.001])


def test_a_good_day_is_described_and_ends_clear(good: Path) -> None:
    result = run("reduce", good)
    assert result.exit_code == 0, result.output
    assert "Nothing stands out" in result.output
    assert "cannot be seen today" in result.output
    assert "o drift is shown" in result.output
    assert "not contact" in result.output  # nobody takes points for a permission


def test_the_least_difference_is_what_two_pulls_differ_by(good: Path) -> None:
    """Outside: numpy's standard deviation of the pulls' mean torque over their common speeds, t(0.975, 3) = 3.182 from
    any table."""
    found = printed("reduce", good)
    torque, pull = (np.array(found["points"][name]) for name in ("torque", "pull"))
    means = [torque[pull == k].mean() for k in range(4)]
    assert found["repeats"]["least_difference_Nm"] == pytest.approx(
        3.182 * np.sqrt(2) * np.std(means, ddof=1), rel=1e-2
    )


def test_a_pull_that_does_not_belong_is_named_and_the_exit_code_says_so(tmp_path: Path) -> None:
    result = run("reduce", day(tmp_path, [1.0, 1.003, 1.08, 0.998]))
    assert result.exit_code == 1
    assert "pull-3 does not belong" in result.output
    assert "more than its repeats" in result.output
    assert "pull-1 does not belong" not in result.output


def test_without_repeats_it_says_what_to_do(tmp_path: Path) -> None:
    result = run("reduce", day(tmp_path, [1.0]))
    assert result.exit_code == 0, result.output
    assert "o timing was pulled twice" in result.output
    assert "make the baseline" in " ".join(result.output.split())


def test_files_are_written_together_and_read_back(good: Path, tmp_path: Path) -> None:
    """CSV on the Web by package `csvw`, TOML by the standard library."""
    out = tmp_path / "out"
    result = run("reduce", good, "--out", out)
    assert result.exit_code == 0, result.output
    names = {path.name for path in out.iterdir()}
    assert names >= {
        "points.csv",
        "rejected.csv",
        "phasers.toml",
        "reduction.json",
        "pulls.svg",
        "repeats.svg",
        "run.json",
    }
    assert names == set(json.loads((out / "run.json").read_text())["files"])
    for name in names:
        if name.endswith(".csv"):
            assert csvw.CSVW(str(out / name), validate=True).is_valid
        if name.endswith(".svg"):
            drawn = (out / name).read_text(encoding="utf-8")
            assert drawn.startswith("<svg")
            assert "var(" not in drawn  # no page gives it colours
    tomllib.loads((out / "phasers.toml").read_text(encoding="utf-8"))
    rows = list(csv.DictReader((out / "points.csv").open(newline="", encoding="utf-8")))
    shown = printed("reduce", good)
    assert json.loads((out / "reduction.json").read_text(encoding="utf-8")) | {"written": []} == shown
    assert len(rows) == len(shown["points"]["rpm"])
    assert [float(row["torque"]) for row in rows] == pytest.approx(shown["points"]["torque"], abs=1e-3)
    assert run("reduce", good, "--out", out).exit_code == 0  # and again in the same place


def test_a_directory_that_holds_something_else_is_refused_before_any_work(good: Path, tmp_path: Path) -> None:
    out = tmp_path / "mine"
    out.mkdir()
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    result = run("reduce", good, "--out", out)
    assert result.exit_code == 2
    assert "notes.txt" in result.output
    assert [path.name for path in out.iterdir()] == ["notes.txt"]


def test_a_project_without_logs_says_what_to_do(good: Path) -> None:
    text = good.read_text(encoding="utf-8")
    good.write_text(text[: text.index("[torque]")], encoding="utf-8")
    result = run("reduce", good)
    assert result.exit_code == 2
    assert "describe the logs in [torque]" in result.output


@pytest.mark.parametrize(("bias", "code"), [(0.2, 0), (2.5, 1)])
def test_stepped_phasers_are_shown_and_one_worse_than_stated_stops(tmp_path: Path, bias: float, code: int) -> None:
    """The project states an error of 1 degree; one that stands 2.5 off surely contradicts it, one of 0.2 does not."""
    (tmp_path / "steps.csv").write_text(stepped(bias), encoding="utf-8")
    columns = COLUMNS | {"time": "t", "intake_command": "iset"}
    file = day(tmp_path, [1.0, 1.002], columns=columns, phaser_steps=["steps.csv"])
    stated = file.read_bytes()
    result = run("reduce", file, "--out", tmp_path / "out")
    assert result.exit_code == code, result.output
    assert ("counts on a better phaser than the logs show" in " ".join(result.output.split())) == (code == 1)
    assert {"phaser-intake.svg", "phaser_steps.csv"} <= {path.name for path in (tmp_path / "out").iterdir()}
    offered = tomllib.loads((tmp_path / "out" / "phasers.toml").read_text(encoding="utf-8"))["intake"]["phaser"]
    assert offered["error"] >= bias
    assert 0 < offered["slew"]["retard"] <= 100.0
    assert file.read_bytes() == stated  # never applied


def test_a_stepped_log_that_is_not_there_is_named_by_its_key(tmp_path: Path) -> None:
    columns = COLUMNS | {"time": "t", "intake_command": "iset"}
    result = run("reduce", day(tmp_path, [1.0], columns=columns, phaser_steps=["stepz.csv"]))
    assert result.exit_code == 2
    assert "stepz.csv" in result.output
