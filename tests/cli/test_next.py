"""`phaseopt next` at four stages of filling in: blank, contact filled in, torque too, and everything."""

import json
import shlex
from pathlib import Path
from typing import Any

import pytest
from engines import write_project
from hillclimb import HILLCLIMB
from printed import require_documented
from typer.testing import CliRunner

from phaseopt.cli import app


def said(path: Path) -> tuple[str, dict[str, Any]]:
    """What it prints, as text and as JSON."""
    text = CliRunner().invoke(app, ["next", str(path)])
    assert text.exit_code == 0, text.output
    assert len(text.output.splitlines()) <= 30
    record = json.loads(CliRunner().invoke(app, ["next", str(path), "--json"]).output)
    require_documented("next", record)
    return text.output, record


def runnable(record: dict[str, Any]) -> set[str]:
    return {step["command"] for step in record["steps"] if not step["lacks"]}


def test_of_a_blank_project_the_first_blanks_are_named(tmp_path: Path) -> None:
    CliRunner().invoke(app, ["new", str(tmp_path / "mine"), "--yes"])
    text, record = said(tmp_path / "mine" / "project.toml")
    assert runnable(record) == set()
    assert record["blanks"]["crank"] == 4
    assert "crank.bore" in text


def test_with_contact_filled_in_limits_can_be_run(tmp_path: Path) -> None:
    path = write_project(tmp_path, gap={"tables_only_guard": True}, torque={"columns": {"rpm": "?", "load": "?"}})
    text, record = said(path)
    assert runnable(record) == {"limits"}
    assert record["blanks"] == {"torque": 2}
    assert "phaseopt limits" in text
    assert any(mistake["where"] == "torque.columns.rpm" for mistake in record["steps"][-1]["lacks"])


def test_a_folder_without_logs_is_named(tmp_path: Path) -> None:
    (tmp_path / "logs").mkdir()
    phase = {"sign": 1, "zero": 0.0, "in": "crank deg"}
    columns = {"rpm": "rpm", "torque": "tq", "load": "map", "throttle": "tps"}
    torque = {
        "correction": "none",
        "logs": "logs/",
        "columns": columns | {"intake_phase": "icam", "exhaust_phase": "ecam"},
        "phases": {"intake": phase, "exhaust": phase},
        "full_throttle": {"throttle_above": 95},
    }
    text, record = said(write_project(tmp_path, gap={"tables_only_guard": True}, torque=torque))
    assert runnable(record) == {"limits"}
    assert "put the logs into logs/" in text


def test_readings_that_are_missing_are_named(tmp_path: Path) -> None:
    path = write_project(tmp_path, files={"intake.csv": "cam_deg,lift_mm\n"})
    _, record = said(path)
    assert runnable(record) == set()
    assert record["steps"][0]["lacks"][0]["file"].endswith("intake.csv")


def test_a_file_that_is_not_there_is_named_on_the_page_too(tmp_path: Path) -> None:
    path = write_project(tmp_path)
    (tmp_path / "intake.csv").unlink()
    assert "intake.csv" in said(path)[0]


def test_a_cam_that_was_not_checked_is_named_to_be_measured(tmp_path: Path) -> None:
    """More of the timing known is never less travel (by definition of a bound)."""
    path = write_project(tmp_path, gap={"tables_only_guard": True}, intake={"centreline_error": 3.0})
    text, record = said(path)
    assert all(each["degrees"] >= 0 for each in record["measures"])
    assert any("intake cam timing" in each["what"] for each in record["measures"])
    assert "more travel" in text


def test_a_whole_project_can_be_built() -> None:
    _, record = said(HILLCLIMB)
    assert {"limits", "reduce", "simulate", "build"} <= runnable(record)
    assert record["blanks"] == {}


def test_commands_can_be_copied_from_a_folder_with_a_space(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: `shlex`, which takes a command apart as a POSIX shell does."""
    (tmp_path / "my engine").mkdir()
    write_project(tmp_path / "my engine", gap={"tables_only_guard": True})
    monkeypatch.chdir(tmp_path)
    text = " ".join(said(Path("my engine/project.toml"))[0].split())
    command = text[text.index("phaseopt limits 'my") :].partition(": ")[0]
    assert shlex.split(command) == ["phaseopt", "limits", "my engine/project.toml"]
