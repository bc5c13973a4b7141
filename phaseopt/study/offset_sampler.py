"""Which offsets a study tries next: named ones first, then evenly spread ones, then where Optuna expects most.

No pair is tried twice, for it would find the same again. What is drawn depends on the number of the trial and on the
trials before it, so that a study that was stopped goes on as it would have.
"""

import warnings
from typing import Any

import numpy as np
from optuna.distributions import BaseDistribution, IntDistribution
from optuna.exceptions import ExperimentalWarning
from optuna.samplers import BaseSampler, TPESampler
from optuna.study import Study
from optuna.trial import FrozenTrial, TrialState

from phaseopt.study.offset_range import OffsetRange

Steps = tuple[int, int]

NAMES = ("intake_steps", "exhaust_steps")  # what Optuna calls the two numbers of a trial
SPREAD = 12  # trials that are spread evenly before any is chosen by what was found
_PLASTIC = np.array([0.7548776662466927, 0.5698402909980532])  # 1/g and 1/g², g³ = g + 1: points that fill a square


class FreshSampler(BaseSampler):
    """Steps of both offsets that no trial of the study had before.

    Parameters: `tried`, the range; `first`, pairs to try before all others, in this order.
    """

    def __init__(self, tried: OffsetRange, first: list[Steps]) -> None:
        self.range, self.first = tried, first

    def infer_relative_search_space(self, study: Study, trial: FrozenTrial) -> dict[str, BaseDistribution]:
        """Both numbers are drawn together, by `sample_relative`; one that cannot move is none."""
        space = distributions(self.range)
        return {name: each for name, each in space.items() if not each.single()}

    def sample_relative(
        self, study: Study, trial: FrozenTrial, search_space: dict[str, BaseDistribution]
    ) -> dict[str, Any]:
        """Steps that are free, nearest to those wanted."""
        # Not `study.get_trials`, which an optimising thread answers from what it remembers.
        before = study._storage.get_all_trials(study._study_id, deepcopy=False)
        taken = {steps for each in before if each.number != trial.number and (steps := steps_of(each)) is not None}
        chosen = self._free(self._wanted(study, trial, search_space, taken), taken)
        return {name: steps for name, steps in zip(NAMES, chosen, strict=True) if name in search_space}

    def sample_independent(
        self, study: Study, trial: FrozenTrial, param_name: str, param_distribution: BaseDistribution
    ) -> Any:
        """Never asked: every number is drawn with the other one."""
        raise NotImplementedError

    def _wanted(self, study: Study, trial: FrozenTrial, space: dict[str, BaseDistribution], taken: set[Steps]) -> Steps:
        for steps in self.first:
            if steps not in taken:
                return steps
        if len(taken) >= SPREAD + len(self.first):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ExperimentalWarning)
                chooser = TPESampler(seed=trial.number, multivariate=True, n_startup_trials=SPREAD)
            found = chooser.sample_relative(study, trial, space)
            if found:
                return int(found.get(NAMES[0], 0)), int(found.get(NAMES[1], 0))
        share = (0.5 + _PLASTIC * (trial.number + 1)) % 1.0
        low, high = np.array(self.range.steps).T
        steps = np.floor(low + share * (high - low + 1)).astype(int)
        return int(steps[0]), int(steps[1])

    def _free(self, wanted: Steps, taken: set[Steps]) -> Steps:
        (a, b), (c, d) = self.range.steps
        free = [steps for i in range(a, b + 1) for k in range(c, d + 1) if (steps := (i, k)) not in taken]
        if not free:  # another process has just taken the last one
            return wanted
        return min(free, key=lambda steps: ((steps[0] - wanted[0]) ** 2 + (steps[1] - wanted[1]) ** 2, steps))


def distributions(tried: OffsetRange) -> dict[str, IntDistribution]:
    """The two numbers of a trial as Optuna takes them."""
    return {name: IntDistribution(least, most) for name, (least, most) in zip(NAMES, tried.steps, strict=True)}


def steps_of(trial: FrozenTrial) -> Steps | None:
    """The steps of a trial; None for one that was given up before it had any, or was cut off."""
    if trial.state == TrialState.FAIL and REFUSED not in trial.user_attrs:
        return None
    if not all(name in trial.params for name in NAMES):
        return None
    return int(trial.params[NAMES[0]]), int(trial.params[NAMES[1]])


REFUSED = "refused"  # the attribute of a trial at whose offsets nothing could be solved: why
