"""Intake and exhaust as lists of parts: what they make, that nothing is lost in it, and published formulas for each."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engines import project_of
from pipework import AIRBOX, EVERYTHING, FOUR_TWO_ONE, PLENUM, pipe, sides

from phaseopt.cycle import butterfly, ducts, junction, lining, march
from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.lanes import LANES
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import mean_state
from phaseopt.project.load import load_project
from phaseopt.project.pipes import MOUTHS

from .rig import AIR, Bench, circle
from .sample import MESH
from .test_ducts import straight
from .test_from_project import FOUR, config_of

SOUND = math.sqrt(1.4 * 287.05 * 300.0)  # of the rig's air


def listed(folder: Path, intake: Any = None, exhaust: Any = None, order: Any = FOUR) -> CycleConfig:
    """The configuration of an engine with these lists."""
    cycle = sides(intake, exhaust)
    return cycle_config(project_of(folder, cylinders=len(order), firing_order=order, cycle=cycle))


def test_a_list_of_the_usual_parts_is_the_short_form(tmp_path: Path) -> None:
    """The same engine written either way: the same torque, but for rounding (parts are summed in another order)."""
    points = np.array([[3000.0, 60.0, 110.0, 110.0], [6000.0, 96.0, 110.0, 110.0]])
    short, long = (
        Simulator(c, MESH).run(points) for c in (config_of(tmp_path), listed(tmp_path, PLENUM, FOUR_TWO_ONE))
    )
    assert long.settled.all()
    assert long.torque == pytest.approx(short.torque, rel=1e-9)


def contents(net: Any) -> tuple[np.ndarray, np.ndarray]:
    """Mass and energy in all pipes, volumes, cans and cylinders, by lane."""
    mass, energy = np.zeros(LANES), np.zeros(LANES)
    for name in net.names:
        at = net.pipe(name)
        size = 1.0 / net.arrays.geo[at, ducts.INV_VOLUME][:, None]
        mass += (net.rows[at, ducts.RHO] * size).sum(axis=0)
        energy += (net.rows[at, ducts.ENERGY] * size).sum(axis=0)
    cans = net.arrays.cans.reshape(-1, lining.CAN_FIELDS, LANES)
    for states, m, e in (
        (net.volumes, march.V_MASS, march.V_INNER),
        (net.cylinders, cyl.MASS, cyl.INNER),
        (cans, lining.C_MASS, lining.C_INNER),
    ):
        mass += states[:, m].sum(axis=0)
        energy += states[:, e].sum(axis=0)
    return mass, energy


def test_twelve_cylinders_with_every_part_keep_mass_and_energy(tmp_path: Path) -> None:
    """Two banks with different exhausts that share a chamber: outer ends shut, nothing burns; to 1e-10."""
    order = [1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9]
    config = replace(listed(tmp_path, AIRBOX, EVERYTHING, order), wall_heat=0.0, completeness=0.0)
    s = Simulator(config, MESH)
    arrays = s.net.arrays
    air = (arrays.ends[:, march.KIND] == march.SPACE) & (arrays.ends[:, march.TARGET] < march.FIXED_SPACES)
    assert air.sum() == 3
    arrays.ends[air] = [march.WALL, -1, 0, -1]
    arrays.geo[:, ducts.HEAT] = 0.0
    s.net.throttles[:, butterfly.PHI] = 0.4
    s.points[:] = 110.0
    s.points[0] = np.linspace(2500.0, 6000.0, LANES)
    s.set_steps(2400)
    mass, energy = contents(s.net)
    cans = arrays.cans.copy()
    for _ in range(2):
        assert (s.cycle() < 1.0).all()
        air = s.net.cylinders[:, cyl.INTAKE].sum(axis=0) * s.gas.air_share
        mass += s.gas.fuel[0] * air
        energy += s.gas.fuel[1] * air - s.net.cylinders[:, cyl.WORK].sum(axis=0)
    after, inner = contents(s.net)
    assert np.abs(after / mass - 1.0).max() < 1e-10
    assert np.abs(inner / energy - 1.0).max() < 1e-10
    assert np.abs(mean_state(s.net, cyl.WORK)).min() > 1.0  # it did something
    assert np.abs(arrays.cans[:, :LANES] / cans[:, :LANES] - 1.0).max() > 0.01
    assert np.ptp(s.net.throttles[:, junction.BRANCH + junction.FACE_P]) > 100.0


def test_parts_are_as_large_as_they_were_written(tmp_path: Path) -> None:
    """By hand: rooms of a chamber and a packed can in litres, channels of a catalyst."""
    order = [1, 12, 5, 8, 3, 10, 6, 7, 2, 11, 4, 9]
    net = Simulator(listed(tmp_path, AIRBOX, EVERYTHING, order), MESH).net

    def litres(name: str) -> float:
        return float((1e3 / net.arrays.geo[net.pipe(name), ducts.INV_VOLUME]).sum())

    inside, two_in, two_out = circle(200.0), 2 * circle(60.0), circle(60.0) + circle(50.0)
    assert litres("chamber") == pytest.approx(250.0 * inside * 1e-6)
    assert litres("chamber, around the inlet") == pytest.approx(100.0 * (inside - two_in) * 1e-6)
    assert litres("chamber, around the outlet") == pytest.approx(150.0 * (inside - two_out) * 1e-6)
    assert litres("left catalyst") == pytest.approx(150.0 * 0.7 * circle(120.0) * 1e-6)
    (catalyst,), (silencer,) = (net.arrays.lining[net.arrays.lined[:, 1] == k] for k in (lining.LAMINAR, lining.PACKED))
    channel = math.sqrt(0.7 / 200.0) * 25.4e-3  # 200 of them, open by 0.7, on a square inch
    assert catalyst[lining.DRAG] == pytest.approx(28.5 / channel**2)
    at = net.pipe("silencer")
    cells = at.stop - at.start
    assert cells * silencer[lining.SIZE] == pytest.approx(500.0 * (circle(120.0) - circle(60.0)) * 1e-9)
    assert cells * silencer[lining.WALL] == pytest.approx(math.pi * 0.06 * 0.5)


def test_pipes_that_part_and_meet_again_and_again_are_each_followed_once(tmp_path: Path) -> None:
    """Two pipes between each two of 25 junctions: 2^24 ways from the throttle to a cylinder."""
    joints = [{"part": "junction", "name": f"J{i}"} for i in range(25)]
    pairs = [pipe(f"pair {i}", [f"J{i}"] * 2, [f"J{i + 1}"] * 2, (40, 44)) for i in range(24)]
    ends = [pipe("log", "plenum", "J0", (40, 60)), pipe("runner", "J24", "each cylinder", (250, 42))]
    net = Simulator(listed(tmp_path, [*PLENUM[:2], *joints, *pairs, *ends]), MESH).net
    assert len(net.filled) == 1 + 48 + 4
    assert set(net.behind) == {0}


def loss_of_sound(bench: Any, plain: Any, at: int, dt: float, steps: int) -> tuple[np.ndarray, np.ndarray]:
    """Transmission loss [dB] by frequency [Hz]: a pulse's spectrum behind a silencer, and with plain pipe there."""
    spectra = []
    for b, row in ((bench, at), (plain, at)):
        bump = (1e5 * (1.0 + 1e-3 * np.exp(-(((np.arange(60) - 30) / 4.0) ** 2))))[:, None]
        r = b.rows[FAR - 60 : FAR]
        r[:, ducts.P] = bump
        r[:, ducts.RHO] *= (bump / 1e5) ** (1 / 1.4)
        r[:, ducts.U] = (bump - 1e5) / (1.4 * 1e5) * SOUND
        r[:, ducts.ENERGY] = 2.5 * bump + 0.5 * r[:, ducts.RHO] * r[:, ducts.U] ** 2
        signal = np.empty(steps)
        for i in range(steps):
            b.run(dt, 1)
            signal[i] = b.rows[row, ducts.P, 0] - 1e5
        spectra.append(np.abs(np.fft.rfft(signal, 16 * steps)))
    return np.fft.rfftfreq(16 * steps, dt), 20.0 * np.log10(spectra[1] / spectra[0])


CELL, FAR = Mesh().tail, 300  # production cells [mm], and how many to an end whose echo comes too late


def chamber_bench(length: float, width: float, reach: tuple[float, float] = (0.0, 0.0)) -> Any:
    """A pipe of 50 mm, a chamber, and a long pipe of 50 mm, cells as in production; ends far away."""
    rest = length - sum(reach)
    pipes = [straight(FAR * CELL, 50.0, FAR), straight(rest, width, max(4, round(rest / CELL)))]
    pipes.append(straight(FAR * CELL, 50.0, FAR))
    ends, joints = ["wall", *["junction"] * 4, "wall"], [[1, 2], [3, 4]]
    annulus = math.sqrt(width**2 - 50.0**2)
    for side, long in enumerate(reach):
        if long:
            pipes.append(straight(long, annulus, max(2, round(long / CELL))))
            joints[side].append(len(ends) + (1 if side == 0 else 0))
            ends += ["wall", "junction"] if side == 0 else ["junction", "wall"]
    bench = Bench(pipes, ends, joints)
    bench.streams[:] = 1.0, *junction.stream_cosines(0.0)
    return bench


@pytest.mark.parametrize(("length", "width"), [(400.0, 150.0), (600.0, 120.0), (300.0, 200.0)])
def test_a_chamber_silences_by_the_plane_wave_formula(length: float, width: float) -> None:
    """10 log10(1 + (m - 1/m)^2 sin^2(kL) / 4), Munjal, Acoustics of Ducts and Mufflers (from memory), to 600 Hz.

    Within 1 dB; where a chamber lets everything pass within 1 % of the frequency. In cold air, where waves are
    shorter than in any exhaust.
    """
    bench = chamber_bench(length, width)
    row = int(bench.pipes[2, 0]) + 5
    plain = Bench([straight(2 * FAR * CELL, 50.0, 2 * FAR)], ["wall", "wall"])
    steps, dt = 520, 0.9 * CELL * 1e-3 / SOUND
    frequency, loss = loss_of_sound(bench, plain, row, dt, steps)
    m, k = (width / 50.0) ** 2, 2 * np.pi * frequency / SOUND
    formula = 10.0 * np.log10(1.0 + 0.25 * (m - 1 / m) ** 2 * np.sin(k * length / 1e3) ** 2)
    heard = (frequency > 40.0) & (frequency < 600.0)
    assert np.abs(loss - formula)[heard].max() < 1.0
    zero = SOUND / (2 * length / 1e3)
    near = np.abs(frequency / zero - 1.0) < 0.1
    assert frequency[near][loss[near].argmin()] == pytest.approx(zero, rel=0.01)


def test_pipes_that_reach_into_a_chamber_close_its_gaps() -> None:
    """Where a chamber passes everything, at half a wave, pipes that reach in by a quarter of it silence.

    Munjal, Acoustics of Ducts and Mufflers (from memory): an inlet that reaches in by L/2 and an outlet by L/4 have
    peaks of their own at c / 2L and c / L, just where the chamber has its zeros.
    """
    length = 400.0
    bench = chamber_bench(length, 150.0, (length / 2, length / 4))
    plain = Bench([straight(2 * FAR * CELL, 50.0, 2 * FAR)], ["wall", "wall"])
    frequency, loss = loss_of_sound(bench, plain, int(bench.pipes[2, 0]) + 5, 0.3 * CELL * 1e-3 / SOUND, 1600)
    for zero in (SOUND / 0.8, SOUND / 0.4):
        assert loss[np.abs(frequency / zero - 1.0) < 0.05].max() > 25.0


def steady(bench: Bench, dt: float, steps: int) -> np.ndarray:
    """Cells of a bench once still: (cells, fields of ducts.py)."""
    bench.run(dt, steps)
    return bench.rows[:, :, 0]


@pytest.mark.parametrize(("wide", "narrow"), [(60.0, 40.0), (80.0, 40.0)])
def test_a_step_in_width_loses_what_handbooks_say(wide: float, narrow: float) -> None:
    """Borda-Carnot (1 - m)^2 where a pipe widens, 0.5 (1 - m) where it narrows (Crane TP 410), of the narrow's head."""
    m = (narrow / wide) ** 2
    for first, last, expected in ((narrow, wide, (1 - m) ** 2), (wide, narrow, 0.5 * (1 - m))):
        pipes = [straight(400.0, first, 10), straight(400.0, last, 10)]
        bench = Bench(pipes, [0, "junction", "junction", 1], [(1, 2)], spaces=((1.01e5, 300.0), (1e5, 300.0)))
        bench.streams[:] = 1.0, *junction.stream_cosines(0.0)
        bench.junctions.reshape(2, -1, LANES)[0, junction.BRANCH - 5] = 1.0  # the first pipe ends there
        cells = steady(bench, 9e-5, 8000)
        before, after = cells[8], cells[15]
        heads = [0.5 * c[ducts.RHO] * c[ducts.U] ** 2 for c in (before, after)]
        lost = before[ducts.P] + heads[0] - after[ducts.P] - heads[1]
        assert lost / max(heads) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("angle", [30.0, 60.0, 90.0])
def test_a_stream_that_turns_loses_what_was_measured(angle: float) -> None:
    """One stream into a pipe of equal width: K = 2 - 2 cos(3/4 angle), Bassett et al., SAE 2003-01-0370 (from memory).

    Ours loses less where the stream speeds up again: within 0.2 heads. A mitre of 90 degrees has 1.1 to 1.3
    (handbooks).
    """
    pipes = [straight(400.0, 40.0, 10), straight(400.0, 40.0, 10)]
    bench = Bench(pipes, [0, "junction", "junction", 1], [(1, 2)], spaces=((1.01e5, 300.0), (1e5, 300.0)))
    bench.streams[:] = 1.0, *junction.stream_cosines(angle)
    bench.junctions.reshape(2, -1, LANES)[0, junction.BRANCH - 5] = 1.0
    cells = steady(bench, 9e-5, 8000)
    before, after = cells[8], cells[15]
    heads = [0.5 * c[ducts.RHO] * c[ducts.U] ** 2 for c in (before, after)]
    lost = (before[ducts.P] + heads[0] - after[ducts.P] - heads[1]) / heads[0]
    assert lost == pytest.approx(2.0 - 2.0 * math.cos(math.radians(0.75 * angle)), abs=0.2)


@pytest.mark.parametrize("angle", [45.0, 60.0])
def test_a_stream_that_turns_back_loses_the_same_as_one_that_turns(angle: float) -> None:
    """Out of a pipe that starts in the junction, and between two that both end there: by the angle of their streams.

    Two pipes at 45 or 60 degrees to the axis are 90 or 60 apart for a stream from one into the other; as above.
    """
    straights = [straight(400.0, 40.0, 10), straight(400.0, 40.0, 10)]
    lost = []
    for ends, meeting, spaces, both, rows in (
        ([0, "junction", "junction", 1], (1, 2), (1e5, 1.01e5), 0.0, (15, 8)),
        ([0, "junction", 1, "junction"], (1, 3), (1.01e5, 1e5), 1.0, (8, 20)),
    ):
        bench = Bench(straights, ends, [meeting], spaces=tuple((p, 300.0) for p in spaces))
        bench.streams[:] = 1.0, *junction.stream_cosines(angle)
        bench.junctions.reshape(2, -1, LANES)[:, junction.BRANCH - 5] = [[1.0], [both]]
        before, after = steady(bench, 9e-5, 8000)[list(rows)]
        heads = [0.5 * c[ducts.RHO] * c[ducts.U] ** 2 for c in (before, after)]
        lost.append((before[ducts.P] + heads[0] - after[ducts.P] - heads[1]) / heads[0])
    for found, turn in zip(lost, (angle, 180.0 - 2.0 * angle), strict=True):
        assert found == pytest.approx(2.0 - 2.0 * math.cos(math.radians(0.75 * turn)), abs=0.2)


@pytest.mark.parametrize(("mouth", "loss"), [("flared", 0.04), ("flush", 0.5), ("plain", 0.78)])
def test_a_mouth_loses_its_dynamic_heads(mouth: str, loss: float) -> None:
    """Steady flow out of a space: Crane, Technical Paper 410 (from memory), within 5 % of 1 + K."""
    bench = Bench([straight(400.0, 40.0, 10)], [0, 1], spaces=((1.01e5, 300.0), (1e5, 300.0)))
    bench.throats[0, 1] = 1.0 / math.sqrt(1.0 + MOUTHS[mouth])
    cell = steady(bench, 9e-5, 6000)[5]
    head = 0.5 * cell[ducts.RHO] * cell[ducts.U] ** 2
    assert (1.01e5 - cell[ducts.P]) / head == pytest.approx(1.0 + loss, rel=0.05)


def test_a_bare_pipe_end_breathes_less_than_a_flared_one(tmp_path: Path) -> None:
    """Handbooks' 0.78 heads against 0.04 (Crane, as above), on the mean of speeds; a list's mouth is simulated."""
    plain, flared = (listed(tmp_path, [*AIRBOX[:3], {**AIRBOX[3], "mouth": mouth}]) for mouth in ("plain", "flared"))
    points = np.array([[rpm, plain.most_load, 110.0, 110.0] for rpm in np.arange(4000.0, 7500.0, 500.0)])
    filling = [Simulator(config, MESH).run(points).volumetric_efficiency.mean() for config in (plain, flared)]
    assert filling[0] < filling[1] - 0.005


@pytest.mark.parametrize(("drag", "shape"), [(28.5, "square"), (32.0, "round")])
def test_a_catalyst_drops_pressure_by_its_channels(drag: float, shape: str) -> None:
    """Laminar flow, dp/dx = 28.5 mu u / d^2 square, 32 round (Shah and London, from memory), within 5 %."""
    d = 1.1e-3
    bench = Bench([straight(400.0, 60.0, 10)], [0, 1], spaces=((1.006e5, 300.0), (1e5, 300.0)))
    bench.lined = np.array([[0, lining.LAMINAR, 0]])
    bench.lining = np.zeros((1, lining.PARAMETERS))
    bench.lining[0, lining.DRAG] = (lining.SQUARE if shape == "square" else lining.ROUND) / d**2
    cells = steady(bench, 9e-5, 4000)
    fall = (cells[3, ducts.P] - cells[8, ducts.P]) / 0.2
    viscosity = 1.846e-5  # of air at 300 K: Incropera and DeWitt, table A.4 (from memory)
    assert fall == pytest.approx(drag * viscosity * cells[3:9, ducts.U].mean() / d**2, rel=0.05)


def can_at(pressure: float, room: float) -> np.ndarray:
    """A can's cell of air at 300 K."""
    can, theta = np.zeros((lining.CAN_FIELDS, LANES)), 287.05 * 300.0
    state = [pressure * room / theta, 2.5 * pressure * room, 0.0, pressure, theta]
    can[: lining.C_PIPE] = np.array(state)[:, None]
    return can.ravel()


def test_holes_and_packing_drop_pressure_by_their_formulas() -> None:
    """Steady flow between a cell and a can so large that pressures stay.

    Idelchik's perforated plate, zeta = (0.707 sqrt(1 - s) + 1 - s)^2 / s^2, and Darcy's law (both from memory): within
    5 %.
    """
    share, resistance, wall, dt = 0.25, 400.0, 0.02, 1e-5
    values = np.zeros(lining.PARAMETERS)
    values[[lining.WALL, lining.SIZE, lining.ZETA, lining.RESISTANCE]] = wall, 10.0, lining.hole_loss(share), resistance
    bench = Bench([straight(400.0, 60.0, 10)], ["wall", "wall"])
    bench.rows[:, ducts.STEP] = dt
    theta = 287.05 * 300.0
    for over in (200.0, 5000.0):
        cell = bench.rows[5].copy().ravel()
        can = can_at(1e5 - over, 10.0)
        before = can[0]
        lining.breathe(cell, can, AIR.kernel, values, 10.0)
        rho = 1e5 / theta
        u = (can[0] - before) / (dt * wall * rho)
        zeta = (0.707 * math.sqrt(1 - share) + 1 - share) ** 2 / share**2
        assert 0.5 * zeta * rho * u**2 + resistance * u == pytest.approx(over, rel=0.05)


@pytest.mark.parametrize("over", [5000.0, -5000.0])
def test_what_passes_through_holes_takes_speed_and_burned_gas_along(over: float) -> None:
    """Burned gas stays in all; what goes out leaves the pipe's speed as it is, what comes in brings no momentum."""
    bench = Bench([straight(400.0, 60.0, 10)], ["wall", "wall"])
    bench.rows[:, ducts.STEP] = 1e-5
    cell, can, size, room = bench.rows[5].copy().ravel(), can_at(1e5 - over, 0.01), 0.01, 0.01
    cell.reshape(-1, LANES)[[ducts.U, ducts.Y]] = [[50.0], [0.75]]
    can[lining.C_BURNED * LANES : (lining.C_BURNED + 1) * LANES] = 0.25 * can[:LANES]

    def state() -> tuple[float, float, float, float]:
        rho, u, y = cell.reshape(-1, LANES)[[ducts.RHO, ducts.U, ducts.Y], 0]
        return rho, u, rho * y * size, can[lining.C_BURNED * LANES]

    rho, u, inside, outside = state()
    lining.breathe(cell, can, AIR.kernel, np.array([0.02, room, lining.hole_loss(0.25), 400.0]), size)
    new, then, inside_then, outside_then = state()
    moved = (rho - new) * size
    assert moved * over > 0.0
    assert inside_then + outside_then == pytest.approx(inside + outside, rel=1e-12)
    assert outside_then - outside == pytest.approx(moved * (0.75 if over > 0.0 else 0.25), rel=1e-9)
    assert then * (1.0 if over > 0.0 else new) == pytest.approx(u * (1.0 if over > 0.0 else rho), rel=1e-12)


def test_the_path_through_a_thick_packing_is_its_integral() -> None:
    """By hand, of r0/r ((R^2 - r^2) / (R^2 - r0^2))^2 from r0 to R."""
    r, out = 0.025, 0.075
    ring = out**2 - r**2
    closed = r / ring**2 * (out**4 * math.log(out / r) - out**2 * ring + (out**4 - r**4) / 4.0)
    assert lining.packing_path(2 * r, 2 * out) == pytest.approx(closed, rel=1e-4)


def test_a_packed_silencer_silences_as_a_lined_pipe_does() -> None:
    """Sound along a locally reacting lining (Morse and Ingard, Theoretical Acoustics, from memory): 1 dB, to 350 Hz.

    k_z^2 = k^2 - i w rho 4 / (d z), z = R + 1 / (i w C), C what the can takes for a Pa and m^2 of wall; transmission
    loss by the four-pole of such a pipe between plain ones.
    """
    cells, width, can = 12, 50.0, 110.0
    pipes = [straight(n * CELL, width, n) for n in (FAR, cells, FAR)]
    bench = Bench(pipes, ["wall", *["junction"] * 4, "wall"], [(1, 2), (3, 4)])
    cell = CELL * 1e-3
    room, wall = (circle(can) - circle(width)) * 1e-6 * cell, math.pi * width * 1e-3 * cell
    resistance = 15000.0 * lining.packing_path(width * 1e-3, can * 1e-3)
    bench.lined, bench.lining = np.array([[1, lining.PACKED, 0]]), np.array([[wall, room, 0.0, resistance]])
    theta = 287.05 * 300.0
    bench.cans = np.tile(can_at(1e5, room), (cells, 1))
    plain = Bench([straight((2 * FAR + cells) * CELL, width, 2 * FAR + cells)], ["wall", "wall"])
    frequency, loss = loss_of_sound(bench, plain, int(bench.pipes[2, 0]) + 5, 0.9 * cell / SOUND, 500)
    w, rho = 2 * np.pi * np.maximum(frequency, 1.0), 1e5 / theta
    z = resistance + 1.0 / (1j * w * room / (1.4e5 * wall))
    k_z = np.sqrt((w / SOUND) ** 2 - 1j * w * rho * 4 / (width * 1e-3 * z))
    along, own = k_z * cells * cell, w * rho / k_z / (rho * SOUND)
    formula = 20 * np.log10(np.abs(np.cos(along) + 0.5j * np.sin(along) * (own + 1.0 / own)))
    heard = (frequency > 40.0) & (frequency < 350.0)
    assert np.abs(loss - formula)[heard].max() < 1.0


def test_exhausts_apart_do_not_know_of_each_other(tmp_path: Path) -> None:
    """Cylinders 1 and 4 on one tail, 2 and 3 on another of half its length: the first pair does not notice.

    In each pair cylinders fire 360 degrees apart, so that with even firing both have the same work; a plenum so large
    that nothing passes through it keeps the intakes apart too.
    """
    wide = [PLENUM[0], {**PLENUM[1], "volume": 400.0}, PLENUM[2]]
    tails = [pipe("tail", "front Y", "open air", (1500, 50)), pipe("tail 2", "back Y", "open air", (700, 50))]
    works = []
    for second in (tails[1], {**tails[0], "name": "tail 2", "from": "back Y"}):
        s = Simulator(listed(tmp_path, wide, [*FOUR_TWO_ONE[:4], tails[0], second]), MESH)
        found = s.run(np.array([[4000.0, 96.0, 110.0, 110.0]]))
        assert found.settled.all()
        works.append(s.net.cylinders[[FOUR.index(c) for c in (1, 4, 2, 3)], cyl.WORK, 0])
    apart, alike = works
    assert apart[0] == pytest.approx(apart[1], rel=5e-3)
    assert apart[2] == pytest.approx(apart[3], rel=5e-3)
    assert alike == pytest.approx(alike.mean(), rel=5e-3)
    assert apart[:2] == pytest.approx(alike[:2], rel=1e-2)
    assert np.abs(apart[2:] / alike[2:] - 1.0).max() > 0.01


def test_the_example_with_throttles_in_an_airbox_and_silencers_runs() -> None:
    """Loads are held behind the throttles, and wide open they leave more than any load that they hold."""
    example = Path(__file__).parents[2] / "examples" / "individual_throttles" / "project.toml"
    s = Simulator(cycle_config(load_project(example)), MESH)
    loads = np.array([45.0, 70.0, 90.0, s.config.most_load])
    found = s.run(np.stack(np.broadcast_arrays(4500.0, loads, 110.0, 110.0), axis=1))
    assert found.settled.all()
    assert np.all(np.diff(found.torque) > 0.0)
    s.run(np.array([[4500.0, loads[1], 110.0, 110.0]]))
    s.cycle()
    assert s.net.throttles[:, butterfly.SUM_P, 0].mean() / s.steps == pytest.approx(loads[1] * 1e3, rel=2e-3)
