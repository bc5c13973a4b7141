"""The outside engine's pipes and ends against exact solutions and handbook formulas."""

from math import pi, sqrt

import cantera
import numpy as np
import pytest
from fluids.friction import friction_factor
from scipy.optimize import brentq

from .describe import EQUAL_LAWS, Box, Engine, Pipe, Section, Valve
from .kernel import A_BURNED, B_BURNED, R_FRESH, cycle, energy_of, temperature
from .solve import Run, contents

VALVE = Valve(1, 30.0, 0.0, 240.0, 2.4, 0.6)
GAMMA = 1.4028  # of this air at 330 K


def rig(pipes: tuple[Pipe, ...], boxes: tuple[Box, ...] = (), fineness: float = 1.0) -> Run:
    """Pipes and boxes without a cylinder, at 1 crank degree per second."""
    engine = Engine("rig", 80.0, 80.0, 140.0, (), (), VALVE, VALVE, pipes, boxes, (), (), 2.0)
    run = Run(engine, 1.0 / 6.0, (110.0, 110.0), EQUAL_LAWS, fineness)
    for i in range(len(boxes)):
        fill(run, 1 + i, 99e3, 300.0)
    return run


def fill(run: Run, box: int, p: float, t: float) -> None:
    """Set the state of a box."""
    mass = p * run.net.node_volume[box] / (R_FRESH * t)
    run.gas.nodes[:, box] = mass, mass * energy_of(t, 0.0), 0.0


def pour(run: Run, p: np.ndarray, u: np.ndarray, t: np.ndarray) -> None:
    """Set pressure, velocity and temperature along the only pipe."""
    mass = p * run.net.volume[:-1] / (R_FRESH * t)
    run.gas.cells[:, :-1] = mass, mass * u, mass * (energy_of(t, 0.0) + 0.5 * u * u), 0.0 * mass


def state(run: Run) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pressure, velocity, temperature of the first pipe."""
    cells = run.gas.cells[:, : run.net.last[0] + 1]
    u = cells[1] / cells[0]
    t = temperature(cells[2] / cells[0] - 0.5 * u * u, 0.0)
    return cells[0] / run.net.volume[: u.size] * R_FRESH * t, u, t


def after(run: Run, seconds: float, rows: int = 0) -> np.ndarray:
    """Let time pass; what was recorded."""
    record = np.zeros((rows, 1 + run.gas.nodes.shape[1] + run.net.end_cell.size))
    steps = cycle(run.net, run.work, run.gas, 0.0, seconds, record)
    assert steps > 0
    return record[:steps]


def exact(left: tuple[float, float, float], right: tuple[float, float, float], place: np.ndarray) -> np.ndarray:
    """Exact solution of the Riemann problem (density, velocity, pressure) at x/t (Toro 2009, chapter 4; memory)."""
    g = GAMMA

    def side(p: float, d: float, pk: float) -> float:
        c = sqrt(g * pk / d)
        if p > pk:
            return (p - pk) * sqrt(2.0 / ((g + 1.0) * d) / (p + (g - 1.0) / (g + 1.0) * pk))
        return 2.0 * c / (g - 1.0) * ((p / pk) ** ((g - 1.0) / (2.0 * g)) - 1.0)

    (dl, ul, pl), (dr, ur, pr) = left, right
    p = brentq(lambda x: side(x, dl, pl) + side(x, dr, pr) + ur - ul, 1e-6 * pl, 100.0 * pl)
    u = 0.5 * (ul + ur + side(p, dr, pr) - side(p, dl, pl))
    out = np.empty((3, place.size))
    for i, s in enumerate(place):
        d0, u0, p0, sign = (dl, ul, pl, 1.0) if s < u else (dr, ur, pr, -1.0)
        c, v, x = sqrt(g * p0 / d0), sign * u0, sign * s  # mirrored, so that the wave runs to the left
        star, k = sign * u, (g - 1.0) / (g + 1.0)
        if p > p0:
            speed = v - c * sqrt((g + 1.0) / (2.0 * g) * p / p0 + (g - 1.0) / (2.0 * g))
            inner = (d0 * (p / p0 + k) / (k * p / p0 + 1.0), star, p)
            found = (d0, v, p0) if x < speed else inner
        else:
            tail = star - c * (p / p0) ** ((g - 1.0) / (2.0 * g))
            if x < v - c:
                found = (d0, v, p0)
            elif x > tail:
                found = (d0 * (p / p0) ** (1.0 / g), star, p)
            else:
                a = 2.0 / (g + 1.0) + k / c * (v - x)
                fan = 2.0 / (g + 1.0) * (c + 0.5 * (g - 1.0) * v + x)
                found = (d0 * a ** (2.0 / (g - 1.0)), fan, p0 * a ** (2.0 * g / (g - 1.0)))
        out[:, i] = found[0], sign * found[1], found[2]
    return out


@pytest.mark.parametrize("velocity", [0.0, 0.75], ids=["Sod", "Toro's test 1"])
def test_a_shock_tube(velocity: float) -> None:
    """Sod (1978); Toro's first test, whose fan is sonic inside: no step may stand there."""
    long, p_left = 2.0, 1e5
    run = rig((Pipe("tube", "closed", "closed", (Section(1e3 * long, 1e3, 1e3),), 300.0, heat=0.0),), fineness=2.0)
    x = (np.arange(run.net.volume.size - 1) + 0.5) * run.net.step[0] - 0.5 * long
    d_left = p_left / (R_FRESH * 350.0)
    unit = sqrt(p_left / d_left)
    left, right = (d_left, velocity * unit, p_left), (0.125 * d_left, 0.0, 0.1 * p_left)
    pick = np.where(x < 0.0, 0, 1)
    d, u, p = (np.array([left[i], right[i]])[pick] for i in range(3))
    pour(run, p, u, p / (R_FRESH * d))
    seconds = 0.2 * long / unit
    after(run, seconds)
    p, u, t = state(run)
    want = exact(left, right, x / seconds)
    inner = (x > -0.2) & (x < 0.9)  # the closed ends are not heard there
    for got, wanted in zip((p / (R_FRESH * t), u, p), want, strict=True):
        error = np.abs(got - wanted) / np.ptp(wanted)
        assert error[inner].mean() < 0.012
        assert error[np.abs(x - 0.05) < 0.05].max() < 0.03  # inside the fan, where the second is sonic


def test_steady_flow_through_an_orifice_and_choking() -> None:
    """Isentropic flow to the throat's pressure; choked at 0.528 of the stagnation pressure (NACA 1135)."""
    pipe = Pipe("pipe", "high", "low", (Section(150.0, 40.0, 40.0),), 300.0, throat=12.0, heat=0.0, roughness=1e-4)
    area = 0.85 * 0.25 * pi * 0.012**2
    cp = 1.4 * 287.0 / 0.4
    for ratio in (0.95, 0.8, 0.6, 0.5, 0.3):
        run = rig((pipe,), (Box("high", "box", 1e6, 1e3), Box("low", "box", 1e6, 1e3)))
        fill(run, 1, 2e5, 300.0)
        fill(run, 2, 2e5 * ratio, 300.0)
        after(run, 0.06)
        run.gas.passed[:] = 0.0
        after(run, 0.01)
        into, out = run.gas.passed[0, 0] / 0.01, -run.gas.passed[1, 0] / 0.01
        behind = state(run)[0][0] / 2e5
        assert behind == pytest.approx(ratio, abs=0.012)  # the wide pipe adds almost nothing
        throat = max(behind, 0.5283)
        speed = sqrt(2.0 * cp * 300.0 * (1.0 - throat ** (0.4 / 1.4)))
        assert into == pytest.approx(area * 2e5 / (287.0 * 300.0) * throat ** (1 / 1.4) * speed, rel=0.004)
        assert out == pytest.approx(into, rel=0.004)
        if ratio <= 0.5:  # 0.0404 kg/s per Pa m² and root of K, air (handbooks of gas dynamics, memory)
            assert into == pytest.approx(area * 0.0404 * 2e5 / sqrt(300.0), rel=0.005)


def test_friction_of_a_long_pipe() -> None:
    """Bernoulli with Colebrook's friction, entered without loss and left with all of its head lost."""
    pipe = Pipe("pipe", "high", "low", (Section(3000.0, 30.0, 30.0),), 300.0, entry_loss=(0.0, 0.5), roughness=0.03)
    run = rig((pipe,), (Box("high", "box", 1e6, 1e3), Box("low", "box", 1e6, 1e3)))
    fill(run, 1, 1.03e5, 300.0)
    fill(run, 2, 1.0e5, 300.0)
    pour(run, np.full(run.net.volume.size - 1, 1e5), np.full(run.net.volume.size - 1, 35.0), np.array(300.0))
    after(run, 0.5)
    _, u, _ = state(run)
    mean, density = float(u.mean()), 1.015e5 / (287.0 * 300.0)
    darcy = friction_factor(Re=density * mean * 0.03 / 1.85e-5, eD=0.03 / 30.0)
    assert np.ptp(u) < 0.05 * mean
    assert 3e3 / (0.5 * density * mean**2) == pytest.approx(1.0 + darcy * 3.0 / 0.03, rel=0.04)


@pytest.mark.parametrize("heads", [-0.6, 0.0, 0.5])
def test_pressure_lost_where_gas_enters_and_leaves_a_pipe(heads: float) -> None:
    """Bernoulli: one head and the loss where it enters; none won back where it leaves (a merge keeps 0.6 at entry)."""
    pipe = Pipe("pipe", "high", "low", (Section(300.0, 50.0, 50.0),), 300.0, (heads, 0.5), heat=0.0, roughness=1e-4)
    run = rig((pipe,), (Box("high", "box", 1e6, 1e3), Box("low", "box", 1e6, 1e3)))
    fill(run, 1, 1.01e5, 300.0)
    fill(run, 2, 1.0e5, 300.0)
    cells = run.net.volume.size - 1
    pour(run, np.full(cells, 1e5), np.full(cells, 35.0), np.array(300.0))
    after(run, 0.2)
    p, u, _ = state(run)
    head = 0.5 * p[0] / (287.0 * 300.0) * u[0] ** 2
    assert (1.01e5 - p[0]) / head == pytest.approx(1.0 + heads, rel=0.03, abs=0.03)
    assert p[-1] == pytest.approx(1e5, abs=0.03 * head)


def period(record: np.ndarray, column: int) -> float:
    """Mean time between upward crossings of the mean."""
    t, p = record[:, 0], record[:, column] - record[:, column].mean()
    up = np.flatnonzero((p[:-1] < 0.0) & (p[1:] >= 0.0))
    at = t[up] - p[up] * (t[up + 1] - t[up]) / (p[up + 1] - p[up])
    return float(np.diff(at).mean())


def test_resonance_of_a_pipe_open_at_one_end() -> None:
    """f = c / 4 (L + 0.61 r) (Levine and Schwinger 1948)."""
    pipe = Pipe("pipe", "closed", "air", (Section(400.0, 40.0, 40.0),), 298.0, correction=(0.0, 0.6))
    run = rig((pipe,))
    x = np.linspace(0.0, 1.0, run.net.volume.size - 1)
    p = 99e3 * (1.0 + 0.005 * np.cos(0.5 * pi * x))
    pour(run, p, 0.0 * x, 298.0 * (p / 99e3) ** 0.2857)
    got = 1.0 / period(after(run, 0.02, 4000), 2)
    assert got == pytest.approx(sqrt(1.4 * 287.0 * 298.0) / 4.0 / (0.4 + 0.61 * 0.02), rel=0.01)


def test_a_box_and_its_neck_resonate() -> None:
    """Helmholtz: f = c / 2π · root of A / (V L), the neck with its end corrections."""
    neck = Pipe("neck", "box", "air", (Section(100.0, 40.0, 40.0),), 298.0, (0.0, 0.0), correction=(0.8, 0.6))
    run = rig((neck,), (Box("box", "plenum", 5.0, 200.0),))
    fill(run, 1, 99.5e3, 298.0)
    pour(run, np.full(run.net.volume.size - 1, 99e3), np.zeros(1), np.array(298.0))
    got = 1.0 / period(after(run, 0.1, 20000), 2)
    length, c = 0.1 + 1.4 * 0.02, sqrt(1.4 * 287.0 * 298.0)
    # lumped formula with its first correction for the neck's compliance, a third of its volume beside the box's
    area = 0.25 * pi * 0.04**2
    wanted = c / (2.0 * pi) * sqrt(area / (length * (5e-3 + area * length / 3.0)))
    assert got == pytest.approx(wanted, rel=0.02)


def test_air_and_burned_gas_have_the_energy_of_tables() -> None:
    """Against the tables that cantera carries: air by temperature, gas burned at lambda 0.88 in equilibrium."""
    gas = cantera.Solution("gri30.yaml")
    air = "O2:0.21,N2:0.78,AR:0.01"
    gas.TPX = 298.15, 1e5, air
    base = gas.int_energy_mass
    for t in (400.0, 700.0, 1000.0):
        gas.TPX = t, 1e5, air
        assert energy_of(t, 0.0) - energy_of(298.15, 0.0) == pytest.approx(gas.int_energy_mass - base, rel=0.013)
    gas.set_equivalence_ratio(1 / 0.88, {"C3H8": 1.74, "C2H2": 2.39}, air)
    gas.TP = 1500.0, 40e5
    gas.equilibrate("TP")
    burned = gas.X
    gas.TPX = 298.15, 40e5, burned
    base = gas.int_energy_mass
    for t in (600.0, 900.0, 1200.0, 1800.0, 2300.0, 2700.0):
        gas.TPX = t, 40e5, burned
        if t > 1500.0:
            gas.equilibrate("TP")
        got = A_BURNED * (t - 298.15) + 0.5 * B_BURNED * (t**2 - 298.15**2)
        assert got == pytest.approx(gas.int_energy_mass - base, rel=0.012, abs=7e3)


def test_nothing_is_lost_in_a_closed_network() -> None:
    """Waves between boxes, a taper and a step: mass and energy stay to rounding."""
    sections = (Section(200.0, 30.0, 50.0), Section(100.0, 60.0, 40.0))
    pipes = (
        Pipe("one", "a", "b", sections, 300.0, heat=0.0),
        Pipe("two", "b", "closed", (Section(150.0, 40.0, 40.0),), 300.0, heat=0.0),
    )
    run = rig(pipes, (Box("a", "box", 2.0, 100.0), Box("b", "box", 0.2, 60.0)))
    fill(run, 1, 3e5, 500.0)
    before = contents(run.net, run.gas)
    after(run, 0.01)
    assert contents(run.net, run.gas)[:2] == pytest.approx(before[:2], rel=1e-12)
    assert np.ptp(state(run)[0]) > 100.0  # there were waves
