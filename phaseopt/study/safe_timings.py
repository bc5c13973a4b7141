"""The timings that a pull may be made at: inside a safe box, with more in hand than the rules ask."""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.bounds import IN_HAND
from phaseopt.clearance.limits import Limits
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray
from phaseopt.values.errors import InputError

ADDED = 0.3  # mm above both rules that a planned timing keeps: nobody has run the engine there yet (our judgement)


@dataclass(frozen=True, eq=False)
class SafeTimings:
    """Pairs of labels inside a safe box, so that the way to them from rest is safe in any order of moves.

    `pairs` (n, 2) intake and exhaust phase, `places` (n, 2) their places in the labels of the limits, `margin` (n,) the
    least above both rules up to the top speed, mm; `box` (boxes, n) which box holds them.
    """

    pairs: FloatArray
    places: IntArray
    margin: FloatArray
    box: BoolArray

    @property
    def rest(self) -> int:
        """The number of the pair at rest."""
        return int(np.flatnonzero((self.pairs == 0.0).all(axis=1))[0])

    @property
    def measurable(self) -> BoolArray:
        """(n,) which of them keep `ADDED`; rest always does, since the engine is there anyway."""
        enough: BoolArray = (self.margin >= ADDED + IN_HAND) | (np.arange(len(self.pairs)) == self.rest)
        return enough

    def where(self, keep: BoolArray) -> "SafeTimings":
        """Those for which `keep` (n,) is true."""
        return SafeTimings(self.pairs[keep], self.places[keep], self.margin[keep], self.box[:, keep])

    def thinned(self, most: int) -> "SafeTimings":
        """At most so many places along each phaser, evenly spread, its ends and rest among them."""
        keep = np.ones(len(self.pairs), dtype=np.bool_)
        for column in self.places.T:
            values = np.unique(column)
            even = values[np.round(np.linspace(0, len(values) - 1, min(most, len(values)))).astype(np.int64)]
            keep &= np.isin(column, even)
        keep[self.rest] = True
        return self.where(keep)


def safe_timings(limits: Limits) -> SafeTimings:
    """All pairs of labels inside a safe box."""
    margin = least_margins(limits)
    intake, exhaust = np.meshgrid(limits.phases_intake, limits.phases_exhaust, indexing="ij")
    inside = np.stack([box.holds(intake, exhaust) for box in limits.boxes])
    places = np.argwhere(inside.any(axis=0) & np.isfinite(margin))
    a, b = places.T
    return SafeTimings(np.column_stack([intake[a, b], exhaust[a, b]]), places, margin[a, b], inside[:, a, b])


def least_margins(limits: Limits) -> FloatArray:
    """(A, B) the least margin of each pair of labels above both rules up to the top speed, mm."""
    static, running = limits.safe["static_margin"], limits.safe["running_margin"].isel(rpm=-1)
    least = np.minimum(static.to_numpy(), running.to_numpy()).min(axis=-1)
    return np.asarray(np.nan_to_num(least, nan=-math.inf))  # nan: tied cams cannot go there


def require_room(limits: Limits, measurable: BoolArray) -> None:
    """Raise `InputError` where no timing but rest may be pulled."""
    if np.count_nonzero(measurable) < 2:
        raise InputError.one(
            f"there is nothing to try: no timing but rest keeps {ADDED:g} mm above both rules",
            hint="run `phaseopt limits`: it shows what limits the timing, and which offset would free it",
            file=limits.project.file,
        )


def spread_out(pairs: FloatArray, made: FloatArray, count: int) -> IntArray:
    """Numbers of `count` of the pairs (n, 2), each as far as can be from those before it and from `made` (m, 2).

    The greedy choice: never more than twice as far from any pair as the best choice of as many (Gonzalez, Theoretical
    Computer Science 38 (1985), from memory). Fewer where no pair is left.

    >>> spread_out(np.array([[0.0, 0.0], [1.0, 0.0], [9.0, 0.0], [5.0, 0.0]]), np.zeros((1, 2)), 2).tolist()
    [2, 3]
    """
    away = np.hypot(*np.moveaxis(pairs[:, None] - made[None], 2, 0)).min(axis=1)
    chosen: list[int] = []
    while len(chosen) < count and away.max() > 0.0:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.hypot(*(pairs - pairs[chosen[-1]]).T))
    return np.array(chosen, dtype=np.int64)
