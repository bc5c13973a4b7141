"""What changes of a project would do: the job done with each alone and with all together, beside the project as it is.

Nothing is written, and the project file stays as it is. Pulls were made on the engine as it is: at another installed
offset they keep theirs, and so do readings of the cams.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import BaseModel

from phaseopt.job.baseline import full_throttle_of
from phaseopt.job.build import Build, build, unknowns_of
from phaseopt.job.gains import between_curves, trapezoid_shares
from phaseopt.project import Project
from phaseopt.project.cross_checks import contradictions
from phaseopt.project.load import load_project
from phaseopt.study.offset_range import refitted
from phaseopt.study.offset_trial import refused
from phaseopt.torque_model.table_unknowns import facts
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError, Mistake
from phaseopt.values.progress import Progress, part, silent

Updates = Mapping[str, object]  # sections of a project by name

_ABOUT = ("name", "report", "units", "file")  # change no number
_WHOLE = ("torque", "torque_grid", "tables", "phaser")  # sections whose keys mean little without each other
_TOGETHER = (  # keys of a section, of a cam most of them, that do not either
    frozenset({"lobe", "lobe_error", "card", "ratio", "ratio_over_lift", "ratio_error", "centreline_by", "lash"}),
    frozenset({"centreline", "offset", "centreline_error", "degree_in"}),
    frozenset({"bore", "stroke", "rod", "pin_offset"}),
    frozenset({"measured_with", "built_with"}),
)
_SAME = 1e-6  # N·m: by how much two models that are the same may differ


@dataclass(frozen=True)
class TorqueDifference:
    """Mean torque at full throttle by area under the curve, N·m, over the speeds that both builds know.

    `deviation` of the difference; `at_most`, whether it counts nothing that the two builds share.
    """

    rpm: tuple[float, float]
    first: float
    second: float
    deviation: float
    at_most: bool

    @property
    def mean(self) -> float:
        """Second less first [N·m]."""
        return self.second - self.first


@dataclass(frozen=True, eq=False)
class Variant:
    """What some changes do: a build with them, and torque against the project as it is; or why there is no build."""

    changes: tuple[str, ...]
    build: Build | None
    difference: TorqueDifference | None
    refused: str = ""


@dataclass(frozen=True, eq=False)
class WhatIf:
    """Changes of a project, and what they do.

    Parameters
    ----------
    base : Build
        The project as it is.
    alone : tuple of Variant
        Each change by itself; empty where there is only one.
    together : Variant
        All of them.

    See Also
    --------
    try_changes
    """

    base: Build
    alone: tuple[Variant, ...]
    together: Variant

    @property
    def variants(self) -> tuple[Variant, ...]:
        """Each alone, then all together."""
        return (*self.alone, self.together)

    @property
    def not_covered(self) -> tuple[str, ...]:
        """What any of the builds did not look at: a change may leave out what the project as it is has."""
        builds = [self.base, *(each.build for each in self.variants if each.build is not None)]
        return tuple(dict.fromkeys(words for built in builds for words in built.verdict.not_covered))

    @property
    def interplay(self) -> float | None:
        """What all together bring beyond the sum of each alone [N·m]; None where that is not known."""
        known = [each.difference.mean for each in self.variants if each.difference is not None]
        return known[-1] - sum(known[:-1]) if self.alone and len(known) == len(self.variants) else None


def try_changes(path: str | Path, changes: Sequence[str], progress: Progress | None = None) -> WhatIf:
    """Build a project as it is and with changes, without touching its file.

    Parameters
    ----------
    path : path
        The project file.
    changes : sequence of str
        As "intake.offset=-10": keys as in the file, values as TOML.
    progress : callable, optional
        Called with the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    WhatIf

    Raises
    ------
    InputError
        For a change that is none, and as a build of the project does.

    Examples
    --------
    >>> found = try_changes("examples/intake_only/project.toml", ["gap.running.reserve=0.6"])
    >>> found.together.changes, found.together.build.verdict.accepted
    (('gap.running.reserve=0.6',), True)
    """
    base = load_project(path)
    whole = refitted(base, load_project(path, changes=changes))
    singles = [(each,) for each in changes] if len(changes) > 1 else []
    variants: list[tuple[tuple[str, ...], Project | InputError]] = []
    for single in singles:
        try:
            variants.append((single, refitted(base, load_project(path, changes=single))))
        except InputError as error:  # a value that only makes sense with the others
            variants.append((single, error))
    return compare_variants(base, [*variants, (tuple(changes), whole)], progress or silent)


def share_changes(first: Project, second: Project, progress: Progress | None = None) -> WhatIf:
    """What each change from a first project to a second does by itself, and all together: the second.

    Changes of keys that mean nothing without each other, such as lobe and ratio, count as one. In a change alone pulls
    and readings of the cams keep the first project's offsets.

    Parameters
    ----------
    first, second : Project
    progress : callable, optional
        Called with the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    WhatIf

    Raises
    ------
    InputError
        As a build of the first project does.

    Examples
    --------
    >>> project = load_project("examples/intake_only/project.toml")
    >>> search = project.search.model_copy(update={"caution": 0.5})
    >>> found = share_changes(project, project.model_copy(update={"search": search}))
    >>> found.together.changes, found.alone
    (('search.caution',), ())
    """
    groups = list(_changed_groups(first, second))
    names = tuple(name for named, _ in groups for name in named)
    singles = [(named, _alone(first, second, updates)) for named, updates in groups] if len(groups) > 1 else []
    return compare_variants(first, [*singles, (names, second)], progress or silent)


def _changed_groups(first: Project, second: Project) -> Iterator[tuple[tuple[str, ...], Updates]]:
    """Changes that can stand alone: the keys of each, and what they make of the sections."""
    for name in Project.model_fields:
        one, other = getattr(first, name), getattr(second, name)
        same = facts(first, one) == facts(second, other)
        if name in _ABOUT or same:
            continue
        if name in _WHOLE or not isinstance(one, BaseModel) or not isinstance(other, BaseModel):
            yield (name,), {name: other}
            continue
        changed = [
            field
            for field in type(one).model_fields
            if facts(first, getattr(one, field)) != facts(second, getattr(other, field))
        ]
        for group in (*_TOGETHER, *({field} for field in changed if not any(field in each for each in _TOGETHER))):
            fields = [field for field in changed if field in group]
            if fields:
                updates = {field: getattr(other, field) for field in fields}
                yield tuple(f"{name}.{field}" for field in fields), {name: one.model_copy(update=updates)}


def _alone(first: Project, second: Project, updates: Updates) -> Project | InputError:
    """The first project with one change of the second's; the mistakes of one that contradicts the rest."""
    if "torque" in updates or "torque_grid" in updates:
        updates = {**updates, "file": second.file}  # whose folder the logs are named from
    changed = first.model_copy(update=updates)
    found = contradictions(dict(changed))
    if found:
        return InputError(Mistake(problem, hint, first.file, key) for key, problem, hint in found)
    try:
        return refitted(first, changed)
    except InputError as error:
        return error


def compare_variants(
    base: Project, variants: Sequence[tuple[tuple[str, ...], Project | InputError]], progress: Progress
) -> WhatIf:
    """Build variants of a project, the last of them with all changes. Raises `InputError` as a build of the base."""
    count = len(variants) + 1
    first = build(base, part(progress, 0.0, 1.0 / count), explained=False)
    found = []
    for number, (changes, variant) in enumerate(variants, start=1):
        share = part(progress, number / count, (number + 1) / count)
        try:
            if isinstance(variant, InputError):
                raise variant
            built = build(variant, share, explained=False)
        except InputError as error:
            found.append(Variant(changes, None, None, refused(error)))
        else:
            found.append(Variant(changes, built, torque_between(first, built)))
    return WhatIf(first, tuple(found[:-1]), found[-1])


def torque_between(first: Build, second: Build) -> TorqueDifference | None:
    """Torque of two builds at full throttle; None where they know less than two speeds in common."""
    curves = _curve(first), _curve(second)
    found = between_curves(*curves)
    if found is None:
        return None
    rpm, (now, then) = found["rpm"].to_numpy(), (float(found[name]) for name in ("mean_first", "mean_second"))
    deviation, at_most = _shared_deviation(first, second, rpm), False
    if deviation is None:  # other torque models
        paired = between_curves(*curves, (unknowns_of(first.best), unknowns_of(second.best)))
        assert paired is not None
        deviation, at_most = float(paired["mean_deviation"]), not paired["paired"]
    return TorqueDifference((float(rpm[0]), float(rpm[-1])), now, then, deviation, at_most)


def _curve(built: Build) -> FloatArray:
    """(R, 4) torque at full throttle, as `between_curves` has it."""
    row = built.torque.isel(load=-1)
    return np.column_stack([row[name].to_numpy() for name in ("rpm", "torque", "torque_sd", "measured")])


def _shared_deviation(first: Build, second: Build, rpm: FloatArray) -> float | None:
    """The deviation of a mean difference where both rest on the same torque model; else None."""
    share = trapezoid_shares(rpm)
    x = [full_throttle_of(each.limits, each.tables) for each in (first, second)]
    x = [each[np.isin(each[:, 0], rpm)] for each in x]
    if x[0].shape != x[1].shape or len(x[0]) != share.size or not np.array_equal(x[0][:, :2], x[1][:, :2]):
        return None
    mean, covariance = first.model.surface.joint(np.concatenate(x))
    its, own = second.model.surface.predict(x[1])
    n = share.size
    same = np.allclose(mean[n:], its, rtol=0.0, atol=_SAME) and np.allclose(
        np.sqrt(np.diag(covariance)[n:]), own, rtol=0.0, atol=1e3 * _SAME
    )
    if not same:
        return None
    contrast = np.concatenate([-share, share])
    return float(np.sqrt(max(float(contrast @ covariance @ contrast), 0.0)))
