"""Cost and mesh error of the cycle simulation on the tests' invented engine.

Held to, in the default mode (all cylinders, all pipes): 12 ms of one core a point over 16 rpm x 8 loads x 9 x 9
timings, under 1 GB; torque within 0.6 % of full-load torque of a mesh four times finer at 12 points spread over the
map; at most 0.5 % of the points without a torque;
what settling leaves 0.1 % of full-load torque (rms; 1 % at most) over 288 points of it;
a cycle of one cylinder with its pipes 100 times faster than of one without pipes by `scipy.integrate.solve_ivp`
(same valves, burn and walls; steps of 2 degrees at most, so that none steps over a valve). Kernels are compiled first.
Seconds are processor time of the process, one thread; on cores that others load too they come out up to twice as long.
An argument thins the map out: `3` takes every third speed.

The same of the example with throttles in an airbox and two silencers: 18 ms a point, over every third of those speeds.

Points without a torque are of two kinds: those that do not settle, and those where, at light load, low speed and wide
overlap, exhaust fills the intake so far that the engine cannot run (`settling.DEAD_AIR`). They are counted apart.
"""

import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

sys.path.insert(0, str(Path(__file__).parents[1] / "cycle"))
from figures import Figure, report
from sample import sample

from phaseopt.cycle import orifice
from phaseopt.cycle.chamber import chamber
from phaseopt.cycle.chunks import Axes, plan
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.cylinder import HALF_BURNED, burned_share, wall_coefficient
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.grid import simulate_chunk
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.settling import DEAD_AIR
from phaseopt.cycle.valves import effective_area
from phaseopt.project.load import load_project

RPM = np.linspace(1500.0, 8500.0, 16)
LOAD = np.array([30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 98.0])
ICL, ECL = np.linspace(90.0, 130.0, 9), np.linspace(95.0, 125.0, 9)
SPREAD = np.array(  # rpm, load, icl, ecl of the points at which meshes are compared
    [[1500, 98, 90, 95], [2000, 70, 110, 110], [2500, 98, 95, 120], [3000, 98, 110, 105], [3500, 50, 115, 110],
     [4000, 98, 105, 115], [4500, 98, 112, 110], [5000, 60, 100, 100], [5500, 98, 98, 118], [6500, 98, 115, 110],
     [7500, 80, 120, 105], [8500, 98, 125, 115]], dtype=float)  # fmt: skip


def silenced() -> CycleConfig:
    """The example with throttles in an airbox and two silencers, in the tests' air."""
    project = load_project(Path(__file__).parents[2] / "examples" / "individual_throttles" / "project.toml")
    return replace(cycle_config(project), ambient_pressure=101.325)


def simulated(config: CycleConfig, rpm: float, load: np.ndarray, icl: np.ndarray, ecl: np.ndarray) -> np.ndarray:
    """Torque at all points of one speed, chunk by chunk, as `simulate` does it; loads outermost."""
    chunks = plan(Axes(np.array([rpm]), load, icl, ecl))
    return np.concatenate([simulate_chunk(config, Mesh(), c, lambda: False)[0].ravel() for c in chunks])


def map_cost(config: CycleConfig, every: int, name: str, most: float) -> list[Figure]:
    """Seconds a point over the map."""
    simulated(config, 6000.0, LOAD[-1:], ICL[:2], ECL[:2])  # compiles
    total, points, cannot_run, unsettled = 0.0, 0, 0, 0
    for rpm in RPM[::every]:
        begun = time.process_time()
        torque = simulated(config, float(rpm), LOAD, ICL, ECL)
        spent = time.process_time() - begun
        total, points = total + spent, points + len(torque)
        grid = np.stack([x.ravel() for x in np.meshgrid([rpm], LOAD, ICL, ECL, indexing="ij")], axis=1)
        # a point has the same bytes in any company
        empty = Simulator(config).run(grid[np.isnan(torque)]).volumetric_efficiency < DEAD_AIR
        cannot_run, unsettled = cannot_run + int(empty.sum()), unsettled + int((~empty).sum())
        print(f"  {rpm:6.0f} rpm: {spent / len(torque) * 1e3:6.2f} ms a point")
    return [
        Figure(f"{name}: a point", total / points, "s", at_most=most),
        Figure(f"{name}: points", points),
        Figure(f"{name}: points without a torque", 100.0 * (cannot_run + unsettled) / points, "%", at_most=0.5),
        Figure(f"{name}: of them the engine cannot run at", cannot_run),
        Figure(f"{name}: of them did not settle", unsettled),
        Figure(f"{name}: memory", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, "GB", at_most=1.0),
    ]


def mesh_error(config: CycleConfig, name: str) -> list[Figure]:
    """Torque on the default mesh and on one four times finer, at the points of `SPREAD`."""
    default, fine = (Simulator(config, m).run(SPREAD) for m in (Mesh(), Mesh().finer(4)))
    wide_open = SPREAD.copy()
    wide_open[:, 1] = 98.0
    full = Simulator(config).run(wide_open).torque
    error = (default.torque - fine.torque) / full * 100
    print(f"{name}: torque error, % of full-load torque:", " ".join(f"{e:+.2f}" for e in error))
    return [
        Figure(f"{name}: largest error, of full-load torque", float(np.abs(error).max()), "%", at_most=0.6),
        Figure(f"{name}: points that did not settle", int((~default.settled).sum() + (~fine.settled).sum()), at_most=0),
    ]


def settling_error() -> list[Figure]:
    """Torque of points as they settle first, less that of the same settled ten times over."""
    axes = np.meshgrid(RPM[::5], LOAD, ICL[::3], ECL[::3], indexing="ij")
    points = np.stack([axis.ravel() for axis in axes], axis=1)
    first, last = (Simulator(sample()).run(points, again=again) for again in (1, 10))
    full = np.repeat([np.nanmax(last.torque[points[:, 0] == rpm]) for rpm in RPM[::5]], len(points) // len(RPM[::5]))
    error = ((first.torque - last.torque) / full * 100)[first.settled & last.settled]
    return [
        Figure("settling: rms error, of full-load torque", float(np.sqrt((error**2).mean())), "%", at_most=0.1),
        Figure("settling: mean error", float(error.mean()), "%"),
        Figure("settling: largest error", float(np.abs(error).max()), "%", at_most=1.0),
    ]


def one_cylinder(rpm: float) -> float:
    """Seconds a cycle of one cylinder between two still spaces by solve_ivp: same valves, burn, walls, simpler gas."""
    c, k = sample(), Simulator(sample()).gas.kernel
    start, duration = 360.0 + c.half_burned - HALF_BURNED * c.burn_duration, c.burn_duration
    ambient = (98e3, 298.0 * k[10], 0.0), (101e3, 900.0 * (k[10] + k[11]), 1.0)

    def change(angle: float, state: np.ndarray) -> list[float]:
        m, energy, burned = state
        v, area = (float(x) for x in chamber(c, np.array(angle)))
        y, seconds = burned / m, 1.0 / (6.0 * rpm)
        a, b = k[0] + k[1] * y, k[2] + k[3] * y
        theta = 2 * energy / m / (a + np.sqrt(a * a + 2 * b * energy / m))
        p, gamma = m * theta / v, 1 + 1 / (a + b * theta)
        dm = de = dy = 0.0
        valves = ((c.intake_valve, c.intake_lift, 110.0, True), (c.exhaust_valve, c.exhaust_lift, -110.0, False))
        for (valve, lift, centre, _), (p_s, theta_s, y_s) in zip(valves, ambient, strict=True):
            opened = float(lift.at(np.array(angle - 720.0 - centre)))
            if opened <= 0.0:
                continue
            inward = p < p_s
            throat = 2e-6 * float(effective_area(valve, np.array(opened), inward))
            up = (p_s, theta_s, p) if inward else (p, theta, p_s)
            rate = throat * np.sqrt(orifice.nozzle_squared(*up, gamma)) * seconds * (1 if inward else -1)
            y_up, theta_up = (y_s, theta_s) if inward else (y, theta)
            a_up, b_up = k[0] + k[1] * y_up, k[2] + k[3] * y_up
            dm, dy = dm + rate, dy + rate * y_up
            de += rate * ((1 + a_up) * theta_up + b_up * theta_up**2 / 2)
        lit = (burned_share(angle + 0.05, start, duration) - burned_share(angle - 0.05, start, duration)) / 0.1
        lit = lit * (m - burned) if angle < 500.0 else 0.0
        t = theta / (k[10] + k[11] * y)
        wall = 1.4 * area * wall_coefficient(p, t, 30.0) * (c.bore / 1e3) ** -0.2 * (t - c.wall_temperature) * seconds
        dv = float(chamber(c, np.array(angle + 0.05))[0] - chamber(c, np.array(angle - 0.05))[0]) / 0.1
        return [dm, de + lit * k[9] - wall - p * dv, dy + lit]

    v0 = float(chamber(c, np.array(180.0))[0])
    m0 = 1e5 * v0 / (350.0 * k[10])
    begin = [m0, m0 * (k[0] * 350 * k[10] + k[2] * (350 * k[10]) ** 2 / 2), 0.05 * m0]
    begun = time.process_time()
    solve_ivp(change, (180.0, 900.0), begin, rtol=1e-4, max_step=2.0)
    return time.process_time() - begun


def cycle_cost(config: CycleConfig, rpm: float) -> tuple[float, bool]:
    """Seconds a cycle of one point, marched with seven others as in the map; and whether the point settled."""
    simulator = Simulator(config)
    r = simulator.run(np.array([[rpm, 98.0, 110.0, 110.0]]))
    begun = time.process_time()
    for _ in range(10):
        simulator.cycle()
    return (time.process_time() - begun) / 80, bool(r.settled.all())


def against_solve_ivp() -> list[Figure]:
    """A cycle of one cylinder on its own runner, primary and tail here; a cycle of one cylinder without pipes there."""
    rpm = 4000.0
    engine, settled = cycle_cost(sample(), rpm)
    ours, alone = cycle_cost(replace(sample(), firing_order=(1,), secondary=None), rpm)
    theirs = one_cylinder(rpm)
    return [
        Figure("cycle: one cylinder without pipes by solve_ivp", theirs, "s"),
        Figure("cycle: one cylinder with its pipes", ours, "s"),
        Figure("cycle: four cylinders with all pipes", engine, "s"),
        Figure("cycle: solve_ivp over one with pipes", theirs / ours, "times", at_least=100.0),
        Figure("cycle: points that did not settle", 2 - int(settled) - int(alone), at_most=0),
    ]


def main(every: int) -> int:
    """All of it; `every` thins the map out."""
    usual = mesh_error(sample(), "mesh") + settling_error() + against_solve_ivp()
    usual += map_cost(sample(), every, "map", 0.012)
    more = mesh_error(silenced(), "silencers, mesh") + map_cost(silenced(), 3 * every, "silencers, map", 0.018)
    return report(__file__, usual + more)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1))
