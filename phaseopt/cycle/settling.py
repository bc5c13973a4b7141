"""When a point is done: cycle has come to repeat cycle, or the engine cannot run there."""

import numpy as np

from phaseopt.cycle.lanes import LANES, Flags
from phaseopt.values.arrays import FloatArray

# change of volumetric efficiency and imep from cycle to cycle, relative to themselves or, if larger, to the floors:
# near idle both tend to nothing
SETTLED = 1e-3
SETTLING = 3e-3  # and of the cycle before: a swing may stand still for one cycle on its way
FLOOR = np.array([[0.3], [3e5]])
HOME_SHARE = 0.1  # of these for homes, as long as that takes no more than the most cycles
MOST_CYCLES = 30
# with so little air after a few cycles exhaust has filled the intake: the engine cannot run at this load and timing
DEAD_AIR, DEAD_CYCLES = 0.03, 5


class Settling:
    """What the lanes' points have come to so far: `cycles` spent on each, and which have `settled`.

    A point must settle as often as `again` says.
    """

    def __init__(self, again: int = 1) -> None:
        self._again = again
        self._strict = np.ones(LANES)
        self._before, self._change = np.full((2, LANES), np.inf), np.full((2, LANES), np.inf)
        self._times = np.zeros(LANES, dtype=np.int64)
        self._spent = np.zeros(LANES, dtype=np.int64)  # cycles since it last settled
        self.cycles = np.zeros(LANES, dtype=np.int64)
        self.settled = np.zeros(LANES, dtype=bool)

    def begin(self, lane: int, home: bool) -> None:
        """The lane has a new point, or a home, which settles more closely: what it leaves out, all points inherit."""
        self._strict[lane] = HOME_SHARE if home else 1.0
        self._before[:, lane] = self._change[:, lane] = np.inf
        self._times[lane] = self._spent[lane] = self.cycles[lane] = 0

    def judge(self, figures: FloatArray, off: FloatArray) -> Flags:
        """Lanes that are done after a cycle with these `figures` (2, lanes): settled with the load held, or given up.

        `off` is how far the mean pressure was from the load, relative.
        """
        change = np.abs(figures - self._before) / np.maximum(np.abs(figures), FLOOR)
        loose = (change < SETTLED) & (self._change < SETTLING)
        strict = (change < SETTLED * self._strict) & (self._change < SETTLING * self._strict)
        quiet = np.where(self._spent + 1 < MOST_CYCLES, strict, loose)
        self._before, self._change = figures, change
        self.cycles += 1
        self._spent += 1
        dead = (self._spent >= DEAD_CYCLES) & (figures[0] < DEAD_AIR)
        self.settled = quiet.all(axis=0) & (off < 2 * SETTLED) & ~dead
        self._times += self.settled
        once_more = self.settled & (self._times < self._again)
        self._before[:, once_more] = self._change[:, once_more] = np.inf
        self._spent[once_more] = 0
        self.settled &= ~once_more
        return np.asarray(self.settled | dead | (self._spent >= MOST_CYCLES))
