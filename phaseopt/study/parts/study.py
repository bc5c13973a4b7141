"""Which parts to bolt together: every combination of a shelf tried coarsely, the promising ones finely, a few whole.

Trials are in a database, as those of installed offsets: a study that was stopped goes on, and several processes or
machines share one. What to try next follows from what was tried (`order`), whoever tried it.
"""

import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import optuna
from optuna.distributions import BaseDistribution
from optuna.samplers import BaseSampler
from optuna.study import Study
from optuna.trial import FrozenTrial, TrialState

from phaseopt.io.digest import file_digest, fingerprint
from phaseopt.project import SIDES, Project, Side
from phaseopt.project.shelf import Shelf, leaves
from phaseopt.study.offset_gains import SEEN
from phaseopt.study.offset_trial import refused as refusal_text
from phaseopt.study.offsets import study_key
from phaseopt.study.parts.combinations import Combination, Fitted, allowed, fitted, is_allowed, present
from phaseopt.study.parts.family import Grind
from phaseopt.study.parts.grind import GrindFound, find_grind
from phaseopt.study.parts.order import Audit, ByLevel, audit, by_torque, finalists, next_tasks
from phaseopt.study.parts.paired import Paired
from phaseopt.study.parts.present import base_of
from phaseopt.study.parts.sampler import next_choice
from phaseopt.study.parts.shares import Brings, what_each_brings
from phaseopt.study.parts.trial import COARSE, FINE, WHOLE, Base, Outcome, tried
from phaseopt.study.storage import GRACE, fail_cut_off, open_study, require_storage, seal, sealed_trials
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.cores import cores
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part, silent

KIND, VERSION = "parts", 2  # the version is of what a trial is and records
TRIALS = 300  # combinations tried coarsely, where there are more
_PATIENCE = 2.0 * GRACE  # seconds without news of others' trials after which they count as lost
_LOOK = 0.5  # seconds between looks at trials that other processes are at
_FOUND, _REFUSED, _TAKEN, _KEY, _LEVEL = "found", "refused", "taken", "combination", "level"

Task = tuple[str, int]
Attempt = Callable[[Combination, int], Outcome]


@dataclass(frozen=True, eq=False)
class PartsStudy:
    """What a shelf comes to.

    Parameters
    ----------
    base : Base
        The present engine, and what is known of it.
    shelf : Shelf
    combinations : mapping
        By key, all that are allowed.
    results : mapping
        By key and level, what came of those tried; None where one was refused.
    refused : mapping of str
        By key, why.
    unmeasured : mapping of tuple
        By key, what to measure before it can be known whether it fits.
    present : str
        Key of the engine as it is.
    finalists : tuple of str
        Keys of those tried whole, the most torque first.
    made : int
        Trials made in this run.
    fits : mapping
        By key, each as a project.
    grinds : tuple of GrindFound
        The best lobe of each family on the shelf.
    """

    base: Base
    shelf: Shelf
    combinations: Mapping[str, Combination]
    results: ByLevel
    refused: Mapping[str, str]
    unmeasured: Mapping[str, tuple[str, ...]]
    present: str
    finalists: tuple[str, ...]
    made: int
    fits: Mapping[str, Fitted] = field(repr=False, default_factory=dict)
    grinds: tuple[GrindFound, ...] = ()

    def outcome(self, key: str) -> Outcome:
        """What a combination came to at the highest level it was tried at."""
        found = [each for _, each in sorted(self.results[key].items()) if each is not None]
        return found[-1]

    @cached_property
    def paired(self) -> Paired:
        """Torque of the finalists, together."""
        return Paired.of([self.outcome(key) for key in self.finalists], self.base.knowledge)

    def price(self, key: str) -> float | None:
        """What a combination costs; None without prices."""
        return self.fits[key].price

    @property
    def first(self) -> str:
        """The combination with the most torque; the present one where that may stay and nothing makes more."""
        return self.buildable[0]

    @property
    def second(self) -> str | None:
        """The next best."""
        return self.buildable[1] if len(self.buildable) > 1 else None

    @property
    def buildable(self) -> list[str]:
        """Finalists that may be built: not the present engine where a part of it may not stay."""
        return [key for key in self.finalists if is_allowed(self.shelf, self.combinations[key]) and self._stays(key)]

    def _stays(self, key: str) -> bool:
        return all(self.shelf.part(kind, name) in self.shelf.parts[kind] for kind, name in self.combinations[key].parts)

    def gain(self, key: str, over: str | None = None) -> tuple[float, float]:
        """Torque of one finalist over another, the present one by default, and its standard deviation [N·m]."""
        place = self.finalists.index
        return self.paired.difference(place(key), place(over or self.present))

    @cached_property
    def shares(self) -> tuple[list[Brings], list[Brings]]:
        """What each part brings, and what two bring together beyond that, at the level that all were tried at."""
        keys = by_torque(self.results, self.results, COARSE)
        torque = np.array([self._coarse(key).torque for key in keys])
        return what_each_brings([dict(self.combinations[key].parts) for key in keys], torque, self.kinds)

    @property
    def kinds(self) -> dict[str, str]:
        """The present part by kind."""
        return dict(self.combinations[self.present].parts)

    def grind_of(self, combination: Combination) -> dict[Side, Grind]:
        """The lobes that were found for the families in a combination."""
        cams = {(each.side, each.combination.kinds_of[f"{each.side}_cams"]): each.grind for each in self.grinds}
        return {side: grind for (side, name), grind in cams.items() if combination.kinds_of.get(f"{side}_cams") == name}

    @property
    def audit(self) -> Audit:
        """How those left behind fared when some were tried finer."""
        return audit(list(self.results), self.results)

    def _coarse(self, key: str) -> Outcome:
        found = self.results[key][COARSE]
        assert found is not None
        return found


@one_blas_thread()
def study_parts(
    project: Project,
    shelf: Shelf,
    trials: int = TRIALS,
    storage: str | None = None,
    progress: Progress = silent,
    cluster: str | None = None,
) -> PartsStudy:
    """Try the combinations of a shelf, and compare the best with each other and with the engine as it is.

    Parameters
    ----------
    project : Project
        With [cycle]; its pulls calibrate what is simulated.
    shelf : Shelf
        Its parts.
    trials : int
        How many combinations are tried at most; all of them where there are no more.
    storage : str, optional
        A database as Optuna names it; a file beside the project by default.
    progress : callable
        Gets the share of the work done, 0 to 1, and what is going on.
    cluster : str, optional
        Address of a Dask scheduler that simulates the combinations.

    Returns
    -------
    PartsStudy

    Raises
    ------
    InputError
        As a build of the project does; a shelf on which nothing fits; a database that cannot be used.
    """
    require_storage(KIND, VERSION, project.folder, storage)
    as_it_is = present(shelf)
    now = as_it_is.key
    combinations = {each.key: each for each in [as_it_is, *allowed(shelf)]}
    few = len(combinations) <= trials  # a large shelf is not looked through before anything is tried
    fits, refused, unmeasured = _fits(shelf, project, combinations if few else {now: as_it_is})
    _require_some(shelf, combinations, refused, unmeasured, now)
    base = replace(base_of(project, shelf, as_it_is, part(progress, 0.0, 0.4)), workers=1, cluster=cluster)
    known = {key: each for key, each in combinations.items() if key not in refused and key not in unmeasured}
    study = open_study(
        KIND, VERSION, fingerprint(study_key(project), *shelf_digests(shelf, project)), _directions(shelf),
        project.folder, storage, watched=True,
    )  # fmt: skip

    def fit_of(key: str) -> Fitted:
        if key not in fits:
            fits[key] = fitted(shelf, project, combinations[key])
        return fits[key]

    def attempt(combination: Combination, level: int) -> Outcome:
        found = fit_of(combination.key)
        if not found.drop_known:
            raise InputError.one(found.measure[0], hint="measure it", file=shelf.file)
        return tried(base, found, level)

    run = PartsRun(study, known, now, trials, attempt, lambda key: fit_of(key).price or 0.0)
    made = run.all(part(progress, 0.4, 0.9))
    results, why = run.results()
    chosen = [key for key in finalists(list(results), results, now) if results[key].get(WHOLE) is not None]
    ranked = tuple(by_torque(chosen, results, WHOLE))
    for key in results:
        with suppress(InputError):  # one that was refused
            fit_of(key)
    if now not in ranked:
        hint = "fix the project first: every gain is over the engine as it is"
        raise InputError.one(
            f"cannot be tried as it is: {why.get(now, refused.get(now, ''))}", hint=hint, file=project.file
        )
    found = PartsStudy(base, shelf, combinations, results, refused | why, unmeasured, now, ranked, made, fits)
    return replace(found, grinds=tuple(_grinds(found, part(progress, 0.9, 1.0))))


def _grinds(study: PartsStudy, progress: Progress) -> Iterator[GrindFound]:
    """The best lobe of each family, with the parts that made the most torque with its middle one."""
    base, results = replace(study.base, workers=None), study.results  # one after the other, each on all cores
    ranked = sorted(
        (key for key, levels in results.items() if any(each is not None for each in levels.values())),
        key=lambda key: (-max(level for level, each in results[key].items() if each), -study.outcome(key).torque),
    )
    for side in SIDES:
        kind = f"{side}_cams"
        for cam in study.shelf.parts.get(kind, ()):
            own = [study.combinations[key] for key in ranked if study.combinations[key].kinds_of[kind] == cam.name]
            if cam.own.family is None or not own:
                continue
            others = {each: name for each, name in own[0].parts if each != kind}
            families = {each.name for each in study.shelf.parts[kind] if each.own.family is not None}
            rivals = [
                combination
                for key in ranked
                if (combination := study.combinations[key]).kinds_of[kind] not in families
                and {each: name for each, name in combination.parts if each != kind} == others
            ]
            within = SEEN * study.outcome(study.present).torque
            with suppress(InputError):  # no lobe of it can be used: the family itself was refused, and that is said
                yield find_grind(base, study.shelf, own[0], side, within, progress, rivals)


def shelf_digests(shelf: Shelf, project: Project) -> tuple[tuple[str, str], ...]:
    """The shelf and the files that its parts name, each with its hash."""
    found = {shelf.file.name: file_digest(shelf.file)}
    for part_ in (part_ for parts in shelf.parts.values() for part_ in parts):
        named = [value for _, value in leaves(part_.changes) if isinstance(value, str)]
        named += [] if part_.own.family is None else [str(part_.own.family.of)]
        paths = {name: project.folder / name for name in named}
        found |= {name: file_digest(path) for name, path in paths.items() if path.is_file()}
    return tuple(sorted(found.items()))


def _directions(shelf: Shelf) -> list[Any]:
    return ["maximize", "maximize", *(["minimize"] if shelf.currency else [])]


def _fits(
    shelf: Shelf, project: Project, combinations: Mapping[str, Combination]
) -> tuple[dict[str, Fitted], dict[str, str], dict[str, tuple[str, ...]]]:
    """What each combination is, why some cannot be, and what to measure for others."""
    fits: dict[str, Fitted] = {}
    refused: dict[str, str] = {}
    unmeasured: dict[str, tuple[str, ...]] = {}
    for key, combination in combinations.items():
        try:
            fits[key] = fitted(shelf, project, combination)
        except InputError as error:
            refused[key] = refusal_text(error)
        else:
            if not fits[key].drop_known:
                unmeasured[key] = fits[key].measure
    return fits, refused, unmeasured


def _require_some(
    shelf: Shelf, combinations: Mapping[str, Combination], refused: Mapping[str, str],
    unmeasured: Mapping[str, tuple[str, ...]], present: str,
) -> None:  # fmt: skip
    if present in refused:
        raise InputError.one(refused[present], hint="fix the project first", file=shelf.file, where="now")
    if len(refused) + len(unmeasured) + 1 < len(combinations):
        return
    reasons = list(dict.fromkeys(refused.values())) or [each for parts in unmeasured.values() for each in parts][:1]
    raise InputError.one(
        f"no combination with these parts can be tried: {'; '.join(reasons[:3])}",
        hint="measure what is unknown, or put other parts on the shelf",
        file=shelf.file,
    )


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
    _at_work: int = field(default=0, init=False)
    _news: tuple[int, float] = field(default=(-1, 0.0), init=False)  # how many were done when last heard of, and when

    def all(self, progress: Progress) -> int:
        """Make trials until nothing is left to try; how many this process made."""
        self.study.sampler = AskedFor()
        with ThreadPoolExecutor(cores()) as pool:
            jobs = [pool.submit(self._work, progress) for _ in range(cores())]
            try:
                for job in jobs:
                    job.result()
            except BaseException:
                self._claimed.update((key, level) for key in self.combinations for level in range(WHOLE + 1))
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
            with self._lock:
                self._at_work += 1
            try:
                self._make(task)
            finally:
                with self._lock:
                    self._at_work -= 1

    def _next(self, progress: Progress) -> Task | None:
        """A task that nobody is at; `_WAIT` where others are at all that can be done now, None where all is done."""
        with self._lock:
            fail_cut_off(self.study)
            results, _ = self.results()
            tasks = self._tasks(results)
            if not tasks:
                return None
            running = self._running()
            done = sum(len(levels) for levels in results.values())
            progress(done / (done + len(tasks)), f"{_LEVELS[tasks[0][1]]}: {done} trials done, {len(tasks)} to go")
            for task in tasks:
                if task not in self._claimed and task not in running:
                    self._claimed.add(task)
                    return task
            self._give_up_lost(done)
            return _WAIT

    def _give_up_lost(self, done: int) -> None:
        """Mark trials as failed whose process was killed before it gave a sign of life: nothing came for a while."""
        now = time.monotonic()
        if done != self._news[0] or self._at_work:
            self._news = done, now
        elif now - self._news[1] > _PATIENCE:
            for trial in self.study.get_trials(deepcopy=False, states=(TrialState.RUNNING,)):
                self.study.tell(trial.number, state=TrialState.FAIL)
            self._news = done, now

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
            trial.set_user_attr(_KEY, key)
            trial.set_user_attr(_LEVEL, level)
            for kind, names in self._names.items():
                trial.suggest_categorical(kind, names)
            trial.suggest_int(_LEVEL, 0, WHOLE)
            if self._is_taken(trial.number, task):
                seal(trial, None)
                raise TakenError
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
        """Whether an earlier trial is at the same, or was: of several processes the first goes on."""
        trials = self.study._storage.get_all_trials(self.study._study_id, deepcopy=False)
        return any(
            trial.number < number
            and (trial.user_attrs.get(_KEY), trial.user_attrs.get(_LEVEL)) == task
            and (not trial.state.is_finished() or _FOUND in trial.user_attrs or _REFUSED in trial.user_attrs)
            for trial in trials
        )


_WAIT: Task = ("", -1)
_LEVELS = {COARSE: "coarse", FINE: "finer", WHOLE: "whole"}


def choice_numbers(combinations: Sequence[Combination]) -> Any:
    """(n, kinds) the number of the part of each kind, as the sampler takes them."""
    kinds = list(dict(combinations[0].parts))
    columns = []
    for kind in kinds:
        names = list(dict.fromkeys(dict(each.parts)[kind] for each in combinations))
        columns.append([names.index(dict(each.parts)[kind]) for each in combinations])
    return np.array(columns).T.reshape(len(combinations), len(kinds))
