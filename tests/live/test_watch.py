"""Which logs are complete, as files come in the ways in which loggers, people and shares write them."""

import os
from pathlib import Path

import pytest

from phaseopt.live.watch import EMPTY, HALF, LOCKED, OUTSIDE, PATIENCE, QUIET, WRITING, Seen, Watch

ROWS = b"rpm,torque\n1000,90\n2000,110\n"


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


class Day:
    """A project with a folder of logs, watched."""

    def __init__(self, folder: Path) -> None:
        self.clock = Clock()
        self.logs = folder / "logs"
        self.logs.mkdir()
        (folder / "project.toml").write_text('[torque]\nlogs = "logs/"\n', encoding="utf-8")
        self.watch = Watch(folder / "project.toml", self.clock)

    def after(self, seconds: float) -> Seen:
        self.watch.scan()
        self.clock.now += seconds
        return self.watch.scan()

    def complete(self, seconds: float = QUIET) -> list[str]:
        return [Path(name).name for name in self.after(seconds).complete]


@pytest.fixture
def day(tmp_path: Path) -> Day:
    return Day(tmp_path)


def test_a_log_copied_at_once_is_complete_after_the_quiet(day: Day) -> None:
    (day.logs / "1.csv").write_bytes(ROWS)
    assert day.after(QUIET - 0.1).waiting == {"1.csv": WRITING}
    assert day.complete(0.1) == ["1.csv"]


def test_a_log_that_grows_waits_from_its_last_row(day: Day) -> None:
    log = day.logs / "1.csv"
    for rows in range(4):
        log.write_bytes(ROWS + b"3000,120\n" * rows)
        assert day.complete(QUIET - 0.1) == []
    assert day.complete() == ["1.csv"]


def test_a_complete_log_that_grows_again_is_complete_again_with_another_stamp(day: Day) -> None:
    log = day.logs / "1.csv"
    log.write_bytes(ROWS)
    (first,) = day.after(QUIET).complete.values()
    log.write_bytes(ROWS + b"3000,120\n")
    assert day.complete(QUIET - 0.1) == []
    (second,) = day.after(QUIET).complete.values()
    assert first != second


@pytest.mark.parametrize("name", ["1.csv.part", "1.csv.tmp", "1.csv~"])
def test_a_temporary_name_waits_until_it_is_renamed(day: Day, name: str) -> None:
    (day.logs / name).write_bytes(ROWS)
    assert day.after(100.0).waiting == {name: WRITING}
    (day.logs / name).rename(day.logs / "1.csv")
    assert day.complete() == ["1.csv"]


def test_a_half_line_waits_and_then_counts_as_it_is(day: Day) -> None:
    log = day.logs / "1.csv"
    log.write_bytes(ROWS + b"3000,1")
    assert day.after(QUIET).waiting == {"1.csv": HALF}
    assert day.complete(PATIENCE - QUIET) == ["1.csv"]


def test_a_half_line_that_is_ended_counts_from_then(day: Day) -> None:
    log = day.logs / "1.csv"
    log.write_bytes(ROWS + b"3000,1")
    assert day.complete() == []
    log.write_bytes(ROWS + b"3000,120\n")
    assert day.complete() == ["1.csv"]


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-8"])
def test_the_end_of_a_line_is_seen_in_any_encoding(day: Day, encoding: str) -> None:
    (day.logs / "1.csv").write_bytes("rpm\r\n1000\r\n".encode(encoding))
    assert day.complete() == ["1.csv"]


def test_a_log_that_cannot_be_opened_waits(day: Day, monkeypatch: pytest.MonkeyPatch) -> None:
    (day.logs / "1.csv").write_bytes(ROWS)
    really, closed = os.open, True

    def opened(path: str, *given: int) -> int:
        if closed and str(path).endswith("1.csv"):
            raise PermissionError(13, "the logger has it open")
        return really(path, *given)

    monkeypatch.setattr(os, "open", opened)
    assert day.after(100.0).waiting == {"1.csv": LOCKED}
    closed = False
    assert day.complete(0.0) == ["1.csv"]


def test_an_empty_log_waits(day: Day) -> None:
    (day.logs / "1.csv").touch()
    assert day.after(100.0).waiting == {"1.csv": EMPTY}


def test_a_link_out_of_the_folder_is_refused_and_one_inside_is_not(day: Day, tmp_path: Path) -> None:
    (tmp_path / "elsewhere.csv").write_bytes(ROWS)
    (day.logs / "1.csv").write_bytes(ROWS)
    (day.logs / "2.csv").symlink_to(tmp_path / "elsewhere.csv")
    (day.logs / "3.csv").symlink_to("1.csv")
    (day.logs / "4.csv").symlink_to(tmp_path / "nowhere.csv")
    seen = day.after(QUIET)
    assert [Path(name).name for name in seen.complete] == ["1.csv", "3.csv"]
    assert seen.waiting == {"2.csv": OUTSIDE, "4.csv": LOCKED}


def test_what_is_no_file_is_no_log(day: Day) -> None:
    (day.logs / "1.csv").mkdir()
    os.mkfifo(day.logs / "2.csv")
    assert day.complete(100.0) == []


@pytest.mark.parametrize("written", [0.0, 4e9])
def test_a_clock_that_jumps_changes_nothing(day: Day, written: float) -> None:
    """1970 and 2096: what counts is when this program saw the file change."""
    log = day.logs / "1.csv"
    log.write_bytes(ROWS)
    os.utime(log, (written, written))
    assert day.complete(QUIET - 0.1) == []
    assert day.complete(0.1) == ["1.csv"]


def test_logs_that_entries_name_are_watched_where_they_are(day: Day, tmp_path: Path) -> None:
    entry = '[[torque.pulls]]\nfiles = ["steady/*.csv"]\n'
    (tmp_path / "project.toml").write_text(f'[torque]\nlogs = "logs/"\n{entry}', encoding="utf-8")
    (tmp_path / "steady").mkdir()
    (tmp_path / "steady" / "part.csv").write_bytes(ROWS)
    assert day.complete() == ["part.csv"]


def test_a_new_watch_of_the_same_files_finds_the_same(day: Day) -> None:
    for name in ("1.csv", "2.csv"):
        (day.logs / name).write_bytes(ROWS)
    first = day.after(QUIET)
    day.watch = Watch(day.watch.project, day.clock)
    assert day.after(QUIET) == first


def test_a_change_of_the_project_and_of_files_that_it_names_is_seen(day: Day, tmp_path: Path) -> None:
    (tmp_path / "lobe.csv").write_text("1\n", encoding="utf-8")
    before = day.watch.scan().inputs
    text = '[intake]\nlobe = "lobe.csv"\n[torque]\nlogs = "logs/"\n'
    (tmp_path / "project.toml").write_text(text, encoding="utf-8")
    named = day.watch.scan().inputs
    (tmp_path / "lobe.csv").write_text("12\n", encoding="utf-8")
    assert len({before, named, day.watch.scan().inputs}) == 3


def test_a_project_that_cannot_be_read_keeps_its_logs(day: Day, tmp_path: Path) -> None:
    """An editor may write it in two steps."""
    (day.logs / "1.csv").write_bytes(ROWS)
    assert day.complete() == ["1.csv"]
    (tmp_path / "project.toml").write_text('[torque]\nlogs = "lo', encoding="utf-8")
    assert day.complete(0.0) == ["1.csv"]
