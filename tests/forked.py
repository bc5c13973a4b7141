"""Calls of the program in a child of this process, which has loaded everything: each costs a few milliseconds.

Processor time, memory and a wall clock are limited, so that a call which hangs or swells ends, and it is said why.
"""

import contextlib
import io
import json
import os
import re
import resource
import signal
import sys
import time
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from outside.hostile import Call

SECONDS, WALL, MEMORY = 20, 300.0, 2 << 30  # processor seconds; seconds (other work may run beside); bytes
LONGEST = 300  # characters of a message
_ROOM = 3 << 30  # of addresses beyond what the process has when it begins
_NO_NUMBER = re.compile(r"(?<![\w.'\"-])[-+]?(nan|inf|infinity)(?!\w)", re.IGNORECASE)


@dataclass(frozen=True)
class Outcome:
    """How a call ended: its exit code (-n where signal n ended it), what it printed, and what was wrong with that."""

    code: int
    printed: str
    messages: str
    seconds: float
    memory: int
    faults: tuple[str, ...]


def forked_call(call: Call, folder: Path, aside: Path) -> Outcome:
    """Run the program in a folder; its output goes to files in another, `aside`."""
    before = _names(folder)
    out, err = aside / "stdout", aside / "stderr"
    out.unlink(missing_ok=True)
    sys.stdout.flush()
    sys.stderr.flush()
    child = os.fork()
    if child == 0:
        _be_the_program(call, folder, out, err)
    until = time.monotonic() + WALL
    hung = False
    while True:
        ended, status, used = os.wait4(child, os.WNOHANG)
        if ended:
            break
        if time.monotonic() > until:
            os.kill(child, signal.SIGKILL)
            hung, until = True, float("inf")
        time.sleep(0.002)
    code = os.waitstatus_to_exitcode(status)
    printed = out.read_text("utf-8", "replace") if out.exists() else ""
    messages = err.read_text("utf-8", "replace")
    seconds, memory = used.ru_utime + used.ru_stime, used.ru_maxrss * 1024
    faults = list(_faults(call, code, printed, messages))
    if hung or code in (-signal.SIGXCPU, -signal.SIGKILL) or seconds > SECONDS:
        faults.insert(0, "hang")
    if memory > MEMORY or "MemoryError" in messages:
        faults.append("memory")
    faults += _left(folder, before, code, call)
    return Outcome(code, printed, messages, seconds, memory, tuple(dict.fromkeys(faults)))


def _be_the_program(call: Call, folder: Path, out: Path, err: Path) -> None:
    """In the child: never returns."""
    code = 70
    try:
        os.setpgid(0, 0)
        os.chdir(folder)
        _redirect(call.output, out, err)
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        room = pages * os.sysconf("SC_PAGE_SIZE") + _ROOM
        resource.setrlimit(resource.RLIMIT_AS, (room, room))
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS + 2))
        resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 28, 1 << 28))
        from phaseopt.__main__ import main

        main(list(call.arguments))
        code = 0
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 0 if error.code is None else 1
    except BaseException:
        import traceback

        with contextlib.suppress(Exception):
            traceback.print_exc()
        code = 71
    finally:
        with contextlib.suppress(Exception):
            sys.stderr.flush()
        with contextlib.suppress(Exception):
            sys.stdout.flush()
        os._exit(code)


def _redirect(output: str, out: Path, err: Path) -> None:
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    if output == "full":
        to = os.open("/dev/full", os.O_WRONLY)
    elif output == "broken pipe":
        read, to = os.pipe()
        os.close(read)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)  # as Python has it
    else:
        to = os.open(out, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(to, 1)
    os.dup2(os.open(err, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    sys.stdin = io.TextIOWrapper(io.FileIO(0), encoding="utf-8")
    sys.stderr = io.TextIOWrapper(io.FileIO(2, "w"), encoding="utf-8", errors="backslashreplace", line_buffering=True)
    if output == "closed":
        os.close(1)
        sys.stdout = None  # type: ignore[assignment]  # as Python has it then
    else:
        sys.stdout = io.TextIOWrapper(io.BufferedWriter(io.FileIO(1, "w")), encoding="utf-8")


def _faults(call: Call, code: int, printed: str, messages: str) -> list[str]:
    found = []
    if "Traceback (most recent call last)" in messages or "Exception ignored" in messages or code in (70, 71):
        found.append("traceback")
    if code not in (0, 1, 2) and "traceback" not in found:
        found.append("exit code")
    # Names that a damage changed, and a value that `next` quotes as wrong.
    if code in (0, 1) and _NO_NUMBER.search(
        re.sub(r"alert\(\w+\)|\(it is -?\w+\)|-?\b(nan|inf) is (no|too large)", "", printed)
    ):
        found.append("nan")
    lines = messages.splitlines() if code == 2 else []
    if code == 2 and "--json" in call.arguments and printed:
        try:
            mistakes = json.loads(printed)["mistakes"]
            lines += ["x" * len(each["problem"]) for each in mistakes] + ["x" * len(each["hint"]) for each in mistakes]
        except (ValueError, KeyError):
            found.append("no message")
    elif code == 2 and not lines and not (printed and not call.arguments):  # no command at all prints the help
        found.append("no message")
    if any(len(line) > LONGEST for line in lines):
        found.append("long message")
    if any(unicodedata.category(each) in ("Cc", "Cf", "Zl", "Zp") for each in messages if each != "\n"):
        found.append("control character")
    return found


def _names(folder: Path) -> set[str]:
    """Files and folders below a folder, but for what the program keeps on purpose."""
    kept = (".phaseopt",)
    found = set()
    for place, folders, files in os.walk(folder):
        folders[:] = [each for each in folders if each not in kept]
        found |= {os.path.relpath(os.path.join(place, each), folder) for each in (*folders, *files)}
    return found


def _left(folder: Path, before: set[str], code: int, call: Call) -> list[str]:
    """Files that are there and should not: parts of any kind, or anything new after a refusal."""
    new = _names(folder) - before
    done = code in (0, 1)
    parts = [
        each for each in new if each.endswith((".part", ".tmp", ".damaged")) or "/." in each or each.startswith(".")
    ]
    if call.output:  # an answer that could not be printed: what was asked for by name is there, and whole
        new = {each for each in new if Path(each).parts[0] not in call.arguments}
    found = ["files left"] if parts or (new and not done) else []
    for each in sorted(new) if done else ():
        path = folder / each
        if (
            path.is_file()
            and path.suffix == ".csv"
            and re.search(r"(?m)(^|,)-?(nan|inf)(,|$)", path.read_text("utf-8", "replace"))
        ):
            found.append("nan")
    return found
