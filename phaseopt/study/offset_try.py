"""Given pairs of installed offsets beside the offsets as fitted: torque, and whether a phaser can bring parts together.

Each pair is solved as a trial of a study is, on torque learnt once; nothing is stored.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from phaseopt.clearance.limits import phase_limits
from phaseopt.clearance.model import ContactModel, contact_model
from phaseopt.clearance.shifts import REACH
from phaseopt.project import SIDES, Project, Side
from phaseopt.project.cross_checks import require_slew
from phaseopt.study.offset_gains import gain_between
from phaseopt.study.offset_range import OffsetRange, Offsets, TorqueEverywhere, offset_range, reaching
from phaseopt.study.offset_trial import Trial, refused, tried
from phaseopt.study.offsets import Choice, Refusals
from phaseopt.torque import reduce_logs
from phaseopt.torque_model import torque_model
from phaseopt.torque_model.model import require_source
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError, Mistake
from phaseopt.values.progress import Progress, part, silent

_WHOLE = 1e-6  # steps by which an offset may miss a whole one


@dataclass(frozen=True, eq=False)
class OffsetTry:
    """Given pairs of installed offsets beside those as fitted.

    Parameters
    ----------
    model : ContactModel
        The engine as fitted now.
    notes : tuple of str
        What every output says of where torque comes from.
    fitted : Choice
        The offsets as they are.
    tried : tuple of Choice
        The given pairs, in their order.
    refused : tuple
        Given pairs at which nothing can be solved, and why.

    See Also
    --------
    try_offsets
    """

    model: ContactModel
    notes: tuple[str, ...]
    fitted: Choice
    tried: tuple[Choice, ...]
    refused: Refusals

    @property
    def project(self) -> Project:
        """The project as fitted now."""
        return self.model.project_as_read


@one_blas_thread()
def try_offsets(project: Project, pairs: Sequence[Mapping[Side, float]], progress: Progress | None = None) -> OffsetTry:
    """Compare given pairs of installed offsets with the offsets as fitted.

    Parameters
    ----------
    project : Project
    pairs : sequence of mapping
        Installed offsets by side [crank degrees], + = advanced; a side left out stays as fitted.
    progress : callable, optional
        Gets the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    OffsetTry

    Raises
    ------
    InputError
        As a build does; offsets that cannot be computed; nothing can be solved with the cams as fitted.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> found = try_offsets(load_project("examples/intake_only/project.toml"), [{"intake": -4}])
    >>> [choice.trial.offsets for choice in found.tried]
    [(-4.0, 0.0)]
    """
    require_source(project)
    require_slew(project)
    progress = progress or silent
    progress(0.0, "contact limits")
    limits = phase_limits(contact_model(project))
    within, asked = _covering(project, offset_range(limits), pairs)
    if project.has_pulls:
        reduce_logs(project)  # refused with the travel as it is, before phasers that reach further would let it pass
    learnt = torque_model(reaching(project, within), part(progress, 0.02, 0.5))
    everywhere = TorqueEverywhere.of(limits.contact, within, learnt.surface)
    now = tried(project, learnt, everywhere, within.at((0, 0)))
    choices: list[Choice] = []
    refusals: list[tuple[Offsets, str]] = []
    for number, offsets in enumerate(asked):
        progress(0.6 + 0.4 * number / len(asked), f"offsets: {number} of {len(asked)} pairs")
        try:
            trial = tried(project, learnt, everywhere, offsets)
        except InputError as error:
            refusals.append((offsets, refused(error)))
        else:
            choices.append(Choice(trial, gain_between(project, learnt.surface, now, trial)))
    return OffsetTry(limits.contact, learnt.notes, Choice(now, None), tuple(choices), tuple(refusals))


def cannot_hit(trial: Trial) -> bool:
    """Whether tables and the phasers' full travel keep both rules, up to the top speed and with every error counted."""
    return trial.clear and trial.travel_clear


def _covering(
    project: Project, within: OffsetRange, pairs: Sequence[Mapping[Side, float]]
) -> tuple[OffsetRange, tuple[Offsets, ...]]:
    """A range that has all pairs, and the pairs; refused are offsets that no trial can have."""
    steps = [list(each) for each in within.steps]
    mistakes: list[Mistake] = []
    asked: list[Offsets] = []
    for pair in pairs:
        taken = [0, 0]
        for k, side in enumerate(SIDES):
            wanted = pair.get(side, within.fitted[k])
            exact = (wanted - within.fitted[k]) / within.step[k]
            if (why := _cannot(project, side, wanted, within, exact)) is not None:
                mistakes.append(why)
                continue
            taken[k] = round(exact)
            steps[k] = [min(steps[k][0], taken[k]), max(steps[k][1], taken[k])]
        asked.append(within.at((taken[0], taken[1])))
    if mistakes:
        raise InputError(mistakes)
    (a, b), (c, d) = steps
    return OffsetRange(within.fitted, within.step, ((a, b), (c, d))), tuple(dict.fromkeys(asked))


def _cannot(project: Project, side: Side, wanted: float, within: OffsetRange, exact: float) -> Mistake | None:
    """Why an offset of a cam cannot be tried."""
    k = SIDES.index(side)
    fitted, step = within.fitted[k], within.step[k]
    given = f"{side}={wanted:g}"
    if wanted == fitted:
        return None
    if project.phaser_of(side) is None:
        problem = f"{given}: the {side} cam has no phaser, so torque away from its timing is not learnt"
        return Mistake(problem, f"leave {side} out", where="--try")
    if not abs(wanted - fitted) <= REACH:
        low, high = fitted - REACH, fitted + REACH
        return Mistake(
            f"{given} is more than {REACH:g}° from {fitted:g}° as fitted",
            f"stay between {low:g} and {high:g}",
            where="--try",
        )
    if abs(exact - round(exact)) > _WHOLE:
        near = fitted + step * round(exact)
        problem = f"{given} is not a whole number of {step:g}° steps from {fitted:g}° as fitted"
        return Mistake(problem, f"give {side}={near:g}", where="--try")
    return None
