"""Operating points of an engine, simulated until cycle repeats cycle."""

import math
from collections.abc import Callable

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle import ducts, march, throttle
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.events import ValveTables
from phaseopt.cycle.gas import FUELS, mixture
from phaseopt.cycle.lanes import LANES, Array, Flags, Ints
from phaseopt.cycle.network import Mesh, build
from phaseopt.cycle.queue import Lanes
from phaseopt.cycle.results import NAMES, Results, filling_and_work, results
from phaseopt.values.errors import InputError

MOST_REPEATS = 8  # of a cycle with more steps, before its points are given up
MOST_LOAD = 0.995  # of the ambient pressure, that an open throttle can give
COURANT = 0.92  # aim for the fastest wave's travel in a step, in cells; above 1 a cycle is repeated with more steps


class Simulator:
    """Marches operating points in `LANES` lanes; a lane that has settled goes on from there to its next point.

    `run` may be called again and again; points close to the last ones settle soonest.
    """

    def __init__(self, config: CycleConfig, mesh: Mesh | None = None) -> None:
        self.config = config
        self.gas = mixture(FUELS[config.fuel], config.excess_air)
        self.net = net = build(config, self.gas, mesh or Mesh())
        # cells that the fastest wave crosses in a second; a guess until a cycle has been run
        self._rate = 1000.0 / float(net.arrays.geo[:, ducts.LENGTH].min())
        self._at_rest = [x.copy() for x in self.net.state]
        self.points = np.full((5, LANES), np.nan)  # rpm, load [Pa], icl, ecl, half-burned angle of each lane
        self.set_steps(4 * config.cylinders)

    def set_steps(self, steps: int) -> None:
        """Divide the cycle into so many steps, a multiple of the number of cylinders."""
        self.steps = steps
        nodes = 180.0 + 720.0 * np.arange(steps + 1) / steps
        self.volume, _ = chamber(self.config, nodes)
        _, self.wall = chamber(self.config, nodes[:-1] + 360.0 / steps)
        self.valves = ValveTables(self.config, self.net, steps)

    def run(
        self,
        rpm: Array,
        load: Array,
        icl: Array,
        ecl: Array,
        half_burned: Array | None = None,
        queues: list[Ints] | None = None,
    ) -> Results:
        """Simulate points: speeds [rpm], mean plenum pressures [kPa] and true centrelines [deg], one of each a point.

        `half_burned` [deg after firing top dead centre] stands in for the engine's own where given. `queues` lists
        point numbers in the order in which a lane shall take them; a lane that is done takes the next queue. By default
        the points are shared out evenly as they come. Best if points that follow each other differ little, and all have
        about the same speed, for the slowest sets the number of steps.

        Raises `InputError` for a load that an open throttle cannot give.
        """
        c, count = self.config, len(rpm)
        if float(np.max(load)) > MOST_LOAD * c.ambient_pressure:
            raise InputError.one(
                f"a load of {float(np.max(load)):.1f} kPa is not below the ambient {c.ambient_pressure:.1f} kPa",
                hint="full throttle is a small depression, for example 3 kPa",
            )
        half = np.full(count, c.half_burned) if half_burned is None else half_burned
        points = np.stack([rpm, np.asarray(load) * 1e3, icl, ecl, half]).astype(np.float64)
        if queues is None:
            queues = [q for q in np.array_split(np.arange(count), LANES) if len(q)]
        out, lanes = Results.empty(count), Lanes(queues)
        while lanes.busy():
            self._load_lanes(points, lanes)
            figures = self._repeat_cycle()
            off = throttle.hold(self.net, self.steps, self.points[1])
            done = lanes.judge(figures, off)
            if done.any():
                record(out, lanes, done, results(c, self.gas, self.net, self.points[0]))
        return out

    def _load_lanes(self, points: Array, lanes: Lanes) -> None:
        """Give free lanes their next points; lanes without one repeat what they have, or the first lane's point."""
        for k in lanes.refill():
            new = points[:, lanes.point[k]]
            moved = lanes.lost[k] or not np.array_equal(new[:2], self.points[:2, k])
            if lanes.lost[k]:
                self._start_afresh(k)
            self.points[:, k] = new
            self.valves.stale[k] = True
            if moved:
                throttle.set_out(self.net, self.config.displacement, self.points[0], self.points[1], k)
        idle = np.isnan(self.points[0])
        if idle.any():
            self.points[:, idle] = self.points[:, [int(np.argmin(idle))]]
            self.valves.stale[:] = True
            for lane in np.flatnonzero(idle):
                throttle.set_out(self.net, self.config.displacement, self.points[0], self.points[1], int(lane))
        if not 1.0 <= self.steps / self._wanted_steps() < 1.2:
            self.set_steps(self._wanted_steps())

    def _start_afresh(self, lane: int) -> None:
        """Put a lane back to rest: what a point that could not run leaves behind is no start for the next."""
        for now, begin in zip(self.net.state, self._at_rest, strict=True):
            now[:, lane] = begin[:, lane]

    def _repeat_cycle(self) -> Array:
        """One good cycle: with more steps if waves outran cells; returns volumetric efficiency and imep."""
        for _ in range(MOST_REPEATS):
            saved = [x.copy() for x in self.net.state]
            courant = self.cycle()
            if courant <= 1.0:
                self._rate = courant * self.steps * float(self.points[0].min()) / 120.0
                return filling_and_work(self.config, self.gas, self.net)
            for now, then in zip(self.net.state, saved, strict=True):
                now[:] = then
            self._rate *= 1.05 * courant if courant < 1.5 else 1.5
            self.set_steps(self._wanted_steps())
        return np.full((2, LANES), np.nan)

    def cycle(self, watch: Callable[[int], None] | None = None) -> float:
        """One cycle; returns the largest Courant number met, infinite if the state was lost.

        `watch`, where given, is called after each step with the step's number.
        """
        net, rows = self.net, self.net.rows
        rpm, _, icl, ecl, half_burned = self.points
        dt = 120.0 / rpm / self.steps
        rows[:, ducts.STEP] = dt
        rows[:, ducts.FASTEST] = 0.0
        z = net.cylinders
        z[:, cyl.WORK : cyl.TRAPPED] = 0.0
        z[:, cyl.STEP] = dt
        z[:, cyl.PISTON] = 2.0 * self.config.stroke * 1e-3 * rpm / 60.0
        net.volumes[:, [march.V_SUM_P, march.V_IN, march.V_OUT]] = 0.0
        valves = self.valves.at(icl, ecl)
        course = march.Course(
            dt, rpm, half_burned, valves.trap, net.offsets * (self.steps // self.config.cylinders), valves.phi,
            valves.opened, valves.stir, self.volume, self.wall,
        )  # fmt: skip
        if watch is None:
            march.run_steps(net.arrays, course, 0, self.steps)
        else:
            for step in range(self.steps):
                march.run_steps(net.arrays, course, step, step + 1)
                watch(step)
        worst = float((rows[:, ducts.FASTEST] * dt / net.arrays.geo[:, ducts.LENGTH][:, None]).max())
        return worst if math.isfinite(worst) else math.inf

    def _wanted_steps(self) -> int:
        n = self.config.cylinders
        return n * 4 * math.ceil(self._rate * 120.0 / float(self.points[0].min()) / COURANT / n / 4)


def record(out: Results, lanes: Lanes, done: Flags, now: Results) -> None:
    """Copy the results of lanes that are done to their points, and set the lanes free."""
    for k in np.flatnonzero(done):
        for name in NAMES:
            getattr(out, name)[lanes.point[k]] = getattr(now, name)[k]
        out.settled[lanes.point[k]] = lanes.settled[k]
        out.cycles[lanes.point[k]] = lanes.cycles[k]
        lanes.free(int(k))
