"""What a plan of the next pulls holds; `best_pulls` and `first_pulls` make one."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PlannedPull:
    """One pull to make.

    `kind` is "fixed" (one timing held over all speeds), "table" (phases follow a table along speed) or "baseline" (the
    present timing, made again and again for drift). `intake` and `exhaust` are the phases at each speed of the plan,
    crank degrees from rest, + = advanced. `worth` is how much this pull, after those before it, is expected to raise
    the torque of the final tables, N·m, mean over the cells of full load by weight; NaN for a baseline. `boldness` is
    the least margin above both rules at its timings, mm, less the plan's added one: the smaller, the bolder.
    """

    kind: Literal["fixed", "table", "baseline"]
    intake: FloatArray
    exhaust: FloatArray
    expected_gain: float
    boldness: float


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
