"""What all commands share: --quiet, --verbose, colours, the progress line, help and completion, as users meet them."""

import os
import re
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from hillclimb import HILLCLIMB, ROOT
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.output.records.mistakes import MistakesRecord
from phaseopt.report.terminal import in_colour

SMALL = ROOT / "examples" / "intake_only" / "project.toml"
PROGRAM = (sys.executable, "-m", "phaseopt")
JOB = [
    "new",
    "keys",
    "next",
    "limits",
    "simulate",
    "plan",
    "reduce",
    "fit",
    "build",
    "check",
    "export",
    "compare",
    "confirm",
]


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def on_a_terminal(*arguments: object, columns: int = 100, piped: bool = False, **environment: str) -> str:
    """All that a command writes to a terminal of so many columns; `piped`, what it prints goes elsewhere."""
    pty, fcntl, termios = (pytest.importorskip(name) for name in ("pty", "fcntl", "termios"))
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    plain = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLUMNS", "FORCE_COLOR")}
    command = subprocess.Popen(
        [*PROGRAM, *map(str, arguments)],
        stdout=subprocess.DEVNULL if piped else theirs,
        stderr=theirs,
        env={**plain, "TERM": "xterm", **environment},
    )
    os.close(theirs)
    written = b""
    try:
        while piece := os.read(ours, 65536):
            written += piece
    except OSError:  # how a terminal ends
        pass
    finally:
        os.close(ours)
    assert command.wait() == 0
    return written.decode()


def test_quiet_shows_the_verdict_and_what_was_written(tmp_path: Path) -> None:
    for arguments in (
        ("limits", "-q", SMALL, "--out", tmp_path / "a"),
        ("-q", "limits", SMALL, "--out", tmp_path / "a"),
    ):
        result = run(*arguments)
        assert result.exit_code == 0
        verdict, written = result.output.splitlines()
        assert verdict == "CLEAR in any combination up to 7480 rpm: intake 0° to +40°."
        assert written == f"Written: {tmp_path / 'a'}"
    assert "none.toml" in run("limits", "--quiet", tmp_path / "none.toml").stderr


def test_verbose_shows_versions_and_times_beside_the_result() -> None:
    result = run("fit", SMALL, "--verbose", "--json")
    assert result.stdout.startswith("{")
    assert re.search(r"^phaseopt \d.*numpy \d.*Python 3", result.stderr, re.MULTILINE)
    assert re.search(r"^ +\d+\.\d s  reading logs$", result.stderr, re.MULTILINE)
    assert re.search(r"^ +\d+\.\d s  in all$", result.stderr, re.MULTILINE)
    assert run("fit", SMALL, "--json").stderr == ""


def test_verdicts_are_coloured_on_a_terminal_alone() -> None:
    assert "\x1b[1;31mHITS\x1b[0m (intake to piston, exhaust to piston)" in on_a_terminal("limits", HILLCLIMB)
    assert "\x1b" not in run("limits", HILLCLIMB).output


def test_colour_needs_a_terminal_that_takes_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Source: https://no-color.org: an empty NO_COLOR counts as none."""
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for value, wanted in (("", True), ("1", False), ("0", False)):
        monkeypatch.setenv("NO_COLOR", value)
        assert in_colour() is wanted
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert not in_colour()


def test_the_progress_line_never_wraps() -> None:
    """Sequences that move no text, colours and cursor, are taken out (ECMA-48); a line end would be a wrapped line."""
    written = on_a_terminal("fit", SMALL, columns=44, piped=True)
    lines = re.sub(r"\x1b\[[?0-9;]*[a-zA-Z]", "", written).strip("\r\n").split("\r")
    assert len(lines) > 1
    assert max(len(line.rstrip()) for line in lines) <= 44
    assert not any("\n" in line for line in lines)
    assert any("left" in line for line in lines)


def test_help_is_in_the_order_of_the_job_one_line_each() -> None:
    lines = [line.strip() for line in run("--help").output.split("Commands:")[1].split("\n\n")[0].splitlines()]
    listed = [line.split()[0] for line in lines if re.match(r"[a-z]+ {2,}\S", line)]
    assert listed[: len(JOB)] == JOB
    assert len([line for line in lines if line]) == len(app.registered_commands)  # none wraps
    assert not any(line.endswith("...") for line in lines)  # none is cut


def test_help_is_plain_text_and_keeps_brackets() -> None:
    """No escape sequence (ECMA-48), no frame; the name of a section of the project file stands as it is."""
    assert "\x1b" not in on_a_terminal("--help")
    assert "[cycle]" in run("simulate", "--help").output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("build", SMALL), "phaseopt build: missing option '--out'. Fix: add it: a directory"),
        (("plan", SMALL, "--pulls", "0"), "invalid value for '--pulls': must be 1 or more. Fix: see phaseopt plan"),
        (("buidl", SMALL), "phaseopt: no such command 'buidl'. Fix: did you mean 'build'?"),
        (
            ("check", SMALL, "--quiet=3"),
            "phaseopt check: option '--quiet' does not take a value.",
        ),
        (("--shet", "limits", SMALL), "phaseopt: no such option: --shet. Fix: did you mean --help, --quiet?"),
        (("limits", SMALL, "--shet", "x.html"), "no such option: --shet. Fix: did you mean --help, --set, --sheet?"),
    ],
)
def test_wrong_options_are_reported_as_other_mistakes_are(arguments: tuple[object, ...], message: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    as_json = run(*arguments, "--json")
    assert as_json.exit_code == 2
    assert as_json.stderr == ""
    (mistake,) = MistakesRecord.model_validate_json(as_json.stdout).mistakes
    assert mistake.problem in message


def test_the_version_is_shown() -> None:
    assert re.fullmatch(r"phaseopt \d+\.\d+\.\d+\S*\n", run("--version").output)


@pytest.mark.parametrize(
    ("shell", "marks"), [("bash", "complete -o default"), ("zsh", "#compdef"), ("fish", "complete")]
)
def test_a_script_for_completion_is_printed(shell: str, marks: str) -> None:
    """Source: the shells' manuals; bash completes file names itself where -o default is given and nothing fits."""
    environment = {**os.environ, "_PHASEOPT_COMPLETE": f"source_{shell}"}
    script = subprocess.run([*PROGRAM], env=environment, capture_output=True, text=True, check=False).stdout
    assert marks in script
    assert "_PHASEOPT_COMPLETE=complete_" in script


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        ("phaseopt bu", ["build"]),
        ("phaseopt build project.toml --o", ["--out"]),
        ("phaseopt check project.toml --rpm ", ["across", "down"]),
        ("phaseopt build proj", []),  # a path: the shell completes it
    ],
)
def test_words_are_completed(words: str, wanted: list[str]) -> None:
    environment = {
        **os.environ, "_PHASEOPT_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": f"{words.count(' ')}",
    }  # fmt: skip
    found = subprocess.run([*PROGRAM], env=environment, capture_output=True, text=True, check=False).stdout.split()
    assert found == wanted
