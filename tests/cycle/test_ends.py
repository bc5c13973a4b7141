"""Orifices and junctions against published formulae."""

import math

import fluids
import numpy as np
import pytest

from phaseopt.cycle import butterfly, ducts, junction, march, orifice
from phaseopt.cycle.gas import constant_gamma
from phaseopt.cycle.lanes import LANES
from phaseopt.cycle.valves import Valve, effective_area, flow_area
from phaseopt.values.errors import InputError

from .rig import Bench
from .test_ducts import straight


@pytest.mark.parametrize("gamma", [1.28, 1.33, 1.4])
@pytest.mark.parametrize("ratio", [0.95, 0.8, 0.6, 0.45, 0.2])
def test_nozzle_flow_choked_and_not(gamma, ratio):
    """Isentropic nozzle from package `fluids`: P_critical_flow, is_critical_flow, isentropic_T_rise_compression."""
    p0, theta0 = 2e5, 287.05 * 400.0
    throat = max(ratio * p0, fluids.P_critical_flow(p0, gamma))
    assert fluids.is_critical_flow(p0, ratio * p0, gamma) == (throat > ratio * p0)
    t = fluids.isentropic_T_rise_compression(400.0, p0, throat, gamma)
    speed = math.sqrt(2 * gamma / (gamma - 1) * 287.05 * (400.0 - t))
    expected = throat / (287.05 * t) * speed
    assert math.sqrt(orifice.nozzle_squared(p0, theta0, ratio * p0, gamma)) == pytest.approx(expected, rel=1e-5)


def test_choked_flow_number():
    """m sqrt(R T0) / (A p0) = 0.6847 for gamma 1.4: NACA Report 1135."""
    assert math.sqrt(orifice.nozzle_squared(1.0, 1.0, 0.3, 1.4)) == pytest.approx(0.6847, abs=1e-4)


@pytest.mark.parametrize("volume", [2e-3, 2e-5])
def test_a_throttle_fills_a_volume(volume):
    """Choked at first: pressure rises by gamma R T m / V, m choked flow of package `fluids`; then level and still.

    The second volume is so small, for its throttle, that it fills within two steps.
    """
    bench = Bench([straight(100.0, 40.0, 4)], ["wall", "wall"], volume=volume)
    bench.fill(2e4, 300.0)
    bench.volume[march.V_THROTTLE] = area = 1e-4
    dt = 5e-5
    critical = fluids.P_critical_flow(1e5, 1.4)
    flow = critical / (287.05 * fluids.T_critical_flow(300.0, 1.4)) * math.sqrt(1.4 * 287.05 * 250.0) * area
    per_step = dt * 1.4 * 287.05 * 300.0 * flow / volume
    choked = int((critical - 2e4) / per_step)
    bench.run(dt, choked)
    assert bench.volume[march.V_P, 0] == pytest.approx(2e4 + choked * per_step, rel=2e-3)
    bench.run(dt, 2000)
    assert bench.volume[march.V_P] == pytest.approx(1e5, rel=1e-6)


@pytest.mark.parametrize("mach", [0.1, 0.3, 0.6, 0.9])
def test_stagnation_pressure(mach):
    """Series against package `fluids`: P_stagnation from stagnation temperature."""
    t0 = 300.0 * (1 + 0.2 * mach**2)
    expected = fluids.P_stagnation(1e5, 300.0, t0, 1.4)
    v = mach * math.sqrt(1.4 * 287.05 * 300.0)
    assert orifice.stagnation(1e5, 1e5 / (287.05 * 300.0), v, 1.4) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("pressure", [1.02e5, 1.3e5, 3e5])
def test_jet_into_a_pipe_carries_the_nozzles_flow(pressure):
    """A steady jet through a part-open throat: what the pipe carries is nozzle flow at the pipe's end pressure."""
    x = np.zeros(orifice.SCRATCH)
    f = x.reshape(-1, LANES)
    f[orifice.PHI_OUT] = f[orifice.PHI_IN] = 0.3
    f[orifice.SPACE_P], f[orifice.SPACE_TH], f[orifice.SPACE_G] = pressure, 287.05 * 300, 1.4
    f[orifice.SPACE_H] = 3.5 * 287.05 * 300
    f[orifice.PIPE_RHO], f[orifice.PIPE_P], f[orifice.PIPE_G] = 1e5 / (287.05 * 300), 1e5, 1.4
    orifice.solve_orifice(x)
    orifice.finish_orifice(x, constant_gamma(1.4).kernel)
    flow = 0.3 * math.sqrt(orifice.nozzle_squared(pressure, 287.05 * 300, f[orifice.FACE_P, 0], 1.4))
    assert -f[orifice.MASS, 0] == pytest.approx(flow, rel=1e-6)
    assert -f[orifice.FACE_RHO, 0] * f[orifice.FACE_V, 0] == pytest.approx(flow, rel=2e-3)


def test_junction_keeps_mass_energy_and_composition():
    """What flows into a junction flows out of it, to rounding."""
    areas = np.array([1.0e-3, 1.2e-3, 0.8e-3, 2e-3])
    x = junction.junction_scratch(areas, 1e5, 287.05 * 600)
    rng = np.random.default_rng(3)
    branch = x.reshape(4, junction.BRANCH, LANES)
    branch[:, junction.RHO] = rng.uniform(0.4, 0.8, (4, LANES))
    branch[:, junction.V] = rng.uniform(-80, 150, (4, LANES))
    branch[:, junction.P] = rng.uniform(0.9e5, 1.5e5, (4, LANES))
    branch[:, junction.Y] = rng.uniform(0, 1, (4, LANES))
    branch[:, junction.G] = 1.35
    junction.solve_junction(x, 4, constant_gamma(1.35).kernel)
    for field in (junction.MASS, junction.ENERGY, junction.BURNED):
        flows = branch[:, field] * areas[:, None]
        assert np.abs(flows.sum(axis=0)).max() < 1e-13 * np.abs(flows).sum(axis=0).max()


def test_two_pipes_in_line_are_one():
    """A pulse passes a junction of two equal pipes as if it were not there."""
    whole = Bench([straight(800.0, 40.0, 40)], ["wall", "wall"])
    halves = Bench(
        [straight(400.0, 40.0, 20), straight(400.0, 40.0, 20)],
        ["wall", "junction", "junction", "wall"],
        [(1, 2)],
    )
    bump = 1e5 * (1 + 0.1 * np.exp(-(((np.arange(40) - 10) / 3) ** 2)))
    for bench, rows in ((whole, [slice(1, 41)]), (halves, [slice(1, 21), slice(23, 43)])):
        for r, part in zip(rows, np.split(bump, len(rows)), strict=True):
            bench.rows[r, 2] = part[:, None]
            bench.rows[r, 4] = 2.5 * part[:, None]
        bench.run(4e-5, 30)
    joined = np.concatenate([halves.rows[1:21, 2, 0], halves.rows[23:43, 2, 0]])
    assert np.abs(joined - whole.rows[1:41, 2, 0]).max() < 0.02 * 5e3  # the pulse splits in two of 5 kPa


VALVE = Valve(32.5, 28.0, 5.5, 1.2, 45.0, ((0.0, 0.7), (0.3, 0.6)), ((0.0, 0.7), (0.3, 0.6)))


def test_valve_area_by_stage():
    """Heywood 1988, eq. 6.7-6.9 (from memory), one lift in each stage, worked by hand; continuous where stages meet."""
    low = math.pi * 1.0 * math.cos(math.pi / 4) * (32.5 - 2.4 + 0.5)
    middle = math.pi * 31.3 * math.sqrt((4.0 - 1.2) ** 2 + 1.2**2)
    high = math.pi / 4 * (28.0**2 - 5.5**2)
    assert flow_area(VALVE, np.array([1.0, 4.0, 12.0])) == pytest.approx([low, middle, high])
    lift = np.linspace(0, 12, 4001)
    assert np.abs(np.diff(flow_area(VALVE, lift))).max() < 0.5


def test_coefficient_follows_the_flow_table():
    """Area times the table's coefficient, linear between rows."""
    lift = np.array([0.15 * 32.5])
    assert effective_area(VALVE, lift, inward=False) == pytest.approx(flow_area(VALVE, lift) * 0.65)


def test_impossible_valves_are_refused():
    """A flow table that falls below zero, a stem wider than its throat."""
    with pytest.raises(InputError, match="outside 0"):
        Valve(32.5, 28.0, 5.5, 1.2, 45.0, ((0.0, 0.7), (0.3, -0.1)), ((0.0, 0.7), (0.3, 0.6)))
    with pytest.raises(InputError, match="do not fit"):
        Valve(32.5, 28.0, 29.0, 1.2, 45.0, ((0.0, 0.7), (0.3, 0.6)), ((0.0, 0.7), (0.3, 0.6)))


def in_line(phi, before=40.0, behind=40.0, spaces=((1.01e5, 300.0), (1e5, 300.0)), cells=20):
    """A throttle between two pipes from one space to another."""
    pipes = [straight(20.0 * cells, before, cells), straight(20.0 * cells, behind, cells)]
    bench = Bench(pipes, [0, "junction", "junction", 1], [(1, 2)], spaces=spaces)
    bench.streams[0, 0] = march.THROTTLE
    scratch = butterfly.throttle_scratch(before**2, behind**2).reshape(-1, LANES)
    scratch[butterfly.PHI] = phi
    bench.junctions[0] = scratch.ravel()
    return bench


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("lost", [0.0, 0.24, 3.91, 32.6])
def test_a_throttle_in_line_loses_its_dynamic_heads(lost, back):
    """Steady flow either way; a butterfly at 5, 30 and 50 degrees: Weisbach's table (from memory), within 3 %."""
    high, low = (1.01e5, 300.0), (1e5, 300.0)
    bench = in_line(1.0 / math.sqrt(1.0 + lost), spaces=(low, high) if back else (high, low))
    bench.run(5e-5, 8000)
    before, behind = bench.rows[[40, 3] if back else [3, 40], :, 0]
    heads = [0.5 * c[ducts.RHO] * c[ducts.U] ** 2 for c in (before, behind)]
    fall = before[ducts.P] + heads[0] - behind[ducts.P] - heads[1]
    assert fall / heads[1] == pytest.approx(lost, rel=0.03, abs=0.01)


def test_a_nearly_shut_throttle_in_line_chokes():
    """Flow of a choked nozzle of its throat (package `fluids`), within 1 %, and no more behind a deeper vacuum."""
    flows = []
    for low in (0.4e5, 0.2e5):
        bench = in_line(0.1, spaces=((1e5, 300.0), (low, 300.0)))
        bench.run(2e-5, 12000)
        cell = bench.rows[10, :, 0]
        flows.append(cell[ducts.RHO] * cell[ducts.U])
    critical = fluids.P_critical_flow(1e5, 1.4)
    t = fluids.T_critical_flow(300.0, 1.4)
    assert flows[0] == pytest.approx(0.1 * critical / (287.05 * t) * math.sqrt(1.4 * 287.05 * t), rel=0.01)
    assert flows[1] == pytest.approx(flows[0], rel=2e-3)


def test_a_throttle_that_loses_nothing_is_not_there():
    """A pulse of 10 kPa passes as in one pipe; a shut one sends all of it back (textbook)."""
    whole, open_, shut = Bench([straight(800.0, 40.0, 40)], ["wall", "wall"]), in_line(1.0), in_line(0.0)
    bump = 1e5 * (1 + 0.1 * np.exp(-(((np.arange(40) - 10) / 3) ** 2)))
    for bench, rows in ((whole, [slice(1, 41)]), (open_, [slice(1, 21), slice(23, 43)]), (shut, [slice(1, 21)])):
        for r, part in zip(rows, np.split(bump, 2) if len(rows) == 2 else [bump[: r_len(rows[0])]], strict=True):
            bench.rows[r, 2] = part[:, None]
            bench.rows[r, 4] = 2.5 * part[:, None]
        bench.ends[:] = np.where((bench.ends[:, :1] == march.SPACE), [march.WALL, -1, 0, -1], bench.ends)
        bench.run(4e-5, 30)
    joined = np.concatenate([open_.rows[1:21, 2, 0], open_.rows[23:43, 2, 0]])
    assert np.abs(joined - whole.rows[1:41, 2, 0]).max() < 0.02 * 5e3
    assert np.ptp(shut.rows[23:43, 2, 0]) < 1e-6


def r_len(rows):
    """Length of a slice."""
    return rows.stop - rows.start


def test_a_throttle_in_line_keeps_mass_energy_and_composition():
    """What arrives leaves, to rounding, at steps of width and any opening, either way."""
    x = butterfly.throttle_scratch(1.2e-3, 1.0e-3)
    branch = x.reshape(2, junction.BRANCH, LANES)
    rng = np.random.default_rng(4)
    branch[:, junction.RHO] = rng.uniform(0.9, 1.3, (2, LANES))
    branch[:, junction.V] = rng.uniform(-120, 120, (2, LANES))
    branch[:, junction.P] = rng.uniform(0.4e5, 1.2e5, (2, LANES))
    branch[:, junction.Y] = rng.uniform(0, 1, (2, LANES))
    branch[:, junction.G] = 1.35
    branch[0, butterfly.PHI] = np.linspace(0.01, 1.0, LANES)
    butterfly.solve_throttle(x, constant_gamma(1.35).kernel)
    for field in (junction.MASS, junction.ENERGY, junction.BURNED):
        flows = branch[:, field] * np.array([[1.2e-3], [1.0e-3]])
        assert np.abs(flows.sum(axis=0)).max() < 1e-13 * np.abs(flows).sum(axis=0).max()
        assert np.abs(flows).min() > 0.0
