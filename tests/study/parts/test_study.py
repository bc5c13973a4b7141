"""Trials of a shelf in a database: each made once, whoever makes it, and none lost when a process is killed."""

import multiprocessing
import os
import signal
from collections import Counter
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from optuna.trial import TrialState

from phaseopt.study.parts.combinations import Combination
from phaseopt.study.parts.run import PartsRun
from phaseopt.study.parts.trial import Outcome
from phaseopt.study.storage import open_study, seal, sign_of_life
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent

NAMES = {"intake_cams": ("now", "short", "long", "longer"), "heads": ("now", "ported"), "pistons": ("now", "domed")}
BRING = {"short": -2.0, "long": 3.0, "longer": 2.0, "ported": 4.0, "domed": 2.5}
PLAIN = Outcome(
    0, 0.0, np.array([3e3, 5e3]), np.zeros(2), np.zeros(2), np.zeros(2), np.zeros((2, 2)), (0.0, 0.0),
    {"intake_piston": 1.0}, {"intake_piston": 2.0}, 0.2, "", {}, {},
)  # fmt: skip


def combinations() -> dict[str, Combination]:
    found = []
    for names in product(*NAMES.values()):
        parts = tuple(zip(NAMES, names, strict=True))
        found.append(Combination(parts, tuple(part for part in parts if part[1] != "now")))
    return {each.key: each for each in found}


def run(folder: Path, log: Path, stop_at: int | None = None, trials: int = 300) -> PartsRun:
    """A run whose trials are written to a log; at one of them the process kills itself."""

    def attempt(combination: Combination, level: int) -> Outcome:
        with log.open("a") as file:
            file.write(f"{combination.key} @ {level}\n")
        if stop_at is not None and len(log.read_text().splitlines()) >= stop_at:
            os.kill(os.getpid(), signal.SIGKILL)
        names = [name for _, name in combination.parts]
        if "longer" in names and "domed" in names:
            raise InputError.one("hits", hint="another piston")
        torque = 150.0 + sum(BRING.get(name, 0.0) for name in names) + 0.1 * level
        return replace(PLAIN, level=level, torque=torque)

    study = open_study("parts", 1, "test", ["maximize", "maximize"], folder, watched=True)
    return PartsRun(study, combinations(), "now", trials, attempt, lambda key: 0.0)


def in_a_process(folder: Path, log: Path, stop_at: int | None = None) -> None:
    run(folder, log, stop_at).all(silent)


def done(log: Path) -> Counter[str]:
    return Counter(log.read_text().splitlines()) if log.exists() else Counter()


def test_every_trial_is_made_once_and_the_best_is_tried_whole(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "log"
    first = run(tmp_path, log)
    made = first.all(silent)
    assert capfd.readouterr().err == ""  # no word of Optuna's about those refused
    results, why = first.results()
    assert set(done(log).values()) == {1}
    assert made == sum(done(log).values())
    assert set(results) == set(combinations())
    whole = [key for key, levels in results.items() if levels.get(2) is not None]
    assert "intake_cams = long; heads = ported; pistons = domed" in whole
    assert "now" in whole
    assert set(why.values()) == {"hits"}


def test_a_finished_study_makes_nothing_again(tmp_path: Path) -> None:
    log = tmp_path / "log"
    run(tmp_path, log).all(silent)
    before = done(log)
    assert run(tmp_path, log).all(silent) == 0
    assert done(log) == before


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills itself by a signal that only such systems have")
def test_one_killed_goes_on_and_loses_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("phaseopt.study.storage.GRACE", 1)
    monkeypatch.setattr("phaseopt.study.storage.HEARTBEAT", 1)
    log = tmp_path / "log"
    process = multiprocessing.get_context("spawn").Process(target=in_a_process, args=(tmp_path, log, 9))
    process.start()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    begun = done(log)
    second = run(tmp_path, log)
    second.all(silent)
    again = {task for task, count in done(log).items() if count > 1}
    assert len(again) <= (os.cpu_count() or 1)  # those that it was at when it was killed
    assert again <= set(begun)
    assert len(second.results()[0]) == len(combinations())


def test_a_trial_that_was_only_begun_blocks_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One killed before it said what it is at, and one killed right after its first sign of life."""
    monkeypatch.setattr("phaseopt.study.storage.GRACE", 1)
    monkeypatch.setattr("phaseopt.study.storage.HEARTBEAT", 1)
    log = tmp_path / "log"
    first = run(tmp_path, log)
    first.study.ask()
    lost = first.study.ask()
    sign_of_life(first.study, lost)
    lost.set_user_attr("combination", "now")
    lost.set_user_attr("level", 0)
    first.all(silent)
    assert first.results()[0]["now"][0] is not None
    assert set(done(log).values()) == {1}


def test_a_trial_killed_just_before_its_end_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It had written what it found, sealed, and was then marked as failed: nobody counts it, so nobody waits for it."""
    log = tmp_path / "log"
    again = run(tmp_path, log)
    cut_off = again.study.ask()
    cut_off.set_user_attr("combination", "now")
    cut_off.set_user_attr("level", 0)
    cut_off.set_user_attr("found", PLAIN.as_plain())
    seal(cut_off, [150.0, 0.2])
    again.study.tell(cut_off, state=TrialState.FAIL)
    make, made = PartsRun._make, []

    def counted(self: PartsRun, task: tuple[str, int]) -> None:
        made.append(task)
        assert made.count(task) == 1
        make(self, task)

    monkeypatch.setattr(PartsRun, "_make", counted)
    again.all(silent)
    assert again.results()[0]["now"][0] is not None
    assert done(log)["now @ 0"] == 1


def test_an_interrupt_ends_all_threads(tmp_path: Path) -> None:
    """What is no wrong input stops the study, and no thread waits for what the others would have done."""
    stopped = run(tmp_path, tmp_path / "log")

    def interrupted(combination: Combination, level: int) -> Outcome:
        raise KeyboardInterrupt

    stopped.attempt = interrupted
    with pytest.raises(KeyboardInterrupt):
        stopped.all(silent)


def test_a_task_that_another_process_left_is_taken_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """This process lost the race for it, and the winner was killed: it is made here after all."""
    monkeypatch.setattr("phaseopt.study.storage.GRACE", 1)
    monkeypatch.setattr("phaseopt.study.storage.HEARTBEAT", 1)
    log = tmp_path / "log"
    second = run(tmp_path, log)
    other = second.study.ask()
    sign_of_life(second.study, other)
    other.set_user_attr("combination", "now")
    other.set_user_attr("level", 0)
    second._make(("now", 0))  # as if it had looked before the other began
    assert done(log) == Counter()
    second.all(silent)
    assert done(log)["now @ 0"] == 1


def test_two_processes_share_the_trials(tmp_path: Path) -> None:
    log = tmp_path / "log"
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=in_a_process, args=(tmp_path, log)) for _ in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join()
    assert [process.exitcode for process in both] == [0, 0]
    assert set(done(log).values()) == {1}


def test_of_a_large_shelf_only_so_many_are_tried(tmp_path: Path) -> None:
    log = tmp_path / "log"
    searched = run(tmp_path, log, trials=10)
    searched.all(silent)
    results, _ = searched.results()
    coarse = sum(0 in levels for levels in results.values())
    assert 10 <= coarse <= 10 + (os.cpu_count() or 1)  # those that threads are at when enough are done
    assert set(done(log).values()) == {1}
    assert "now" in results
