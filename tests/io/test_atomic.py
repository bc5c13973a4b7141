"""Files and folders are whole at every moment, however the writer ends; nothing of a dead one stays."""

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from phaseopt.io import atomic
from phaseopt.io.atomic import exchange_names, restore, write_file, write_folder, write_into
from phaseopt.values.errors import InputError

FILES = {"run.json": "{}", "deep/er/a.csv": b"1"}


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_kill_at_any_step_leaves_the_old_or_the_new():
    """Signal 9 at every line and before every change of the file system; see `kill_writer.py`, which asserts it all."""
    run = [sys.executable, str(Path(__file__).with_name("kill_writer.py"))]
    done = subprocess.run(run, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    kills = json.loads(done.stdout)
    assert sum(count for count, _ in kills.values()) > 400
    gaps = {name: gap for name, (_, gap) in kills.items() if gap}
    assert list(gaps) == ["folder replaced by two renames"]  # and the next run put the earlier one back


@pytest.mark.parametrize("write", [write_folder, write_into])
def test_everything_is_on_the_disk_before_it_has_its_name(tmp_path, monkeypatch, write):
    """A power cut after a rename must find the contents there: each file and folder was synced (POSIX fsync) before."""
    synced, named = set(), []
    plain, give = os.fsync, Path.rename

    def sync(handle):
        plain(handle)
        synced.add(os.fstat(handle).st_ino)

    def rename(self, target):
        inside = [self, *self.rglob("*")]
        named.append(all(path.stat().st_ino in synced for path in inside))
        return give(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "rename", rename)
    write(tmp_path / "out", FILES)
    assert tree(tmp_path / "out") == {"run.json": b"{}", "deep/er/a.csv": b"1"}
    assert named
    assert all(named)
    assert tmp_path.stat().st_ino in synced


@pytest.mark.parametrize("exchange", [True, False])
def test_a_live_writer_is_left_alone(tmp_path, monkeypatch, exchange):
    """It waits in the middle of its work while another run writes the same folder, and then ends as if alone."""
    if not exchange:
        monkeypatch.setattr(atomic, "exchange_names", lambda *_: False)
    waits = (
        "import os, sys; from pathlib import Path; from phaseopt.io.atomic import write_folder\n"
        "plain = os.fsync\n"
        "def wait(handle): plain(handle); print('writing', flush=True); sys.stdin.readline(); os.fsync = plain\n"
        "os.fsync = wait; write_folder(Path(sys.argv[1]), {'run.json': 'slow'})"
    )
    out = tmp_path / "out"
    run = [sys.executable, "-c", waits, str(out)]
    with subprocess.Popen(run, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout.readline() == "writing\n"
        for text in ("first", "second"):
            write_folder(out, {"run.json": text})
        assert tree(out) == {"run.json": b"second"}
        assert len(list(tmp_path.iterdir())) == 2
        writer.communicate("on\n")
    assert writer.returncode == 0
    assert tree(tmp_path) == {"out/run.json": b"slow"}


def test_leftovers_of_similar_names_are_not_mixed_up(tmp_path):
    """What belongs to `out.csv` or `out2` is none of `out`'s business. A person's own hidden files are not either."""
    write_folder(tmp_path / "out", FILES)
    others = [".out.csv.abcd1234.part", ".out2.abcd1234.part", ".out.notes.part", ".out.ABCD1234.part"]
    for name in [*others, ".out.abcd1234.part"]:
        (tmp_path / name).touch()
    restore(tmp_path / "out")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([*others, "out"])


def test_names_that_the_system_takes_are_taken(tmp_path):
    """255 bytes are the most (POSIX NAME_MAX on Linux); signs that mean something to patterns are only signs."""
    for name in ("a" * 255, "[x]*.csv", "ü" * 127):
        write_file(tmp_path / name, b"1")
        assert tree(tmp_path).pop(name) == b"1"


@pytest.mark.parametrize("error", [OSError(errno.EIO, "input/output error"), KeyboardInterrupt()])
@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("at", [1, 2])
def test_a_failure_between_two_renames_puts_the_earlier_folder_back(tmp_path, monkeypatch, error, after, at):
    """Where names cannot be exchanged: the first rename takes it aside, the second gives the new one its name."""
    monkeypatch.setattr(atomic, "exchange_names", lambda *_: False)
    write_folder(tmp_path / "out", FILES)
    give, calls = Path.rename, iter(range(1, 100))

    def fails(self, target):
        now = next(calls) == at
        if now and not after:
            raise error
        give(self, target)
        if now:
            raise error

    monkeypatch.setattr(Path, "rename", fails)
    with pytest.raises(type(error)):
        write_folder(tmp_path / "out", {"run.json": "new"})
    new = {"run.json": b"new"} if (after, at) == (True, 2) else {"run.json": b"{}", "deep/er/a.csv": b"1"}
    assert tree(tmp_path / "out") == new
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_an_earlier_folder_that_cannot_be_put_back_is_not_thrown_away(tmp_path, monkeypatch):
    """The disk refuses every rename but the one that took it aside: the next run that may rename finds it."""
    monkeypatch.setattr(atomic, "exchange_names", lambda *_: False)
    write_folder(tmp_path / "out", FILES)
    give, calls = Path.rename, iter(range(1, 100))

    def refuses(self, target):
        if next(calls) > 1:
            raise OSError(errno.EIO, "input/output error")
        return give(self, target)

    monkeypatch.setattr(Path, "rename", refuses)
    with pytest.raises(OSError, match="input/output"):
        write_folder(tmp_path / "out", {"run.json": "new"})
    monkeypatch.setattr(Path, "rename", give)
    restore(tmp_path / "out")
    assert tree(tmp_path) == {"out/run.json": b"{}", "out/deep/er/a.csv": b"1"}


def test_an_empty_folder_stays_itself(tmp_path):
    """It may be somebody's current directory."""
    before = tmp_path.stat().st_ino
    write_into(tmp_path, FILES)
    assert tmp_path.stat().st_ino == before
    assert len(tree(tmp_path)) == 2


def test_names_do_not_leave_the_folder(tmp_path):
    for name in ("../a.csv", "/etc/a.csv", "b/../../a.csv", "."):
        with pytest.raises(ValueError, match="leave"):
            write_folder(tmp_path / "out", {name: ""})
    assert not list(tmp_path.iterdir())


def test_a_file_gets_one_message(tmp_path):
    with pytest.raises(InputError, match=r"a\.txt: cannot be written .* has room"):
        write_file(tmp_path / "missing" / "a.txt", b"")


def test_names_are_exchanged_at_once_or_not_at_all(tmp_path):
    """Folders and files alike; where the system cannot, or one is missing, both stay what they were."""
    write_folder(tmp_path / "a", {"run.json": "a"})
    write_folder(tmp_path / "b", {"run.json": "b"})
    done = exchange_names(tmp_path / "a", tmp_path / "b")
    assert list(map(tree, (tmp_path / "a", tmp_path / "b")))[:: -1 if done else 1] == [
        {"run.json": b"a"},
        {"run.json": b"b"},
    ]
    assert not exchange_names(tmp_path / "a", tmp_path / "missing")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]
