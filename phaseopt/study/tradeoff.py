"""What smoother tables, slew in hand and caution cost in torque: a study of many searches on one torque model.

A trial sets three keys of the project's [search] section and makes the best tables under them. Four things are wanted
at once: torque, little uncertainty of it, even tables, and slew in hand. The trials that none other beats in all four
are the front; one of them, the knee, is recommended, and any other can be had by its keys.
"""

import warnings
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import product
from typing import Any

import numpy as np
import optuna
import xarray as xr
from numpy.typing import NDArray
from optuna.exceptions import ExperimentalWarning
from optuna.trial import TrialState

from phaseopt.clearance.check import Verdict
from phaseopt.project import Project
from phaseopt.study.knee import front, knee
from phaseopt.study.storage import cached_study, open_study, require_storage, seal, sealed_trials
from phaseopt.study.tradeoff_trial import Settings, TradeoffInputs, TradeoffOutcome, tradeoff_inputs
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError
from phaseopt.values.progress import Progress, Remembered, part, silent

KIND, VERSION = "tradeoff", 3  # of what a trial records
RANDOM_TRIALS = 20  # before the sampler begins to learn from them
ROUGHNESS, CAUTION, SLEW_SHARE = (2, 500), (0.0, 2.0), (0.25, 1.0)  # roughness in thousandths, so that it stays tidy
STEP = 0.05  # of caution and slew share
CORNERS: tuple[dict[str, float], ...] = tuple(
    {"roughness_thousandths": roughness, "caution": caution, "slew_share": share}
    for roughness, caution, share in product(ROUGHNESS, CAUTION, SLEW_SHARE)
)  # tried first: between them lie the ends of the front, by which its knee is measured
LEAST_TRIALS = len(CORNERS)
OBJECTIVES = {"torque": "maximize", "torque_sd": "minimize", "rms_step": "minimize", "slew_used": "minimize"}
KNEE_WEIGHTS = {"sure_torque": 2.0, "rms_step": 1.0, "slew_used": 1.0}


@dataclass(frozen=True, eq=False)
class Tradeoff:
    """What a study found.

    Attributes
    ----------
    project : Project
    trials : Dataset
        Dim trial: settings and outcome of each, `sure_torque` (torque less the project's own caution times its standard
        deviation) and `on_front`; the first, number 0, is the project as it is.
    knee, most : int
        Positions of the knee and of the most torque.
    verdict : Verdict
        On the knee's tables.
    refused : dict
        By number of trial, why its settings left no tables.
    earlier : int
        Trials that the storage held already.
    uncounted : int
        Cells that do not count, since the torque model does not know them.
    notes : tuple of str
        What every output says of a simulation.

    See Also
    --------
    study_tradeoff
    """

    project: Project
    trials: xr.Dataset
    knee: int
    most: int
    verdict: Verdict
    refused: dict[int, str]
    earlier: int
    uncounted: int
    notes: tuple[str, ...]

    def settings(self, position: int) -> Settings:
        """Those of one trial."""
        return Settings(*(float(self.trials[name][position]) for name in ("roughness", "caution", "slew_share")))

    def curve(self, against: str) -> list[int]:
        """Positions of the trials with the most torque at or below each value of another quantity, by rising value."""
        return rising_most(self.trials["torque"].to_numpy(), self.trials[against].to_numpy())


def rising_most(torque: NDArray[np.float64], other: NDArray[np.float64]) -> list[int]:
    """Positions that have more torque than all at or below their value of another quantity, by rising value.

    >>> rising_most(np.array([5.0, 7.0, 6.0]), np.array([1.0, 2.0, 3.0]))
    [0, 1]
    """
    best: list[int] = []
    for place in np.lexsort((-torque, other)):
        if not best or torque[place] > torque[best[-1]]:
            best.append(int(place))
    return best


@one_blas_thread()
def study_tradeoff(project: Project, trials: int, storage: str | None = None, progress: Progress = silent) -> Tradeoff:
    """Study a project until the storage holds this many trials of it.

    Parameters
    ----------
    project : Project
    trials : int
        How many in all, earlier ones counted; where several processes share a study, each may end one later.
    storage : str, optional
        A database as Optuna names it; a file beside the project by default.
    progress : callable
        Gets the share of the work done, 0 to 1, and what is going on.

    Returns
    -------
    Tradeoff

    Raises
    ------
    InputError
        As a build does; a storage that cannot be used.

    Notes
    -----
    The first trials are the corners of the settings: between them are the ends of the front, by which `study.knee`
    measures its knee.

    Examples
    --------
    >>> from tempfile import mkdtemp
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> found = study_tradeoff(project, 2, f"sqlite:///{mkdtemp()}/study.sqlite")
    >>> found.trials["trial"].values.tolist(), found.verdict.accepted  # 0: the project as it is
    ([0, 1, 2], True)
    """
    remembered = Remembered(progress)
    require_storage(KIND, VERSION, project.folder, storage)
    base = tradeoff_inputs(project, remembered)
    return study_on(base, trials, storage, part(remembered, remembered.reached, 1.0))


@one_blas_thread()
def study_on(base: TradeoffInputs, trials: int, storage: str | None = None, progress: Progress = silent) -> Tradeoff:
    """The same where limits and torque are known already."""
    directions: list[Any] = list(OBJECTIVES.values())
    study = open_study(KIND, VERSION, base.fingerprint(), directions, base.project.folder, storage)
    earlier = len(sealed_trials(study))
    for done in _until(study, trials):
        progress(0.95 * done / trials, f"trial {done + 1} of {trials}")
        _try(study, base)
    progress(0.95, "checking the tables of the knee")
    return _summary(study, base, earlier)


def cached_tradeoff(base: TradeoffInputs) -> Tradeoff | None:
    """The study of these inputs beside the project; None where there is none with its corners tried."""
    study = cached_study(KIND, VERSION, base.fingerprint(), base.project.folder)
    if study is None or len(finished := sealed_trials(study)) < LEAST_TRIALS:
        return None
    return _summary(study, base, len(finished))


def _summary(study: optuna.Study, base: TradeoffInputs, earlier: int) -> Tradeoff:
    """What the trials say; `earlier`, how many of them were there before."""
    finished = sealed_trials(study)
    solved = [
        (trial.number + 1, _from_params(trial.params), TradeoffOutcome(**trial.user_attrs["outcome"]))
        for trial in finished
        if trial.state == TrialState.COMPLETE
    ]
    table = _table([(0, Settings.of(base.project), base.own), *solved], base.project.search.caution)
    best = _knee(table)
    own = Settings.of(base.project)
    return Tradeoff(
        base.project,
        table,
        best,
        int(table["torque"].to_numpy().argmax()),
        base.verdict(own if best == 0 else solved[best - 1][1]),
        {trial.number + 1: trial.user_attrs["why"] for trial in finished if "why" in trial.user_attrs},
        earlier,
        int((~base.counts).sum()),
        base.notes,
    )


def _until(study: optuna.Study, trials: int) -> Iterator[int]:
    """How many trials are done, until it is `trials` and no corner is lacking; other processes may do some.

    Processes that begin together may try the same corner, so that the count alone would leave one out.
    """
    least = trials >= LEAST_TRIALS
    while (done := len(sealed_trials(study))) < trials or (least and _lacking(study)):
        yield min(done, trials - 1)


def _lacking(study: optuna.Study) -> list[dict[str, float]]:
    """The corners that no trial has ended at."""
    tried = [trial.params for trial in sealed_trials(study)]
    return [corner for corner in CORNERS if corner not in tried]


def _try(study: optuna.Study, base: TradeoffInputs) -> None:
    """One more trial: a corner of the settings while one is lacking, then what the sampler asks for.

    The sampler is made anew for each, seeded by its number: a run that goes on asks what it would have asked. Corners
    are fixed in the sampler, not left waiting in the storage: two processes could take the same waiting trial.
    """
    lacking = _lacking(study)
    # The first that is lacking may be under way in other processes.
    running = study.get_trials(deepcopy=False, states=(TrialState.RUNNING,)) if lacking else []
    study.sampler = optuna.samplers.RandomSampler(seed=0)  # asks nothing yet
    trial = study.ask()
    study.sampler = sampler = optuna.samplers.TPESampler(seed=trial.number, n_startup_trials=RANDOM_TRIALS)
    if lacking:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExperimentalWarning)
            corner = lacking[len(running) % len(lacking)]
            study.sampler = optuna.samplers.PartialFixedSampler(corner, sampler)
    trial.suggest_int("roughness_thousandths", *ROUGHNESS, log=True)
    trial.suggest_float("caution", *CAUTION, step=STEP)
    trial.suggest_float("slew_share", *SLEW_SHARE, step=STEP)
    try:
        outcome = base.outcome(_from_params(trial.params))
    except InputError as error:
        trial.set_user_attr("why", error.mistakes[0].problem)
        seal(trial, None)
        study.tell(trial, state=TrialState.FAIL)
        return
    trial.set_user_attr("outcome", asdict(outcome))
    values = [float(getattr(outcome, name)) for name in OBJECTIVES]
    seal(trial, values)
    study.tell(trial, values)


def _from_params(params: dict[str, Any]) -> Settings:
    """Figures as a person would write them.

    >>> _from_params({"roughness_thousandths": 35, "caution": 0.15000000000000002, "slew_share": 0.7})
    Settings(roughness=0.035, caution=0.15, slew_share=0.7)
    """
    return Settings(params["roughness_thousandths"] / 1000, round(params["caution"], 2), round(params["slew_share"], 2))


_WORDS = {
    "roughness": ("search.roughness of the trial", "N m"),
    "caution": ("search.caution of the trial", "1"),
    "slew_share": ("search.slew_share of the trial", "1"),
    "torque": ("expected torque, mean by weight of the cells", "N m"),
    "torque_sd": ("standard deviation of a cell's torque, mean by weight", "N m"),
    "full_torque": ("expected torque, average at full throttle over the measured speeds", "N m"),
    "rms_step": ("root mean square change of phase per 500 rpm or per 10 kPa", "degree"),
    "largest_step": ("largest change of phase between neighbouring cells", "degree"),
    "slew_used": ("largest share of the phasers' slew that the tables use", "1"),
    "gap": ("how far the search may be below the best possible, as a share of its value", "1"),
    "sure_torque": ("torque less the project's own caution times its standard deviation", "N m"),
}


def _table(rows: list[tuple[int, Settings, TradeoffOutcome]], caution: float) -> xr.Dataset:
    """A row a trial."""
    values = [
        asdict(settings) | asdict(outcome) | {"sure_torque": outcome.torque - caution * outcome.torque_sd}
        for _, settings, outcome in rows
    ]
    table = xr.Dataset(
        {
            name: ("trial", np.array([row[name] for row in values]), {"long_name": words, "units": unit})
            for name, (words, unit) in _WORDS.items()
        },
        {
            "trial": (
                "trial",
                [number for number, *_ in rows],
                {"long_name": "number of the trial; 0 the project's own"},
            )
        },
    )
    losses = np.column_stack(
        [table[name] * (-1.0 if direction == "maximize" else 1.0) for name, direction in OBJECTIVES.items()]
    )
    table["on_front"] = ("trial", front(losses), {"long_name": "no other trial is as good in all and better in one"})
    return table


def _knee(table: xr.Dataset) -> int:
    losses = np.column_stack([table[name] * (-1.0 if name == "sure_torque" else 1.0) for name in KNEE_WEIGHTS])
    return knee(losses, np.array(list(KNEE_WEIGHTS.values())))
