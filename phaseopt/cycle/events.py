"""What the valves let through at every step of the cycle, lane by lane."""

import numpy as np

from phaseopt.cycle import ducts
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.lanes import LANES, Array, Flags
from phaseopt.cycle.network import Network
from phaseopt.cycle.valves import effective_area

WIDEST = 0.98  # throat over pipe area where a valve is wider than its port


class ValveTables:
    """Throat over pipe area by valve (intake, exhaust), step, direction (out of the pipe, into it) and lane.

    `stale` marks lanes whose timing has changed; only these are worked out again.
    """

    def __init__(self, config: CycleConfig, net: Network, steps: int) -> None:
        self.config = config
        intake, exhaust = net.rows("runner 1").stop - 1, net.rows("primary 1").start
        self.ports = (float(net.geo[intake, ducts.AREA_RIGHT]), float(net.geo[exhaust, ducts.AREA_LEFT]))
        self.angle = 180.0 + 720.0 * (np.arange(steps) + 0.5) / steps - 720.0
        self.phi = np.zeros((2, steps, 2, LANES))
        self.stale = np.ones(LANES, dtype=bool)

    def at(self, icl: Array, ecl: Array) -> tuple[Array, Flags, int]:
        """The table (2, steps, 2 LANES) at these centrelines; which valves are open; the step that traps the charge."""
        c = self.config
        intake = (c.intake_valve, c.intake_lift, c.intake_valves, icl)
        exhaust = (c.exhaust_valve, c.exhaust_lift, c.exhaust_valves, -ecl)
        for i, (valve, lift, count, centre) in enumerate((intake, exhaust)):
            opened = lift.at(self.angle[:, None] - centre[self.stale])
            for j, inward in enumerate((True, False)):
                area = effective_area(valve, opened, inward) * count * c.flow_factor * 1e-6
                self.phi[i, :, j, self.stale] = np.minimum(area / self.ports[i], WIDEST).T
        self.stale[:] = False
        is_open = self.phi.max(axis=(2, 3)) > 0.0
        closing = np.flatnonzero(is_open[0] & (self.angle < -360.0))
        trap = int(closing[-1]) + 1 if len(closing) else 0
        return self.phi.reshape(2, len(self.angle), 2 * LANES), is_open, trap
