"""What is said while somebody waits: at once on a terminal, every ten seconds into a pipe."""

import sys
from pathlib import Path

import pexpect
import pytest

from phaseopt.cli import progress_line
from phaseopt.cli.progress_line import ProgressLine

SMALL = Path(__file__).resolve().parents[2] / "examples" / "intake_only" / "project.toml"


def test_on_a_terminal_the_command_is_named_at_once_and_cleared() -> None:
    terminal = pexpect.spawn(
        sys.executable, ["-m", "phaseopt", "limits", str(SMALL)], encoding="utf-8", timeout=60, dimensions=(40, 120)
    )
    terminal.expect_exact("phaseopt limits ...")
    terminal.expect_exact("\r\x1b[K")  # taken back before the answer
    terminal.expect_exact("CLEAR")
    terminal.expect(pexpect.EOF)
    terminal.close()
    assert terminal.exitstatus == 0


def test_a_pipe_gets_a_plain_line_every_ten_seconds(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """By a clock of our own: work of 40 s that reports every second."""
    now = [100.0]
    monkeypatch.setattr(progress_line.time, "monotonic", lambda: now[0])
    with ProgressLine() as line:
        for second in range(41):
            line(second / 40, f"pull {second} of 40")
            now[0] += 1.0
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 4
    assert "pull 10 of 40, about 30 s left" in lines[0]


def test_a_quiet_command_says_nothing(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    now = [0.0]
    monkeypatch.setattr(progress_line.time, "monotonic", lambda: now[0])
    with ProgressLine(visible=False) as line:
        now[0] = 60.0
        line(0.5, "pull 1 of 2")
    assert capsys.readouterr().err == ""
