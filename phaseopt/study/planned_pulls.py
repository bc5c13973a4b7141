"""What a plan of the next pulls holds; `best_pulls` and `initial_design` make one."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from phaseopt.values.arrays import FloatArray

PlannedKind = Literal["fixed", "table", "baseline"]

BASELINE_EVERY = 4  # pulls, after which the baseline is made again: common practice, since dyno and engine drift


@dataclass(frozen=True, eq=False)
class PlannedPull:
    """One pull to make.

    `kind` is "fixed" (one timing held over all speeds), "table" (phases follow a table along speed) or "baseline" (the
    present timing, made again and again for drift). `intake` and `exhaust` are the phases at each speed of the plan,
    crank degrees from rest, + = advanced. `boldness` is the least margin above both rules at its timings, mm, less the
    plan's added one: the smaller, the bolder. `expected_gain` is how much this pull, after those before it, is expected
    to raise the torque of the final tables, N·m, mean over the cells of full load by weight; NaN where nobody knows.
    """

    kind: PlannedKind
    intake: FloatArray
    exhaust: FloatArray
    boldness: float
    expected_gain: float = math.nan


@dataclass(frozen=True, eq=False)
class Plan:
    """The next pulls, in the order to be made.

    `rpm` are the speeds at which phases are given; `expected` the torque that the final tables are expected to gain
    after 0, 1, ... of the pulls that are no baselines, N·m, mean over the cells of full load by weight; `stop` the rule
    when to stop, in words; `notes` what a person should know.
    """

    rpm: FloatArray
    pulls: tuple[PlannedPull, ...]
    expected: tuple[float, ...]
    stop: str
    notes: tuple[str, ...]


def with_baselines(pulls: Sequence[PlannedPull], baseline: PlannedPull) -> list[PlannedPull]:
    """The pulls with the baseline after every few of them, and last."""
    parts = [pulls[start : start + BASELINE_EVERY] for start in range(0, len(pulls), BASELINE_EVERY)]
    return [pull for part in parts for pull in (*part, baseline)]
