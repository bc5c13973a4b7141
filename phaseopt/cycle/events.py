"""What the valves let through at every step of the cycle, lane by lane."""

from typing import NamedTuple

import numpy as np

from phaseopt.cycle import ducts
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.cylinder import STIR_OPEN, STIR_SHUT
from phaseopt.cycle.lanes import LANES, Ints
from phaseopt.cycle.network import Network
from phaseopt.cycle.valves import effective_area
from phaseopt.values.arrays import FloatArray

WIDEST = 0.98  # throat over pipe area where a valve is wider than its port


class Valves(NamedTuple):
    """What the valves do, lane by lane: `phi`, `opened`, `stir` and `trap` of `march.Course`."""

    phi: FloatArray
    opened: Ints
    stir: FloatArray
    trap: Ints


class ValveTables:
    """Throat over pipe area by valve (intake, exhaust), step, direction (out of the pipe, into it) and lane.

    `stale` marks lanes whose timing has changed; only these are worked out again.
    """

    def __init__(self, config: CycleConfig, net: Network, steps: int) -> None:
        self.config = config
        intake, exhaust = net.intake[0], net.exhaust[0]  # ports are alike
        self.ports = (float(net.arrays.geo[intake, ducts.AREA_RIGHT]), float(net.arrays.geo[exhaust, ducts.AREA_LEFT]))
        self.angle = 180.0 + 720.0 * (np.arange(steps) + 0.5) / steps - 720.0
        self.phi = np.zeros((2, steps, 2, LANES))
        self.stale = np.ones(LANES, dtype=bool)

    def at(self, icl: FloatArray, ecl: FloatArray, flow_factor: FloatArray) -> Valves:
        """The tables at these centrelines [deg] and factors on flow area, (lanes,) each."""
        c = self.config
        intake = (c.intake_valve, c.intake_lift, c.intake_valves, icl)
        exhaust = (c.exhaust_valve, c.exhaust_lift, c.exhaust_valves, -ecl)
        for i, (valve, lift, count, centre) in enumerate((intake, exhaust)):
            opened = lift.at(self.angle[:, None] - centre[self.stale])
            for j, inward in enumerate((True, False)):
                area = effective_area(valve, opened, inward) * count * flow_factor[self.stale] * 1e-6
                self.phi[i, :, j, self.stale] = np.minimum(area / self.ports[i], WIDEST).T
        self.stale[:] = False
        is_open = self.phi.max(axis=2) > 0.0
        closing = is_open[0] & (self.angle < -360.0)[:, None]
        trap = np.where(closing.any(axis=0), len(closing) - np.argmax(closing[::-1], axis=0), 0)
        stir = np.where(is_open.any(axis=0), STIR_OPEN, STIR_SHUT)
        return Valves(self.phi.reshape(2, len(self.angle), 2 * LANES), is_open.sum(axis=2), stir, trap)
