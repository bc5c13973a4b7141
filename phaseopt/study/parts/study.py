"""Which parts to bolt together: every combination of a shelf tried coarsely, the promising ones finely, a few whole.

Trials are in a database, as those of installed offsets: a study that was stopped goes on, and several processes or
machines share one (`run`).
"""

import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from phaseopt.io.digest import file_digest, fingerprint
from phaseopt.project import SIDES, Project, Side
from phaseopt.project.shelf import Shelf
from phaseopt.study.offset_gains import SEEN
from phaseopt.study.offset_trial import refused as refusal_text
from phaseopt.study.offsets import study_key
from phaseopt.study.parts.combinations import Combination, Fitted, allowed, fitted, is_allowed, present
from phaseopt.study.parts.family import Grind
from phaseopt.study.parts.grind import GrindFound, find_grind
from phaseopt.study.parts.order import Audit, ByLevel, audit, by_torque, finalists
from phaseopt.study.parts.paired import Paired
from phaseopt.study.parts.present import base_of
from phaseopt.study.parts.run import PartsRun
from phaseopt.study.parts.shares import Brings, what_each_brings
from phaseopt.study.parts.trial import COARSE, WHOLE, Base, Outcome, tried
from phaseopt.study.storage import open_study, require_storage
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part, silent

KIND, VERSION = "parts", 3  # the version is of what a trial is and records
_LONGEST = 200  # characters of a name of a file
TRIALS = 300  # combinations tried coarsely, where there are more


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
    no_grinds : mapping of str
        Families without a lobe that can be used, by name, and why.
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
    no_grinds: Mapping[str, str] = field(default_factory=dict)

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
    grinds, no_grinds = _grinds(found, part(progress, 0.9, 1.0))
    return replace(found, grinds=grinds, no_grinds=no_grinds)


def _grinds(study: PartsStudy, progress: Progress) -> tuple[tuple[GrindFound, ...], dict[str, str]]:
    """The best lobe of each family, with the parts that made the most torque with its middle one; why there is none."""
    grinds: list[GrindFound] = []
    none: dict[str, str] = {}
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
            try:
                grinds.append(find_grind(base, study.shelf, own[0], side, within, progress, rivals))
            except InputError as error:
                none[cam.name] = refusal_text(error)
    return tuple(grinds), none


def shelf_digests(shelf: Shelf, project: Project) -> tuple[tuple[str, str], ...]:
    """The shelf and every file that it names anywhere (lobes, drop readings), each with its hash."""
    names = set(_texts(tomllib.loads(shelf.file.read_text(encoding="utf-8-sig"))))
    paths = {name: project.folder / name for name in names if len(name) < _LONGEST}
    found = {name: file_digest(path) for name, path in paths.items() if path.is_file()}
    return ((shelf.file.name, file_digest(shelf.file)), *sorted(found.items()))


def _texts(value: object) -> Iterator[str]:
    """All text in nested tables and lists."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for each in value.values() if isinstance(value, dict) else value:
            yield from _texts(each)


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
