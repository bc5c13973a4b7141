"""Where the march of a point begins, and into how many steps its cycle is divided: both follow from the point alone.

So a point's bytes do not depend on what is simulated with it, before it or beside it.

A point starts from the settled state of its home: a timing with little overlap at a speed and a load near its own.
Homes start from rest. Points of a grid share few homes; from there they take a cycle or two more than from a neighbour
in timing (hardly more on the hill-climb example's grid, whose speeds and loads are those of homes).

The number of steps is chosen for the fastest waves that an engine is likely to have at the point. If a wave outruns its
cells all the same, the point is marched again with more steps, from its start.
"""

import math
from typing import NamedTuple

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.network import Network

HOME_TIMING = 105.0  # both centrelines of a home [deg]
HOME_SPEED, HOME_LOAD = 500.0, 30.0  # steps of homes' speeds [rpm] and loads [kPa]
HOME_MOST = 0.96  # highest load of a home, of the ambient pressure

COURANT = 0.95  # aim for the fastest wave's travel in a step, in cells; above 1 the point is marched again
# numbers of steps in use, from one to twice as many: points that share one are marched together, and homes are few
MANY, FEW = 8, 2
RAISED = 0.25  # a point goes up by so many doublings of its steps when a wave has outrun its cells
MOST_RAISED = 8  # times, then it is given up


class Point(NamedTuple):
    """An operating point: speed [rpm], load [kPa], true centrelines [deg], and the number of the engine it is of."""

    rpm: float
    load: float
    icl: float
    ecl: float
    engine: int


class Schedule:
    """Homes and steps of one engine's points; with `levels` numbers of steps, from one to twice as many."""

    def __init__(self, config: CycleConfig, net: Network, levels: int = MANY) -> None:
        self.config = config
        self._levels = levels
        self._intake = net.shortest("intake")
        tail = net.shortest("tail") * (1.0 / 0.75)  # waves are slower there: less hot, and the flow is more even
        self._exhaust = min(net.shortest("exhaust"), tail)

    def home(self, point: Point) -> Point | None:
        """The point whose settled state a point starts from; None for a home, which starts from rest.

        Its load is the next higher one: an engine that hardly runs is no start for others.
        """
        home = Point(
            HOME_SPEED * max(math.floor(point.rpm / HOME_SPEED + 0.5), 1),
            min(HOME_LOAD * math.ceil(point.load / HOME_LOAD - 1e-9), HOME_MOST * self.config.ambient_pressure),
            HOME_TIMING,
            HOME_TIMING,
            point.engine,
        )
        return None if home == point else home

    def steps(self, point: Point, raised: int = 0) -> int:
        """Steps of a cycle, a multiple of the cylinders' number, for a point that was `raised` so many times.

        Wave speeds are those of the hottest of some thousand points of the examples' engines, within a few percent:
        in exhaust pipes they rise with gas speed, in intake runners with what flows back at light load.
        """
        piston = 2.0 * self.config.stroke * 1e-3 * point.rpm / 60.0  # mean speed [m/s]
        exhaust, intake = 540.0 + 138.0 * math.sqrt(piston), max(900.0 - 4.0 * point.load, 450.0)
        rate = max(exhaust / self._exhaust, intake / self._intake)  # cells crossed in a second
        levels = FEW if self.home(point) is None else self._levels
        doublings = math.ceil(levels * math.log2(rate * 120.0 / point.rpm / COURANT)) / levels + RAISED * raised
        each = 4 * self.config.cylinders
        return int(each * math.ceil(2.0**doublings / each))
