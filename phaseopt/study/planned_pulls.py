"""What a plan of the next pulls holds; `best_pulls` and `initial_design` make one."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from phaseopt.values.arrays import FloatArray

PlannedKind = Literal["fixed", "table", "in turn", "baseline", "spark swing"]

BASELINE_EVERY = 4  # pulls, after which the baseline is made again: common practice, since dyno and engine drift
FEW = 3  # pulls without a baseline among them: on the outside engines two of three cost more torque than drift did


@dataclass(frozen=True, eq=False)
class PlannedPull:
    """One pull to make.

    `kind` is "fixed" (one timing held over all speeds), "table" (phases follow a table along speed), "in turn" (a few
    timings by bands of speed), "baseline" (the present timing, made again and
    again for drift) or "spark swing" (the best timing by now, with `spark` crank degrees more ignition advance than
    usual). `intake` and `exhaust` are the phases at each speed of the plan, crank degrees from rest, + = advanced.
    `boldness` is the least margin above both rules at its timings, mm, less the plan's added one: the smaller, the
    bolder. `expected_gain` is how much this pull, after those before it, is expected to raise the torque of the final
    tables, N·m, on average at full throttle; NaN where nobody knows.
    """

    kind: PlannedKind
    intake: FloatArray
    exhaust: FloatArray
    boldness: float
    expected_gain: float = math.nan
    spark: float = 0.0


@dataclass(frozen=True, eq=False)
class Plan:
    """The next pulls, in the order to be made.

    `rpm` are the speeds at which phases are given; `expected` the torque that the final tables are expected to gain
    after 0, 1, ... of the pulls that are no baselines, N·m, on average at full throttle; `stop` the rule
    when to stop, in words; `notes` what a person should know. `swing` are pulls after those, one timing with the usual
    spark, less and more; `most_at` the speeds at which that timing gains most, rpm.
    """

    rpm: FloatArray
    pulls: tuple[PlannedPull, ...]
    expected: tuple[float, ...]
    stop: str
    notes: tuple[str, ...]
    swing: tuple[PlannedPull, ...] = ()
    most_at: tuple[float, ...] = ()


def timings_in(pulls: int) -> int:
    """How many of so many pulls are new timings: the first and every fifth after it are baselines, the last too.

    Of one to three pulls none is spent on drift.

    >>> [timings_in(pulls) for pulls in (1, 2, 3, 4, 6, 7, 11)]
    [1, 2, 3, 2, 4, 4, 8]
    """
    return pulls if pulls <= FEW else pulls - 1 - _repeats(pulls)


def with_baselines(timings: Sequence[PlannedPull], baseline: PlannedPull, pulls: int) -> list[PlannedPull]:
    """So many pulls in all: a baseline first, the timings in parts of an even number, a baseline after each part.

    Of few pulls none is a baseline.

    Parameters: `timings`, as many as `timings_in` has it, or fewer where there are no more to try.
    """
    if pulls <= FEW:
        return list(timings)
    parts = min(_repeats(pulls), len(timings))
    ends = [min(2 * round(len(timings) * part / parts / 2), len(timings)) for part in range(parts)] + [len(timings)]
    return [baseline, *(pull for a, b in itertools.pairwise(ends) for pull in (*timings[a:b], baseline))]


def _repeats(pulls: int) -> int:
    """Baselines after the first."""
    return math.ceil((pulls - 1) / (BASELINE_EVERY + 1))
