"""Which lane works on which point, and when a point is done."""

import numpy as np

from phaseopt.cycle.lanes import LANES, Array, Flags, Ints

# change of volumetric efficiency and imep from cycle to cycle, relative to themselves or, if larger, to the floors:
# near idle both tend to nothing
SETTLED = 1e-3
SETTLING = 3e-3  # and of the cycle before: a swing may stand still for one cycle on its way
FLOOR = np.array([[0.3], [3e5]])
MOST_CYCLES = 30
# with so little air after a few cycles exhaust has filled the intake: the engine cannot run at this load and timing
DEAD_AIR, DEAD_CYCLES = 0.03, 5


class Lanes:
    """Points in the lanes. `point` is -1 where a lane has none; `cycles` counts those spent on the present point."""

    def __init__(self, queues: list[Ints]) -> None:
        self._queues = [list(q) for q in queues][::-1]
        self._own: list[list[int]] = [[] for _ in range(LANES)]
        self._before = np.full((2, LANES), np.inf)
        self._change = np.full((2, LANES), np.inf)
        self.point = np.full(LANES, -1)
        self.cycles = np.zeros(LANES, dtype=np.int64)
        self.settled = np.zeros(LANES, dtype=bool)
        self.lost = np.zeros(LANES, dtype=bool)  # lanes whose last point was given up

    def busy(self) -> bool:
        """Whether any point is left."""
        return bool((self.point >= 0).any() or self._queues or any(self._own))

    def refill(self) -> list[int]:
        """Give free lanes their next point; returns these lanes."""
        filled = []
        for k in np.flatnonzero(self.point < 0):
            if not self._own[k] and self._queues:
                self._own[k] = self._queues.pop()[::-1]
            if self._own[k]:
                self.point[k] = self._own[k].pop()
                self.cycles[k] = 0
                self._before[:, k] = self._change[:, k] = np.inf
                filled.append(int(k))
        return filled

    def judge(self, figures: Array, off: Array) -> Flags:
        """Lanes that are done after a cycle with these `figures`: settled with the load held, or given up."""
        change = np.abs(figures - self._before) / np.maximum(np.abs(figures), FLOOR)
        quiet = (change < SETTLED) & (self._change < SETTLING)
        self._before, self._change = figures, change
        self.cycles += 1
        self.settled = quiet.all(axis=0) & (off < 2 * SETTLED)
        dead = (self.cycles >= DEAD_CYCLES) & (figures[0] < DEAD_AIR)
        self.settled &= ~dead
        return np.asarray((self.point >= 0) & (self.settled | dead | (self.cycles >= MOST_CYCLES)))

    def free(self, lane: int) -> None:
        """The lane's point is recorded."""
        self.point[lane] = -1
        self.lost[lane] = not self.settled[lane]
