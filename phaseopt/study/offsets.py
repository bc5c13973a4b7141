"""At which installed offsets the cams would be best: a study whose every trial is a whole solve.

Trials are in a database, so that a study that was stopped goes on, and several processes or machines share one.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import optuna
from optuna.trial import FrozenTrial, TrialState

from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint
from phaseopt.job.input_hashes import input_hashes
from phaseopt.project import SIDES, Project
from phaseopt.project.cross_checks import require_slew
from phaseopt.study.offset_gains import Gain, TorqueChange, gain_between, torque_change
from phaseopt.study.offset_range import OffsetRange, Offsets, TorqueEverywhere, offset_range, reaching
from phaseopt.study.offset_sampler import NAMES, REFUSED, FreshSampler, Steps, distributions, steps_of
from phaseopt.study.offset_trial import Trial, refused, tried
from phaseopt.study.storage import (
    GRACE,
    cached_study,
    fail_cut_off,
    open_study,
    seal,
    sealed_trials,
    store_record,
    stored_record,
)
from phaseopt.torque import reduce_logs
from phaseopt.torque_model import torque_model
from phaseopt.torque_model.model import require_source
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, part, silent

KIND, VERSION = "offsets", 3  # the version is of what a trial is and records
_FOUND = "found"  # the attribute of a trial that holds what it brought
_GAINS = "gains"  # the attribute of a study that holds the gains of its choices
_PATIENCE = 2.0 * GRACE  # seconds without news of them after which they count as lost
_LOOK = 0.5  # seconds between looks at trials that other processes are at


Refusals = tuple[tuple[Offsets, str], ...]


@dataclass(frozen=True, eq=False)
class Choice:
    """An offset to choose from: its trial, and its gain over the offsets as fitted, best tables against best
    tables; None for those themselves."""

    trial: Trial
    gain: Gain | None


@dataclass(frozen=True, eq=False)
class OffsetStudy:
    """What a study of installed offsets found.

    Parameters
    ----------
    model : ContactModel
        The engine as fitted now.
    notes : tuple of str
        What every output says of where torque comes from.
    range : OffsetRange
        The offsets tried.
    trials : tuple of Trial
        Solved ones, by number.
    refused : tuple
        Offsets at which nothing could be solved, and why.
    fitted : Choice
        The offsets as they are.
    guarded : Choice
        The best offsets with tables as the only guard: full travel may break the rules.
    free : Choice or None
        The best offsets at which full travel is clear; None where none of the trials is.
    recommended : Choice or None
        One of these three: the best that the project allows where its gain pays for fitting; else the one at which
        full travel is clear where it costs no torque; else as fitted. None where the project does not accept tables as
        the only guard and at no offset tried full travel is clear.

    See Also
    --------
    study_offsets
    """

    model: ContactModel
    notes: tuple[str, ...]
    range: OffsetRange
    trials: tuple[Trial, ...]
    refused: Refusals
    fitted: Choice
    guarded: Choice
    free: Choice | None
    recommended: Choice | None

    @property
    def project(self) -> Project:
        """The project as fitted now."""
        return self.model.project_as_read

    @property
    def front(self) -> tuple[Trial, ...]:
        """Clear trials that no other beats in both score and the margin of full travel, the most torque first."""
        best: list[Trial] = []
        for trial in sorted(self.trials, key=lambda t: (-t.score, -t.travel_margin)):
            if trial.clear and (not best or trial.travel_margin > best[-1].travel_margin):
                best.append(trial)
        return tuple(best)

    @property
    def count(self) -> int:
        """Trials made, refused ones too."""
        return len(self.trials) + len(self.refused)


@one_blas_thread()
def study_offsets(
    project: Project, trials: int, storage: str | None = None, progress: Progress = silent
) -> OffsetStudy:
    """Try installed offsets until the study holds so many trials, and choose among them.

    Parameters
    ----------
    project : Project
    trials : int
        How many in all, earlier ones and those of other processes counted.
    storage : str, optional
        A database as Optuna names it; a file beside the project by default.
    progress : callable
        Gets the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    OffsetStudy

    Raises
    ------
    InputError
        As a build does; a database that cannot be used; nothing can be solved with the cams as fitted.

    Notes
    -----
    Offsets move in whole steps of the phasers' resolution. A gain counts where it is more than two standard deviations
    and more than two pulls on an ordinary dyno would show.

    Examples
    --------
    >>> from tempfile import mkdtemp
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> found = study_offsets(project, 1, f"sqlite:///{mkdtemp()}/study.sqlite")
    >>> found.count, found.fitted.trial.offsets == (project.intake.offset, project.exhaust.offset)
    (1, True)
    """
    require_source(project)
    require_slew(project)
    progress(0.0, "contact limits")
    limits = phase_limits(contact_model(project))
    within = offset_range(limits)
    study = open_study(
        KIND, VERSION, study_key(project), ["maximize", "maximize"], project.folder, storage, watched=True
    )
    study.sampler = FreshSampler(within, _first(within, limits))
    if project.has_pulls:
        reduce_logs(project)  # refused with the travel as it is, before phasers that reach further would let it pass
    learnt = torque_model(reaching(project, within), part(progress, 0.02, 0.3))
    everywhere = TorqueEverywhere.of(limits.contact, within, learnt.surface)
    make_trials(study, min(trials, within.count), lambda offsets: tried(project, learnt, everywhere, offsets), within,
                part(progress, 0.3, 0.99))  # fmt: skip
    gain = partial(gain_between, project, learnt.surface)
    found = choose_offsets(limits.contact, learnt.notes, within, *_read(study, within), gain)
    _store_gains(study, found)
    return found


def cached_offsets(limits: Limits, notes: tuple[str, ...]) -> OffsetStudy | None:
    """The study of these inputs beside the project, as it was last reported; None where none was finished."""
    study = cached_study(KIND, VERSION, study_key(limits.project), limits.project.folder)
    if study is None:
        return None
    within, gains = offset_range(limits), stored_record(study, _GAINS) or {}
    try:
        return choose_offsets(
            limits.contact, notes, within, *_read(study, within),
            lambda _, trial: Gain.of_plain(gains[_gain_key(trial)]),
        )  # fmt: skip
    except (InputError, KeyError):  # nothing as fitted yet, or a choice whose gain no run has stored yet
        return None


def _store_gains(study: optuna.Study, found: OffsetStudy) -> None:
    """Beside the trials, so that a later build can show them without learning torque so far out."""
    choices = (choice for choice in (found.guarded, found.free) if choice is not None)
    gains = {_gain_key(choice.trial): choice.gain.as_plain() for choice in choices if choice.gain is not None}
    store_record(study, _GAINS, gains)


def _gain_key(trial: Trial) -> str:
    return f"{trial.offsets[0]:g} {trial.offsets[1]:g}"


def study_key(project: Project) -> str:
    """What all trials depend on, as a name: every input file, and the program that simulates.

    A project that was changed begins a study of its own; the trials of the old one stay where they are.
    """
    hashes = input_hashes(project)
    return fingerprint(code_version(), tuple(hashes), tuple(hashes.values()))


def _first(within: OffsetRange, limits: Limits) -> list[Steps]:
    """Steps to try before all others: as fitted, and where full travel is clear of both cams or of one."""
    clear = []
    for k, side in enumerate(SIDES):
        at = limits.full_travel.offset_for_clear[side]
        steps = 0.0 if at is None else (at - within.fitted[k]) / within.step[k]
        low, high = within.steps[k]
        outward = int(steps // 1) if side == "intake" else -int(-steps // 1)  # later, earlier: the way that opens gaps
        clear.append(min(max(outward, low), high))
    return list(dict.fromkeys([(0, 0), (clear[0], clear[1]), (clear[0], 0), (0, clear[1])]))


def make_trials(
    study: optuna.Study, wanted: int, solve: Callable[[Offsets], Trial], within: OffsetRange, progress: Progress
) -> None:
    """Make trials until the study holds as many as wanted; wait for those that other processes are at."""

    def objective(trial: optuna.Trial) -> tuple[float, float]:
        taken = [trial.suggest_int(name, each.low, each.high) for name, each in distributions(within).items()]
        try:
            found = solve(within.at((taken[0], taken[1])))
        except InputError as error:
            trial.set_user_attr(REFUSED, refused(error))
            seal(trial, None)
            raise
        trial.set_user_attr(_FOUND, found.as_plain())
        seal(trial, [found.score, found.travel_margin])
        return found.score, found.travel_margin

    waited, seen = 0.0, -1
    while True:
        fail_cut_off(study)
        made, running = len(finished(study)), len(study.get_trials(deepcopy=False, states=(TrialState.RUNNING,)))
        progress(made / wanted, f"offsets: {made} of {wanted} trials")
        if made >= wanted:
            return
        waited, seen = (waited if made == seen else 0.0), made
        if made + running < wanted or waited > _PATIENCE:
            study.optimize(objective, n_trials=1, catch=(InputError,))
        else:
            time.sleep(_LOOK)
            waited += _LOOK


def finished(study: optuna.Study) -> list[FrozenTrial]:
    """Trials that ended by themselves, each pair of offsets once, by number."""
    by_steps: dict[Steps, FrozenTrial] = {}
    for trial in sealed_trials(study):
        steps = steps_of(trial)
        if steps is not None:
            by_steps.setdefault(steps, trial)
    return list(by_steps.values())


def _read(study: optuna.Study, within: OffsetRange) -> tuple[tuple[Trial, ...], Refusals]:
    """Solved trials, and offsets at which nothing could be solved with the reason."""
    ended = finished(study)
    solved = tuple(Trial.of_plain(t.user_attrs[_FOUND]) for t in ended if _FOUND in t.user_attrs)
    refusals = tuple(
        (within.at((t.params[NAMES[0]], t.params[NAMES[1]])), str(t.user_attrs[REFUSED]))
        for t in ended
        if REFUSED in t.user_attrs
    )
    return solved, refusals


def choose_offsets(
    model: ContactModel,
    notes: tuple[str, ...],
    within: OffsetRange,
    solved: tuple[Trial, ...],
    refusals: Refusals,
    gain: Callable[[Trial, Trial], Gain],
) -> OffsetStudy:
    """Choose among solved trials; `gain` of a trial over the one as fitted. Raises `InputError` without the latter."""
    project, as_fitted = model.project_as_read, within.at((0, 0))
    now = next((trial for trial in solved if trial.offsets == as_fitted), None)
    if now is None:
        why = next((why for offsets, why in refusals if offsets == as_fitted), "it was not tried")
        raise InputError.one(
            f"nothing can be solved with the cams as fitted: {why}",
            hint="run `phaseopt build` on this project, and fix what it names first",
            file=project.file,
        )

    def choice(trial: Trial) -> Choice:
        return Choice(trial, None if trial is now else gain(now, trial))

    clear = [trial for trial in solved if trial.clear]
    travel_clear = [trial for trial in clear if trial.travel_clear]
    fitted, guarded = choice(now), choice(max(clear, key=_rank, default=now))
    free = choice(max(travel_clear, key=_rank)) if travel_clear else None
    recommended = guarded if project.gap.tables_only_guard else free
    if not _pays(recommended, now) and (project.gap.tables_only_guard or now.travel_clear):
        recommended = fitted
    if recommended is fitted and free is not None and not now.travel_clear and _as_good(free, now):
        recommended = free  # nothing is paid for a fault of a phaser that can no longer hit
    return OffsetStudy(model, notes, within, solved, refusals, fitted, guarded, free, recommended)


def _pays(choice: Choice | None, now: Trial) -> bool:
    """Whether a gain is one that the torque model is sure of and that a dyno could show."""
    return choice is not None and torque_change(choice.gain, now) == TorqueChange.MORE


def _as_good(choice: Choice, now: Trial) -> bool:
    """Whether no dyno could show the torque that a choice costs."""
    return torque_change(choice.gain, now) == TorqueChange.SAME


def _rank(trial: Trial) -> tuple[float, float]:
    """The higher score; of equal ones the more margin of full travel."""
    return trial.score, trial.travel_margin
