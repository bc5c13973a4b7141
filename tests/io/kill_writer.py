"""Kills a writer at every step and looks what it left: run by `test_atomic.py`, in a process without threads.

A step is a line of `phaseopt/io/atomic.py`, or a call that changes the file system, before which Python raises an audit
event (PEP 578). Each is tried in a forked process that ends itself there by signal 9, which no program can catch. What
is left is looked at with plain file reads. Prints one JSON object: by scenario the number of kills, and of those that
left nothing under the name until the next run.
"""

import json
import os
import shutil
import signal
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from phaseopt.io import atomic

Tree = dict[str, bytes] | bytes | None
OLD: Any = {"run.json": b"old", "a.csv": b"1"}
NEW: Any = {"run.json": b"new", "b.csv": b"2", "deep/c.csv": b"3"}
THIRD: Any = {"run.json": b"third"}
STEPS = {"line", "open", "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.chmod", "fcntl.flock"}


def seen(place: Path) -> Tree:
    """What stands under a name, parts with hidden names left out."""
    if place.is_file():
        return place.read_bytes()
    if not place.exists():
        return None
    files = [p for p in place.rglob("*") if p.is_file() and not str(p.relative_to(place)).startswith(".")]
    return {p.relative_to(place).as_posix(): p.read_bytes() for p in files}


def killed(work: Callable[[], object], step: int) -> bool:
    """Do work in another process that dies at a step; False where it ended before."""
    child = os.fork()
    if child == 0:
        left = step

        def count(event: str, _: object = None) -> None:
            nonlocal left
            left -= event in STEPS
            if left == 0 and event in STEPS:
                os.kill(os.getpid(), signal.SIGKILL)

        def trace(frame: Any, event: str, _: object) -> Any:
            if frame.f_code.co_filename != atomic.__file__:
                return None
            count(event)
            return trace

        sys.addaudithook(count)
        sys.settrace(trace)
        try:
            work()
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        assert os.WTERMSIG(status) == signal.SIGKILL
        return True
    assert os.waitstatus_to_exitcode(status) == 0, f"the writer failed by itself: {status}"
    return False


def every_kill(prepare: Callable[[Path], None], work: Callable[[Path], object], look: Callable[[Path], None]) -> int:
    """Kill the work at its first step, its second, and so on until it ends; look at what each left. How many."""
    step = 0
    while True:
        step += 1
        folder = Path(tempfile.mkdtemp())
        place = folder / "out"
        prepare(place)
        if not killed(lambda: work(place), step):  # noqa: B023 (called at once)
            shutil.rmtree(folder)
            return step - 1
        look(place)
        shutil.rmtree(folder)


def scenario(write: Callable[[Path, Any], None], old: Any, new: Any, third: Any, gap: bool = False) -> list[int]:
    """Kills of a writer; the old or the new must stand after each, and the next run must leave nothing but its own.

    Where there may be a `gap`, what stands is looked at after `restore`, which is killed at each of its steps too.
    """
    missing = 0

    def prepare(place: Path) -> None:
        if isinstance(old, bytes):
            place.write_bytes(old)
        elif old is not None:
            atomic.write_folder(place, old)

    def look(place: Path) -> None:
        nonlocal missing
        now = seen(place)
        if now is None and old is not None:
            assert gap, "nothing stands under the name"
            missing += 1

            def again(other: Path) -> None:
                shutil.copytree(place.parent, other.parent, dirs_exist_ok=True)

            def whole(other: Path) -> None:
                atomic.restore(other)
                assert seen(other) == old, "the earlier output was not put back"

            every_kill(again, atomic.restore, whole)
            atomic.restore(place)
            now = seen(place)
        moving = write is atomic.write_into and isinstance(now, dict) and now.items() <= new.items()
        assert now in (old, new) or moving, f"the place holds something else than the old or the new: {now}"
        atomic.restore(place)
        now = seen(place)
        assert now in (old, new), f"the old or the new is not restored: {now}"
        assert [path.name for path in place.parent.iterdir()] == (["out"] if now is not None else [])
        if write is atomic.write_into and now == new:
            return
        write(place, third)
        assert seen(place) == third
        assert [path.name for path in place.parent.iterdir()] == ["out"]

    return [every_kill(prepare, lambda place: write(place, new), look), missing]


def main() -> None:
    """All of them."""
    os.fsync = lambda handle: None  # what a process wrote outlives it without; a power cut is not tried here
    with tempfile.TemporaryDirectory() as folder:  # what is imported at the first call is no step
        atomic.write_folder(Path(folder) / "a", NEW)
    found = {
        "new file": scenario(atomic.write_file, None, b"new", b"third"),
        "replaced file": scenario(atomic.write_file, b"old", b"new", b"third"),
        "new folder": scenario(atomic.write_folder, None, NEW, THIRD),
        "into an empty folder": scenario(atomic.write_into, {}, NEW, THIRD),
    }
    exchange = atomic.exchange_names
    with tempfile.TemporaryDirectory() as folder:
        for name in ("a", "b"):
            (Path(folder) / name).mkdir()
        can_exchange = exchange(Path(folder) / "a", Path(folder) / "b")
    if can_exchange:
        found["folder replaced by exchange"] = scenario(atomic.write_folder, OLD, NEW, THIRD)
    atomic.exchange_names = lambda *_: False  # as on a system that cannot
    found["folder replaced by two renames"] = scenario(atomic.write_folder, OLD, NEW, THIRD, gap=True)
    print(json.dumps(found))


if __name__ == "__main__":
    main()
