"""The duct kernels against exact solutions of gas dynamics, on a gas of constant gamma."""

import numpy as np
import pytest

from phaseopt.cycle.config import Pipe, PipePiece
from phaseopt.cycle.end_correction import end_correction
from phaseopt.cycle.network import pipe_geometry

from . import riemann
from .rig import AIR, Bench, frequency, tube

# Toro, Riemann Solvers and Numerical Methods for Fluid Dynamics, table 4.1 and 6.2 (from memory): left, right, x0, t
TORO = [
    ((1.0, 0.75, 1.0), (0.125, 0.0, 0.1), 0.3, 0.2),
    ((1.0, -2.0, 0.4), (1.0, 2.0, 0.4), 0.5, 0.15),
    ((1.0, 0.0, 1000.0), (1.0, 0.0, 0.01), 0.5, 0.012),
    ((5.99924, 19.5975, 460.894), (5.99242, -6.19633, 46.0950), 0.4, 0.035),
    ((1.0, -19.59745, 1000.0), (1.0, -19.59745, 0.01), 0.8, 0.012),
]
SOD = ((1.0, 0.0, 1.0), (0.125, 0.0, 0.1), 0.5, 0.2)


def shock_tubes(cells, steps):
    x = (np.arange(cells) + 0.5) / cells
    cases = [SOD, *TORO]
    start = [np.where(x < x0, np.array(left)[:, None], np.array(right)[:, None]) for left, right, x0, _ in cases]
    got = tube(start, 1.0, [t for *_, t in cases], steps)
    exact = [riemann.sample(left, right, (x - x0) / t) for left, right, x0, t in cases]
    return got, exact


def test_sods_star_region_is_the_published_one():
    """Toro, chapter 4, test 1 (from memory): p* 0.30313, u* 0.92745, rho*L 0.42632, rho*R 0.26557."""
    assert riemann.star(SOD[0], SOD[1]) == pytest.approx((0.30313, 0.92745, 0.42632, 0.26557), abs=1e-5)


@pytest.fixture(scope="module")
def tubes():
    return shock_tubes(400, 1100), shock_tubes(100, 275)


def conserved(state):
    """Density, momentum and energy of density, velocity and pressure."""
    rho, u, p = state
    return np.array([rho, rho * u, 2.5 * p + 0.5 * rho * u**2])


@pytest.mark.parametrize("case", range(6))
def test_shock_tubes_converge_to_the_exact_solution(tubes, case):
    """Sod's and Toro's tests against an exact Riemann solver: L1 errors of what the scheme conserves.

    From 100 to 400 cells they fall at least as 4^(-2/3): a second-order scheme smears a contact over h^(2/3) and a
    shock over h (Harten 1977, from memory). At 400 cells they are below 1 % of the quantity's range. Velocity itself is
    not held to a rate: next to the near-vacuum of Toro's second test it hangs on gas that is hardly there.
    """
    (fine, exact_fine), (coarse, exact_coarse) = tubes
    for got, exact, before, exact_before in zip(
        conserved(fine[case]), conserved(exact_fine[case]), conserved(coarse[case]), conserved(exact_coarse[case]),
        strict=True,
    ):  # fmt: skip
        error = np.abs(got - exact).mean()
        assert error < 0.01 * np.ptp(exact)
        assert error < 4 ** (-2 / 3) * np.abs(before - exact_before).mean()


@pytest.mark.parametrize("case", [0, 1, 2, 3])
def test_no_new_extremes_in_shock_tubes(tubes, case):
    """Monotone: density and pressure stay within the exact solution's range, to half a per cent of it.

    Not held to it: Toro's fourth test (0.51 %, at the trace that the start leaves beside the contact, not at a shock),
    and the fifth (1.7 % behind a shock that hardly moves along the mesh; slow strong shocks ring in every scheme of
    this kind: Roberts 1990, from memory). An engine has neither.
    """
    (fine, exact), _ = tubes
    for field in (0, 2):
        slack = 5e-3 * np.ptp(exact[case][field])
        assert fine[case][field].max() < exact[case][field].max() + slack
        assert fine[case][field].min() > exact[case][field].min() - slack


def test_monotone_at_shocks():
    """Shocks of pressure ratio 1.1 to 8 run into still gas: no over- or undershoot beyond half a per cent of the jump.

    Density and pressure of the moving jump: Rankine-Hugoniot (any gas-dynamics text).
    """
    ratio = np.array([1.1, 1.2, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0])
    rho = 1.4 * (2.4 * ratio + 0.4) / (0.4 * ratio + 2.4)
    speed = np.sqrt(2.4 / 2.8 * (ratio - 1.0) + 1.0)  # of the shock; that of sound is one
    x = (np.arange(400) + 0.5) / 400
    start = [
        np.where(x < 0.3, np.array([[r], [m * (1.0 - 1.4 / r)], [p]]), np.array([[1.4], [0.0], [1.0]]))
        for r, m, p in zip(rho, speed, ratio, strict=True)
    ]
    for got, begun in zip(tube(start, 1.0, list(0.4 / speed), 1100), start, strict=True):
        for field in (0, 2):
            slack = 5e-3 * np.ptp(begun[field])
            assert got[field].max() < begun[field].max() + slack
            assert got[field].min() > begun[field].min() - slack
        at = x[np.argmax(got[2] < 0.5 * (begun[2].max() + 1.0))]
        assert at == pytest.approx(0.7, abs=2 / 400)


def test_second_order_on_a_smooth_wave():
    """A density wave carried round a periodic pipe comes back unchanged; L1 order from 160 to 320 cells."""
    errors = []
    for cells in (160, 320):
        x = (np.arange(cells) + 0.5) / cells
        wave = np.stack([1.0 + 0.2 * np.sin(2 * np.pi * x), np.ones(cells), np.ones(cells)])
        (end,) = tube([wave], 1.0, [1.0], 3 * cells, periodic=True)
        errors.append(np.abs(end[0] - wave[0]).mean())
    assert np.log2(errors[0] / errors[1]) > 1.8


def test_second_order_on_a_sound_wave():
    """A simple wave that steepens, against its exact solution by characteristics (Riemann invariants; any text).

    u = u0(x - (u + c) t) with c = 1 + 0.2 u and p, rho isentropic; L1 order of density from 160 to 320 cells.
    """

    def exact(cells, t):
        x = (np.arange(cells) + 0.5) / cells
        u = 0.05 * np.sin(2 * np.pi * x)
        for _ in range(200):
            u = 0.05 * np.sin(2 * np.pi * (x - (1.0 + 1.2 * u) * t))
        c = 1.0 + 0.2 * u
        return np.stack([1.4 * c**5, u, c**7])

    errors = []
    for cells in (160, 320):
        (end,) = tube([exact(cells, 0.0)], 1.0, [1.0], 2 * cells, periodic=True)
        errors.append(np.abs(end[0] - exact(cells, 1.0)[0]).mean())
    assert np.log2(errors[0] / errors[1]) > 1.8


def straight(length, diameter, cells, friction=0.0, open_ends=(0.0, 0.0)):
    pipe = Pipe((PipePiece(length, diameter, diameter),), 300.0, friction=friction, wall_heat=0.0)
    return pipe_geometry(pipe, length / cells, AIR.kernel, 0.0, open_ends)


def test_quarter_wave():
    """A pipe shut at one end sings at c / 4 (L + 0.6 r): textbook acoustics."""
    bench = Bench([straight(800.0, 40.0, 32, open_ends=(0.0, end_correction(40.0, None)))], ["wall", 1])
    shape = np.cos(np.pi / 2 * (np.arange(len(bench.rows)) - 0.5) / (len(bench.rows) - 2))
    bench.rows[:, 2] *= 1 + 0.005 * shape[:, None]
    bench.rows[:, 4] = 2.5 * bench.rows[:, 2]
    dt, signal = 5e-5, []
    for _ in range(1500):
        bench.run(dt, 1)
        signal.append(bench.rows[1, 2, 0])
    expected = np.sqrt(1.4 * 287.05 * 300.0) / (4 * (0.8 + 0.6 * 0.02))
    assert frequency(np.array(signal), dt) == pytest.approx(expected, rel=0.02)


def test_helmholtz_resonator():
    """A volume with a neck swings at c / 2 pi sqrt(A / (L V)), L longer by 0.6 r at either end: textbook acoustics."""
    thin = end_correction(40.0, None)
    bench = Bench([straight(150.0, 40.0, 10, open_ends=(thin, thin))], [2, 1], volume=0.008)
    bench.fill(1.003e5, 300.0)
    dt, signal = 3e-5, []
    for _ in range(3000):
        bench.run(dt, 1)
        signal.append(bench.volume[3, 0])
    neck = 0.15 + 2 * 0.6 * 0.02
    expected = np.sqrt(1.4 * 287.05 * 300.0) / (2 * np.pi) * np.sqrt(np.pi / 4 * 0.04**2 / (neck * 0.008))
    assert frequency(np.array(signal), dt) == pytest.approx(expected, rel=0.02)


def test_steady_friction_is_fanno_flow():
    """Mach numbers along a long rough pipe against 4 f L* / D of Fanno flow (any gas-dynamics text)."""

    def star_length(m, g=1.4):
        return (1 - m**2) / (g * m**2) + (g + 1) / (2 * g) * np.log((g + 1) * m**2 / (2 + (g - 1) * m**2))

    bench = Bench([straight(3000.0, 30.0, 60, friction=0.006)], [0, 1], spaces=((1.6e5, 300.0), (1e5, 300.0)))
    bench.run(8e-5, 3000)
    cells = bench.rows[1:-1, :, 0]
    mach = cells[:, 1] / np.sqrt(1.4 * cells[:, 2] / cells[:, 0])
    lost = star_length(mach[5]) - star_length(mach[54])
    assert 0.2 < mach[5] < mach[54] < 0.9
    assert lost == pytest.approx(4 * 0.006 * 49 * 0.05 / 0.03, rel=0.01)


def test_a_bend_loses_its_dynamic_heads_in_its_own_piece():
    """Steady flow through a piece with a loss of one head, between two without: within 3 %, and nothing elsewhere."""
    pieces = [PipePiece(300.0, 40.0, 40.0), PipePiece(100.0, 40.0, 40.0, 1.0), PipePiece(300.0, 40.0, 40.0)]
    pipe = Pipe(tuple(pieces), 300.0, friction=0.0, wall_heat=0.0)
    bench = Bench(
        [pipe_geometry(pipe, 20.0, AIR.kernel, 0.0, (0.0, 0.0))], [0, 1], spaces=((1.01e5, 300.0), (1e5, 300.0))
    )
    bench.run(4e-5, 20000)
    c = bench.rows[1:-1, :, 0]
    head = 0.5 * c[:, 0] * c[:, 1] ** 2
    total = c[:, 2] + head
    assert (total[13] - total[22]) / head[17] == pytest.approx(1.0, rel=0.03)
    assert abs(total[3] - total[13]) < 0.02 * head[17]


def test_taper_at_rest_stays_at_rest():
    """Still air in a cone does not start to move."""
    cone = Pipe((PipePiece(300.0, 60.0, 30.0),), 300.0)
    bench = Bench([pipe_geometry(cone, 15.0, AIR.kernel, 0.0, (0.0, 0.0))], ["wall", "wall"])
    bench.run(3e-5, 200)
    assert np.abs(bench.rows[1:-1, 1]).max() < 1e-9


def test_bernoulli_through_a_taper():
    """Slow steady flow through a smooth contraction: p + rho v^2 / 2 is the same before and after (textbook)."""
    cone = Pipe(
        (PipePiece(300.0, 40.0, 40.0), PipePiece(300.0, 40.0, 32.0), PipePiece(300.0, 32.0, 32.0)), 300.0, 0.0, 0.0
    )
    bench = Bench(
        [pipe_geometry(cone, 15.0, AIR.kernel, 0.0, (0.0, 0.0))], [0, 1], spaces=((1.005e5, 300.0), (1e5, 300.0))
    )
    bench.run(3.5e-5, 20000)
    c = bench.rows[1:-1, :, 0]
    total = c[:, 2] + 0.5 * c[:, 0] * c[:, 1] ** 2
    assert np.ptp(total) < 0.02 * 0.5 * c[-1, 0] * c[-1, 1] ** 2
