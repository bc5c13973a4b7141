"""As far as this platform shows it: the program without what Windows lacks, and with what its pipes can write."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from engines import write_project

# Modules and names of POSIX alone, hidden before the program is imported.
WITHOUT = """
import os, signal, sys
for name in ("fcntl", "resource", "pwd", "grp", "termios", "tty"):
    sys.modules[name] = None
for name in ("SIGPIPE", "SIGHUP", "SIGXCPU", "SIGALRM", "SIGKILL"):
    delattr(signal, name)
for name in ("fork", "mkfifo", "getpgid", "setpgid", "sched_getaffinity"):  # getuid stays: libraries go by the platform
    delattr(os, name)
from phaseopt.__main__ import main
main(sys.argv[1:])
"""


def ran(folder: Path, *arguments: str, coding: str = "cp1252") -> subprocess.CompletedProcess[bytes]:
    """A command as a pipe of Windows gets it: in the code page of the system, not in UTF-8."""
    there = {**os.environ, "PYTHONIOENCODING": coding, "NUMBA_DISABLE_JIT": "0"}
    call = [sys.executable, "-c", WITHOUT, *arguments]
    return subprocess.run(call, cwd=folder, env=there, capture_output=True, timeout=300, check=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_project(tmp_path, gap={"tables_only_guard": True})
    return tmp_path


def test_limits_are_computed_and_written_without_what_windows_lacks(folder: Path) -> None:
    done = ran(folder, "limits", "project.toml", "--out", "results", "--sheet", "sheet.html")
    assert done.returncode in (0, 1), done.stderr
    assert b"Traceback" not in done.stderr
    assert "clearance" in done.stdout.decode("cp1252").lower()
    assert (folder / "results").is_dir()
    assert (folder / "sheet.html").read_text("utf-8").startswith("<!")
    assert not [each.name for each in folder.rglob("*.part")]


@pytest.mark.parametrize("coding", ["ascii", "cp437"])
def test_an_output_that_cannot_show_a_sign_gets_another(folder: Path, coding: str) -> None:
    plain, machine = (ran(folder, "limits", "project.toml", *more, coding=coding) for more in ((), ("--json",)))
    for done in (plain, machine):
        assert done.returncode in (0, 1), done.stderr
        assert b"Traceback" not in done.stderr
    found = json.loads(machine.stdout.decode("ascii"))  # RFC 8259 has an escape for each other sign
    assert "°" in json.dumps(found, ensure_ascii=False)


def test_a_refusal_is_one_message_too(folder: Path) -> None:
    (folder / "intake.csv").write_text("Grad → mm\n1\n", encoding="utf-8")
    done = ran(folder, "limits", "project.toml")
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr
    assert b"intake.csv" in done.stderr
