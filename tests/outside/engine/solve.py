"""One point or a map: torque of an engine at a speed and two cam timings."""

from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

import numpy as np

from .describe import OWN_LAWS, Engine, Laws, friction_pressure, network, work_of
from .kernel import (
    A_BURNED,
    AIR,
    B_BURNED,
    R_BURNED,
    Gas,
    Net,
    Work,
    cycle,
    cylinder_volume,
    energy_of,
    gas_r,
    temperature,
)

SETTLED = 5e-4  # of trapped air and torque, cycle to cycle
MOST_CYCLES = 20
HURRIED = (4, 8, 12)  # cycles after which the boxes' temperatures are moved ahead
COARSE, COARSE_CYCLES = 0.5, 7  # each point begins on cells of twice the length,
COARSE_HURRIED = (3, 6)  # and there after these


class Point(NamedTuple):
    """What one operating point gives; by cylinder where a tuple."""

    torque: float  # [N·m]
    imep: float  # net, over 720° [bar]
    friction: float  # mean pressure [bar]
    trapped: float  # fresh air at intake closing, all cylinders [g per cycle]
    filling: float  # trapped over ambient density × displacement
    drawn: float  # air drawn in from the open over the same
    residual: float  # burned share of the charge at closing
    by_cylinder: tuple[float, ...]  # filling
    peak: float  # [bar]
    exhaust: float  # mean enthalpy temperature of what leaves the exhaust valves [K]
    mass_error: float  # what entered, less what left, less what the engine holds more, over air drawn
    energy_error: float  # the same for energy, over the heat of burning
    change: float  # of trapped air or torque in the last cycle
    cycles: int
    converged: bool


def first_gas(net: Net, work: Work, engine: Engine) -> Gas:
    """Air in the intake, hot gas in the exhaust, each at rest; cylinders as their crank angle asks."""
    size = net.volume.size
    t, y, p = np.full(size, work.t_air + 5.0), np.zeros(size), np.full(size, work.p_air)
    for i, wall in enumerate(net.t_wall):
        if wall > 450.0:
            t[i], y[i] = 0.5 * wall + 450.0, 1.0
    cells = np.zeros((4, size))
    cells[0] = p * net.volume / (np.array([gas_r(each) for each in y]) * t)
    cells[2] = cells[0] * np.array([energy_of(a, b) for a, b in zip(t, y, strict=True)])
    cells[3] = cells[0] * y
    warm = {name for pipe in engine.pipes if pipe.warm for name in (pipe.start, pipe.end)}
    nodes = np.zeros((3, net.node_volume.size))
    nodes[:, AIR] = 1.0, energy_of(work.t_air, 0.0), 0.0
    for n in range(1, nodes.shape[1]):
        box = n - 1 - engine.cylinders
        volume, t0, share, pressure = net.node_volume[n], work.t_air + 2.0, 0.0, work.p_air
        if box < 0:
            own = (-360.0 - engine.firing[n - 1] + 360.0) % 720.0 - 360.0
            volume, _ = cylinder_volume(work, engine.compression[n - 1], own)
            t0, share = 600.0, 0.5
        elif engine.boxes[box].name in warm:
            t0, share = 950.0, 1.0
        mass = pressure * volume / (gas_r(share) * t0)
        nodes[:, n] = mass, mass * energy_of(t0, share), mass * share
    cylinders, ends = engine.cylinders, net.end_cell.size
    closed, sums = np.zeros((cylinders, 6)), np.zeros((cylinders, 5))
    return Gas(cells, nodes, closed, np.zeros((ends, 3)), sums, np.zeros(1), np.zeros(net.valve_cylinder.size))


def contents(net: Net, gas: Gas) -> np.ndarray:
    """Mass, energy and burned mass in pipes, boxes and cylinders."""
    inside = np.ones(net.volume.size, bool)
    inside[net.last + 1] = False
    return gas.cells[[0, 2, 3]][:, inside].sum(axis=1) + gas.nodes[:, 1:].sum(axis=1)


class Run:
    """An engine at one speed and timing, cycle after cycle."""

    def __init__(self, engine: Engine, rpm: float, timing: tuple[float, float], laws: Laws, fineness: float = 1.0):
        self.engine, self.rpm, self.laws = engine, rpm, laws
        self.net = network(engine, fineness)
        self.work = work_of(engine, laws, rpm, *timing)
        self.gas = first_gas(self.net, self.work, engine)
        self.swept = engine.displacement * 1e-3
        self.ambient = engine.air_pressure * 1e3 / (gas_r(0.0) * engine.air_temperature)

    def cycle(self, record: np.ndarray | None = None) -> Point:
        """One more cycle; `change`, `cycles` and `converged` are the caller's."""
        net, gas, engine = self.net, self.gas, self.engine
        before = contents(net, gas)
        gas.passed[:], gas.sums[:], gas.walls[:] = 0.0, 0.0, 0.0
        steps = cycle(net, self.work, gas, -360.0, 360.0, np.zeros((0, 1)) if record is None else record)
        if steps <= 0:
            raise FloatingPointError(f"{engine.name} at {self.rpm:.0f} rpm: the gas was lost at step {-steps}")
        after = contents(net, gas)
        mouths = net.end_node == AIR
        cold = net.t_wall[net.end_cell] < 450.0
        entered = gas.passed[mouths].sum(axis=0)
        drawn = gas.passed[mouths & cold, 0].sum()
        more = after - before
        work, lost, heat, fuel = gas.sums[:, :4].sum(axis=0)
        mass_error = entered[0] + fuel - more[0]
        energy_error = entered[1] + heat + gas.walls[0] - work - lost - more[1]
        exhaust = (net.end_valve >= 0) & ~cold
        imep = work / self.swept * 1e-5
        peak = gas.sums[:, 4].mean() * 1e-5
        friction = friction_pressure(self.laws, peak, engine.stroke * 1e-3 * self.rpm / 30.0)
        each = gas.closed[:, 4] / (self.ambient * self.swept / engine.cylinders)
        left = gas.passed[exhaust].sum(axis=0)
        enthalpy = left[1] / left[0]
        a, b = A_BURNED + R_BURNED, B_BURNED
        return Point(
            torque=float((imep - friction) * 1e5 * self.swept / (4.0 * np.pi)),
            imep=float(imep),
            friction=float(friction),
            trapped=float(gas.closed[:, 4].sum() * 1e3),
            filling=float(each.mean()),
            drawn=float(drawn / (self.ambient * self.swept)),
            residual=float(np.mean(gas.closed[:, 5])),
            by_cylinder=tuple(float(x) for x in each),
            peak=float(peak),
            exhaust=float(2.0 * enthalpy / (a + np.sqrt(a * a + 2.0 * b * enthalpy))),
            mass_error=float(mass_error / drawn),
            energy_error=float(energy_error / heat) if heat else 0.0,
            change=1.0,
            cycles=0,
            converged=False,
        )

    def boxes(self) -> np.ndarray:
        """Temperatures of the boxes."""
        mass, energy, burned = self.gas.nodes[:, 1 + self.engine.cylinders :]
        return np.array([temperature(e / m, y / m) for m, e, y in zip(mass, energy, burned, strict=True)])

    def hurry(self, before: np.ndarray) -> None:
        """Move each box's temperature to where it will settle, at its pressure.

        A box that holds several cycles' gas comes to its temperature by q per cycle, q = exp(-passed/held).
        """
        net, gas, first = self.net, self.gas, 1 + self.engine.cylinders
        for i, (was, now) in enumerate(zip(before, self.boxes(), strict=True)):
            n = first + i
            passed = 0.5 * np.abs(gas.passed[net.end_node == n, 0]).sum()
            q = min(np.exp(-passed / gas.nodes[0, n]), 0.9)
            share = gas.nodes[2, n] / gas.nodes[0, n]
            then = now + np.clip((now - was) * q / (1.0 - q), -0.15 * now, 0.15 * now)
            mass = gas.nodes[0, n] * now / then
            gas.nodes[:, n] = mass, mass * energy_of(then, share), mass * share

    def taken_from(self, other: "Run") -> None:
        """Begin with what a run on other cells holds; amounts are not kept exactly, but the cycles that follow do."""
        for s, e, s0, e0 in zip(self.net.first, self.net.last, other.net.first, other.net.last, strict=True):
            cells, cells0 = e + 1 - s, e0 + 1 - s0
            source = s0 + ((np.arange(cells) + 0.5) / cells * cells0).astype(np.int64)
            part = slice(s, e + 1)
            self.gas.cells[:, part] = other.gas.cells[:, source] * (self.net.volume[part] / other.net.volume[source])
        self.gas.nodes[:] = other.gas.nodes
        self.gas.closed[:] = other.gas.closed
        self.gas.was[:] = other.gas.was

    def rough(self, cycles: int) -> None:
        """A few cycles, after some of them with the boxes moved to the temperature that they tend to."""
        warmth = None
        for number in range(1, cycles + 1):
            self.cycle()
            before, warmth = warmth, self.boxes()
            if number in COARSE_HURRIED and before is not None:
                self.hurry(before)
                warmth = self.boxes()

    def settle(self) -> Point:
        """Cycles until trapped air and torque stay."""
        last, warmth = self.cycle(), self.boxes()
        for number in range(2, MOST_CYCLES + 1):
            now = self.cycle()
            change = max(abs(now.trapped / last.trapped - 1.0), abs(now.torque - last.torque) / max(now.torque, 10.0))
            if change < SETTLED and number > 2 and number - 1 not in HURRIED:
                return now._replace(change=float(change), cycles=number, converged=True)
            before, warmth = warmth, self.boxes()
            if number in HURRIED:
                self.hurry(before)
                warmth = self.boxes()
            last = now
        return now._replace(change=float(change), cycles=number)


def torque(engine: Engine, rpm: float, icl: float, ecl: float, laws: Laws = OWN_LAWS) -> Point:
    """Brake torque and what comes with it, at a speed and two centrelines."""
    first, run = (Run(engine, rpm, (icl, ecl), laws, fineness) for fineness in (COARSE, 1.0))
    first.rough(COARSE_CYCLES)
    run.taken_from(first)
    return run.settle()


def _one(job: tuple[Engine, float, float, float, Laws]) -> Point:
    return torque(*job)


def torque_map(
    engine: Engine,
    speeds: Iterable[float],
    icls: Iterable[float],
    ecls: Iterable[float],
    laws: Laws = OWN_LAWS,
    processes: int = 1,
) -> dict[str, np.ndarray]:
    """Every quantity of `Point` over speed × icl × ecl."""
    axes = [list(each) for each in (speeds, icls, ecls)]
    jobs = [(engine, rpm, icl, ecl, laws) for rpm in axes[0] for icl in axes[1] for ecl in axes[2]]
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            points = list(pool.map(_one, jobs, chunksize=8))
    else:
        points = [_one(job) for job in jobs]
    shape = tuple(len(each) for each in axes)
    names = [name for name in Point._fields if name != "by_cylinder"]
    return {name: np.array([getattr(point, name) for point in points]).reshape(shape) for name in names}
