"""Operating points of an engine, simulated until cycle repeats cycle."""

import math

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle import ducts, march, throttle
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.gas import FUELS, mixture
from phaseopt.cycle.lanes import LANES, Array, Flags, Ints
from phaseopt.cycle.network import Mesh, build
from phaseopt.cycle.results import Results, filling_and_work, results
from phaseopt.cycle.valves import effective_area
from phaseopt.errors import InputError

# change of volumetric efficiency and imep from cycle to cycle, relative to themselves or, if larger, to the floors:
# near idle both tend to nothing
SETTLED = 1e-3
FLOOR = np.array([[0.3], [3e5]])
MOST_CYCLES = 40
MOST_REPEATS = 8  # of a cycle with more steps, before the group is given up
COURANT = 0.92  # aim for the fastest wave's travel in a step, in cells; above 1 a cycle is repeated with more steps
WIDEST = 0.98  # throat over pipe area where a valve is wider than its port


class Simulator:
    """Marches up to `LANES` operating points at a time, each group started from the last one's state.

    `run` may be called again and again; points close to the last ones settle soonest.
    """

    def __init__(self, config: CycleConfig, mesh: Mesh | None = None) -> None:
        self.config = config
        self.gas = mixture(FUELS[config.fuel], config.excess_air)
        self.net = net = build(config, self.gas, mesh or Mesh())
        self.numbers = np.zeros(cyl.NUMBERS)
        self.numbers[cyl.BORE] = config.bore * 1e-3
        self.numbers[cyl.WALL_T] = config.wall_temperature
        self.numbers[cyl.SPEED_REF], self.numbers[cyl.BURN_REF] = config.burn_speed, config.burn_duration
        self.numbers[cyl.COMPLETE], self.numbers[cyl.HEAT_FACTOR] = config.completeness, config.wall_heat
        self.numbers[cyl.SWEPT] = config.displacement / config.cylinders
        self.numbers[cyl.STROKES] = 2.0 * config.stroke * 1e-3 / 60.0
        intake, exhaust = net.rows("runner 1").stop - 1, net.rows("primary 1").start
        self._ports = [net.geo[intake, ducts.AREA_RIGHT], net.geo[exhaust, ducts.AREA_LEFT]]
        # cells that the fastest wave crosses in a second; a guess until a cycle has been run
        self._rate = 1000.0 / float(net.geo[:, ducts.LENGTH].min())
        self._last = (np.zeros(LANES), np.zeros(LANES))
        self.set_steps(4 * config.cylinders)

    def set_steps(self, steps: int) -> None:
        """Divide the cycle into so many steps, a multiple of the number of cylinders."""
        self.steps = steps
        nodes = 180.0 + 720.0 * np.arange(steps + 1) / steps
        self.volume, _ = chamber(self.config, nodes)
        _, self.wall = chamber(self.config, nodes[:-1] + 360.0 / steps)

    def valve_tables(self, icl: Array, ecl: Array) -> tuple[Array, Flags, int]:
        """Throat over pipe area by valve, step, direction and lane; which valves are open; the step that traps."""
        c = self.config
        angle = 180.0 + 720.0 * (np.arange(self.steps) + 0.5) / self.steps - 720.0
        phi = np.zeros((2, self.steps, 2, LANES))
        intake = (c.intake_valve, c.intake_lift, c.intake_valves, icl)
        exhaust = (c.exhaust_valve, c.exhaust_lift, c.exhaust_valves, -ecl)
        for i, (valve, lift, count, centre) in enumerate((intake, exhaust)):
            opened = lift.at(angle[:, None] - centre)
            for j, inward in enumerate((True, False)):
                area = effective_area(valve, opened, inward) * count * c.flow_factor * 1e-6
                phi[i, :, j] = np.minimum(area / self._ports[i], WIDEST)
        is_open = phi.max(axis=(2, 3)) > 0.0
        closing = np.flatnonzero(is_open[0] & (angle < -360.0))
        trap = int(closing[-1]) + 1 if len(closing) else 0
        return phi.reshape(2, self.steps, 2 * LANES), is_open, trap

    def run(
        self,
        rpm: Array,
        load: Array,
        icl: Array,
        ecl: Array,
        half_burned: Array | None = None,
        start: Ints | None = None,
    ) -> Results:
        """Simulate points: speeds [rpm], mean plenum pressures [kPa], true centrelines [deg], `LANES` or fewer of each.

        `half_burned` [deg after firing top dead centre] stands in for the engine's own where given. `start` names, for
        each point, the lane of the last group whose state it starts from; its own by default.

        Raises `InputError` for a load that an open throttle cannot give.
        """
        count, c = len(rpm), self.config
        if float(np.max(load)) > 0.995 * c.ambient_pressure:
            raise InputError.one(
                f"a load of {float(np.max(load)):.1f} kPa is not below the ambient {c.ambient_pressure:.1f} kPa",
                mend="full throttle is a small depression, for example 3 kPa",
            )
        fill = np.minimum(np.arange(LANES), count - 1)
        half = np.full(count, c.half_burned) if half_burned is None else half_burned
        rpm, load, icl, ecl, half = (np.asarray(x, dtype=np.float64)[fill] for x in (rpm, load, icl, ecl, half))
        lane = np.arange(LANES) if start is None else np.asarray(start)[fill]
        if start is not None:
            for state in self._state():
                state[:] = state.reshape(-1, LANES)[:, lane].reshape(state.shape)
        if not (np.array_equal(load, self._last[1][lane]) and np.array_equal(rpm, self._last[0][lane])):
            throttle.set_out(self.net, c.displacement, rpm, load * 1e3)
        self._last = (rpm, load)
        if not 1.0 <= self.steps / self._wanted_steps(rpm) < 1.2:
            self.set_steps(self._wanted_steps(rpm))
        settled, cycles = self._settle(rpm, load, half, icl, ecl)
        return results(c, self.gas, self.net, rpm, settled, cycles, count)

    def _settle(self, rpm: Array, load: Array, half: Array, icl: Array, ecl: Array) -> tuple[Flags, int]:
        """Repeat the cycle until it repeats itself in every lane."""
        before = np.full((2, LANES), np.inf)
        settled, tables = np.zeros(LANES, dtype=bool), self.valve_tables(icl, ecl)
        cycles = repeats = 0
        while cycles < MOST_CYCLES and repeats < MOST_REPEATS and not settled.all():
            cycles += 1
            saved = [x.copy() for x in self._state()]
            courant = self.cycle(rpm, half, tables)
            if not courant <= 1.0:
                repeats += 1
                for now, then in zip(self._state(), saved, strict=True):
                    now[:] = then
                self._rate *= 1.05 * courant if courant < 1.5 else 1.5
                self.set_steps(self._wanted_steps(rpm))
                tables = self.valve_tables(icl, ecl)
                continue
            self._rate = courant * self.steps * float(rpm.min()) / 120.0
            figures = filling_and_work(self.config, self.gas, self.net)
            change = np.abs(figures - before) / np.maximum(np.abs(figures), FLOOR)
            before = figures
            off = throttle.hold(self.net, self.steps, load * 1e3)
            settled = (change < SETTLED).all(axis=0) & (off < 2 * SETTLED)
        return settled, cycles

    def cycle(self, rpm: Array, half_burned: Array, tables: tuple[Array, Flags, int]) -> float:
        """One cycle; returns the largest Courant number met, infinite if the state was lost."""
        net = self.net
        rows = net.w.reshape(-1, ducts.FIELDS, LANES)
        dt = 120.0 / rpm / self.steps
        rows[:, ducts.STEP] = dt
        rows[:, ducts.FASTEST] = 0.0
        net.cylinders.reshape(-1, cyl.FIELDS, LANES)[:, cyl.WORK : cyl.TRAPPED] = 0.0
        net.volumes.reshape(-1, march.VOLUME_FIELDS, LANES)[:, [march.V_SUM_P, march.V_IN, march.V_OUT]] = 0.0
        phi, is_open, trap = tables
        march.run_steps(
            net.w, net.geo, net.gas.kernel, dt, rpm, net.pipes, net.ends, net.spaces, net.scratch, net.junctions,
            net.branches, net.counts, net.volumes, net.sizes, net.cylinders, self.numbers,
            net.offsets * (self.steps // self.config.cylinders), phi, is_open, self.volume, self.wall, half_burned,
            trap,
        )  # fmt: skip
        worst = float((rows[:, ducts.FASTEST] * dt / net.geo[:, ducts.LENGTH][:, None]).max())
        return worst if math.isfinite(worst) else math.inf

    def _state(self) -> tuple[Array, ...]:
        net = self.net
        return net.w, net.spaces, net.scratch, net.junctions, net.volumes, net.cylinders

    def _wanted_steps(self, rpm: Array) -> int:
        n = self.config.cylinders
        return n * 4 * math.ceil(self._rate * 120.0 / float(rpm.min()) / COURANT / n / 4)
