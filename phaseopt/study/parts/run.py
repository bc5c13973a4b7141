"""A parts study at work: trials made by the threads of a process, beside those of other processes.

What to try next follows from what is in the database (`order`), whoever put it there. A trial is seen by what it is at
only after its process gave a sign of life, so that one that is killed is known for cut off, and is made again.
"""

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import optuna
from optuna.distributions import BaseDistribution
from optuna.samplers import BaseSampler
from optuna.study import Study
from optuna.trial import FrozenTrial, TrialState

from phaseopt.study.offset_trial import refused as refusal_text
from phaseopt.study.parts.combinations import Combination
from phaseopt.study.parts.order import ByLevel, next_tasks
from phaseopt.study.parts.sampler import next_choice
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Outcome
from phaseopt.study.storage import ended_itself, fail_cut_off, seal, sealed_trials, sign_of_life
from phaseopt.values.arrays import IntArray
from phaseopt.values.cores import cores
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress

_LOOK = 0.5  # seconds between looks at trials that other processes are at
_GLANCE = 0.05  # seconds between looks at one that has just begun the same
_FOUND, _REFUSED, _KEY, _LEVEL, _AT_WORK = "found", "refused", "combination", "level", "at work"

Task = tuple[str, int]
Attempt = Callable[[Combination, int], Outcome]


class AskedFor(BaseSampler):
    """Gives each trial the combination and level that its thread was asked to try."""

    def __init__(self) -> None:
        self.asked = threading.local()

    def infer_relative_search_space(self, study: Study, trial: FrozenTrial) -> dict[str, BaseDistribution]:
        """None: every parameter is given."""
        return {}

    def sample_relative(
        self, study: Study, trial: FrozenTrial, search_space: dict[str, BaseDistribution]
    ) -> dict[str, Any]:
        """Nothing."""
        return {}

    def sample_independent(
        self, study: Study, trial: FrozenTrial, param_name: str, param_distribution: BaseDistribution
    ) -> Any:
        """What was asked for."""
        return self.asked.of[param_name]


class TakenError(Exception):
    """Another process is at the same trial, or was."""


@dataclass(eq=False)
class PartsRun:
    """A study at work: trials made by the threads of this process beside those of others.

    Parameters
    ----------
    study : Study
    combinations : mapping
        Those that can be tried, by key.
    present : str
    trials : int
        How many are tried at the coarse level.
    attempt : callable
        Tries one at a level.
    price : callable
        Of one, by its key.
    """

    study: Study
    combinations: Mapping[str, Combination]
    present: str
    trials: int
    attempt: Attempt
    price: Callable[[str], float]
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False)
    _claimed: set[Task] = field(default_factory=set, init=False)
    _made: int = field(default=0, init=False)
    _stopped: bool = field(default=False, init=False)

    def __post_init__(self) -> None:
        self.study.sampler = AskedFor()

    def all(self, progress: Progress) -> int:
        """Make trials until nothing is left to try; how many this process made."""
        with ThreadPoolExecutor(cores()) as pool:
            jobs = [pool.submit(self._work, progress) for _ in range(cores())]
            try:
                for job in jobs:
                    job.result()
            except BaseException:
                self._stopped = True  # the other threads end what they are at, and no more
                raise
        return self._made

    def results(self) -> tuple[dict[str, dict[int, Outcome | None]], dict[str, str]]:
        """What was found by key and level, and why some were refused."""
        found: dict[str, dict[int, Outcome | None]] = {}
        why: dict[str, str] = {}
        for trial in sealed_trials(self.study):
            held = trial.user_attrs
            if _KEY not in held or held[_KEY] not in self.combinations:
                continue
            key, level = held[_KEY], int(held[_LEVEL])
            if _FOUND in held:
                found.setdefault(key, {}).setdefault(level, Outcome.of_plain(held[_FOUND]))
            elif _REFUSED in held:
                found.setdefault(key, {}).setdefault(level, None)
                why[key] = str(held[_REFUSED])
        return found, why

    def _work(self, progress: Progress) -> None:
        while (task := self._next(progress)) is not None:
            if task == _WAIT:
                time.sleep(_LOOK)
                continue
            try:
                self._make(task)
            finally:
                with self._lock:
                    self._claimed.discard(task)

    def _next(self, progress: Progress) -> Task | None:
        """A task that nobody is at; `_WAIT` where others are at all that can be done now, None where all is done."""
        with self._lock:
            if self._stopped:
                return None
            fail_cut_off(self.study)
            results, _ = self.results()
            tasks = self._tasks(results)
            if not tasks:
                return None
            running = self._running()
            done = sum(len(levels) for levels in results.values())
            progress(done / (done + len(tasks)), f"{_LEVELS[tasks[0][1]]}: {done} done, {len(tasks)} to go")
            for task in tasks:
                if task not in self._claimed and task not in running:
                    self._claimed.add(task)
                    return task
            return _WAIT

    def _tasks(self, results: ByLevel) -> list[Task]:
        keys = list(self.combinations)
        if len(keys) <= self.trials:
            return next_tasks(keys, results, self.present)
        begun = [key for key in keys if COARSE in results.get(key, {})]
        if len(begun) >= self.trials:
            return next_tasks(begun, results, self.present)
        return [(key, COARSE) for key in self._wanted(keys, results)]

    def _wanted(self, keys: Sequence[str], results: ByLevel) -> list[str]:
        """The next combination of a large shelf to try, and the present one before all."""
        at = {key: place for place, key in enumerate(keys)}
        taken = [at[key] for key in results if COARSE in results[key]]
        busy = [at[key] for key, level in self._claimed | self._running() if level == COARSE and key in at]
        if at[self.present] not in [*taken, *busy]:
            return [self.present]
        choices = choice_numbers([self.combinations[key] for key in keys])
        values = np.array([self._values(keys[place], results[keys[place]][COARSE]) for place in taken]).reshape(
            len(taken), 3
        )
        pending = [place for place in busy if place not in taken]
        if pending:  # as if they came to what is expected least: the next one goes elsewhere
            values = np.vstack([values, np.full((len(pending), values.shape[1]), np.nan)])
        return [keys[next_choice(choices, [*taken, *pending], values)]]

    def _values(self, key: str, found: Outcome | None) -> list[float]:
        if found is None:
            return [float("nan")] * 3
        return [found.torque, found.margin, -self.price(key)]

    def _running(self) -> set[Task]:
        states = (TrialState.RUNNING,)
        trials = self.study.get_trials(deepcopy=False, states=states)
        return {(t.user_attrs[_KEY], int(t.user_attrs[_LEVEL])) for t in trials if _LEVEL in t.user_attrs}

    def _make(self, task: Task) -> None:
        key, level = task
        combination = self.combinations[key]

        def objective(trial: optuna.Trial) -> list[float]:
            sign_of_life(self.study, trial)  # before anybody can see what it is at: else, killed here, it would block
            trial.set_user_attr(_KEY, key)
            trial.set_user_attr(_LEVEL, level)
            for kind, names in self._names.items():
                trial.suggest_categorical(kind, names)
            trial.suggest_int(_LEVEL, 0, WHOLE)
            if self._is_taken(trial.number, task):
                seal(trial, None)
                raise TakenError
            trial.set_user_attr(_AT_WORK, True)
            try:
                found = self.attempt(combination, level)
            except InputError as error:
                trial.set_user_attr(_REFUSED, refusal_text(error))
                seal(trial, None)
                raise
            trial.set_user_attr(_FOUND, found.as_plain())
            values = [found.torque, found.margin, self.price(key)][: len(self.study.directions)]
            seal(trial, values)
            return values

        sampler = self.study.sampler
        assert isinstance(sampler, AskedFor)
        sampler.asked.of = dict(combination.parts) | {_LEVEL: level}
        self.study.optimize(objective, n_trials=1, catch=(InputError, TakenError))
        with self._lock:
            self._made += 1

    @cached_property
    def _names(self) -> dict[str, list[str]]:
        names: dict[str, dict[str, None]] = {}
        for combination in self.combinations.values():
            for kind, name in combination.parts:
                names.setdefault(kind, {})[name] = None
        return {kind: list(each) for kind, each in names.items()}

    def _is_taken(self, number: int, task: Task) -> bool:
        """Whether another trial is at the same, or was; of several that begin at once the first goes on.

        A later one that has not looked yet is waited for: it sees this one and gives way, or it had looked before this
        one could be seen, and is at work.
        """
        while True:
            others = [trial for trial in self._of_task(task) if trial.number != number]
            if any(t.number < number or t.state.is_finished() or _AT_WORK in t.user_attrs for t in others):
                return True
            if not others:
                return False
            time.sleep(_GLANCE)
            fail_cut_off(self.study)

    def _of_task(self, task: Task) -> list[FrozenTrial]:
        """Trials that are at a task, or came to something; one killed just before it ended came to nothing."""
        trials = self.study._storage.get_all_trials(self.study._study_id, deepcopy=False)
        return [
            trial
            for trial in trials
            if (trial.user_attrs.get(_KEY), trial.user_attrs.get(_LEVEL)) == task
            and (not trial.state.is_finished() or (ended_itself(trial) and {_FOUND, _REFUSED} & set(trial.user_attrs)))
        ]


_WAIT: Task = ("", -1)
_LEVELS = {COARSE: "coarse", FINE: "finer", WHOLE: "whole"}


def choice_numbers(combinations: Sequence[Combination]) -> IntArray:
    """(n, kinds) the number of the part of each kind, as the sampler takes them."""
    kinds = list(dict(combinations[0].parts))
    columns = []
    for kind in kinds:
        names = list(dict.fromkeys(dict(each.parts)[kind] for each in combinations))
        columns.append([names.index(dict(each.parts)[kind]) for each in combinations])
    return np.array(columns).T.reshape(len(combinations), len(kinds))
