"""A directory of results, written whole or not at all."""

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from phaseopt.output import directory
from phaseopt.output.directory import require_replaceable, write_files
from phaseopt.values.errors import InputError

RECORD = json.dumps({"made_by": "phaseopt", "files": ["a.csv", "run.json", "airflow.csv"]})
FIRST = {"a.csv": "1\r\n", "run.json": RECORD, "airflow.csv": "°\n"}
SECOND = {"a.csv": "2\r\n", "run.json": RECORD}


def tree(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_bytes().decode() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_files_arrive_as_they_are(tmp_path: Path) -> None:
    out = tmp_path / "deep" / "out"
    write_files(out, FIRST)
    assert tree(tmp_path) == {f"deep/out/{name}": text for name, text in FIRST.items()}
    assert os.access(out, os.R_OK | os.X_OK)
    assert out.stat().st_mode & 0o055 == 0o055  # others may read it


def test_an_earlier_output_is_replaced_as_a_whole(tmp_path: Path) -> None:
    write_files(tmp_path / "out", FIRST)
    write_files(tmp_path / "out", SECOND)
    assert tree(tmp_path) == {f"out/{name}": text for name, text in SECOND.items()}


def test_an_empty_directory_is_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    write_files(tmp_path / "out", FIRST)
    assert list(tmp_path.iterdir()) == [tmp_path / "out"]
    assert tree(tmp_path / "out") == FIRST


@pytest.mark.parametrize(
    "held",
    [
        {"letter.txt": "mine"},
        {"run.json": "{}", "a.csv": ""},
        {"run.json": "not json"},
        {"run.json": '["made_by"]'},
        {"run.json": '{"made_by": "phaseopt"}'},
        {**FIRST, "dyno notes.txt": "mine, put beside an output"},
        {**FIRST, "logs/pull.csv": "a folder put beside an output"},
    ],
)
def test_what_no_build_wrote_is_never_taken_away(tmp_path: Path, held: dict[str, str]) -> None:
    for name, text in held.items():
        (tmp_path / "out" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "out" / name).write_bytes(text.encode())
    before = tree(tmp_path)
    for attempt in (lambda: write_files(tmp_path / "out", SECOND), lambda: require_replaceable(tmp_path / "out")):
        with pytest.raises(InputError, match="no earlier build wrote"):
            attempt()
    assert tree(tmp_path) == before


def test_a_name_no_file_system_takes_gets_a_message(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be looked into"):
        require_replaceable(tmp_path / ("a" * 5000))


def test_a_file_or_a_link_is_no_place(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    for name in ("file", "link"):
        with pytest.raises(InputError, match="not a directory"):
            write_files(tmp_path / name, FIRST)
    with pytest.raises(InputError, match="be written"):
        write_files(tmp_path / "file" / "out", FIRST)
    assert tree(tmp_path) == {"file": "mine"}


def failing(at: int, error: BaseException) -> Callable[..., None]:
    """A stand-in that works until its `at`-th call and then fails."""
    calls = iter(range(1, 100))

    def call(*_: object) -> None:
        if next(calls) == at:
            raise error

    return call


@pytest.mark.parametrize("earlier", [False, True])
@pytest.mark.parametrize(
    ("error", "hint"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), "make room"),
        (PermissionError(errno.EACCES, "denied"), "place"),
    ],
)
@pytest.mark.parametrize("at", [1, 2, 3])
def test_a_failed_write_leaves_everything_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, hint: str, at: int, earlier: bool
) -> None:
    """The disk is full or refuses at the first file, the second, or the folder itself."""
    if earlier:
        write_files(tmp_path / "out", FIRST)
    before = tree(tmp_path)
    monkeypatch.setattr(os, "fsync", failing(at, error))
    with pytest.raises(InputError) as caught:
        write_files(tmp_path / "out", SECOND)
    assert hint in caught.value.mistakes[0].hint
    assert tree(tmp_path) == before
    assert [path.name for path in tmp_path.iterdir()] == (["out"] if earlier else [])


def test_an_interrupted_write_leaves_everything_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_files(tmp_path / "out", FIRST)
    monkeypatch.setattr(os, "fsync", failing(2, KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        write_files(tmp_path / "out", SECOND)
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert tree(tmp_path / "out") == FIRST


def test_no_permission_is_refused_before_any_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(directory.os, "access", lambda *_: False)
    with pytest.raises(InputError, match="may not be written"):
        require_replaceable(tmp_path / "out")


def test_a_directory_that_cannot_be_looked_into_gets_a_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "out").mkdir()

    def refuse(_: Path) -> None:
        raise PermissionError(errno.EACCES, "denied")

    monkeypatch.setattr(Path, "iterdir", refuse)
    with pytest.raises(InputError, match="cannot be looked into"):
        require_replaceable(tmp_path / "out")


def test_names_are_plain(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="plain file name"):
        write_files(tmp_path / "out", {"../a.csv": ""})
    assert not list(tmp_path.iterdir())


def test_only_a_build_takes_the_place_of_a_build(tmp_path: Path) -> None:
    """Tables may be in a car: another command that is given their directory by mistake leaves them there."""
    out = tmp_path / "out"
    record = json.dumps({"made_by": "phaseopt", "verdict": {}, "files": ["tables.csv", "run.json"]})
    build = {"run.json": record, "tables.csv": "1"}
    write_files(out, build)
    with pytest.raises(InputError, match="holds a finished build"):
        write_files(out, SECOND)
    assert tree(out) == build
    write_files(out, build | {"tables.csv": "3"})
    assert (out / "tables.csv").read_text() == "3"
