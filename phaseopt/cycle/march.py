"""One engine cycle of a network: pipes, their ends, volumes, junctions and cylinders, step by step.

All steps of a cycle are equally long and their number is a multiple of the number of cylinders, so a step always ends
on the cycle's end, and every cylinder passes the same crank angles: valve flow, volumes and wall areas are
tables.

Intake pipes hold air, cylinders mixture (gas.py): an intake end sees its cylinder as if without fuel, and each kilogram
of air that passes brings its fuel, or on its way back leaves it behind. So what was trapped has exactly its lambda.

Lanes do not know of each other: what one lane comes to does not depend on the others, to the last bit.
"""

import math
from typing import NamedTuple

import numpy as np

from phaseopt.cycle import butterfly, ducts, junction, lining, orifice
from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.lanes import LANES, Ints, inner, kernel
from phaseopt.values.arrays import FloatArray

# kinds of ends, and columns of the table of ends (a pipe's left end is 2 i, its right end 2 i + 1)
WALL, SPACE, JUNCTION = 0, 1, 2
ONE_PRESSURE, LOSES, THROTTLE = 0.0, 1.0, 2.0  # what a junction may be
KIND, TARGET, BRANCH, VALVE = 0, 1, 2, 3
INTAKE_GAS, MIXTURE = 0, 1  # which of the gases' numbers
# spaces, in this order: ambient at the intake, ambient at the exhaust, volumes, cylinders
FIXED_SPACES = 2
# of a space: pressure, theta, burned, enthalpy, gamma, and how much more mass a second its pipes send for each Pa less
SPACE_FIELDS = 6
YIELD = 5

# fields of a volume: state, a step ago (as a cylinder's), sums over the cycle, throttle area [m^2]
V_MASS, V_INNER, V_BURNED, V_P, V_TH, V_OLD_P, V_OLD_TH, V_SUM_P, V_IN, V_OUT, V_THROTTLE = range(11)
VOLUME_FIELDS = 11


class Arrays(NamedTuple):  # read by kernels
    """An engine's network, its state included, as network.py lays it out; lanes are innermost everywhere.

    `w` and `geo` hold the pipes' rows (ducts.py), `pipes` the first row, the cells and the gas of each, `ends` one line
    of the columns above for each end; `spaces` what ends see, `scratch` and `junctions` what they are solved in
    (orifice.py, junction.py), `branches` and `counts` the ends that meet in each junction. `sizes` are those of the
    volumes [m^3]. The first of them are filled through throttles, each from one of the spaces, `sources`. `throats`
    (ends, 2) are throat over pipe area of ends in a space, out of the pipe and into it. `streams` (junctions, 3) say
    what a junction is (`ONE_PRESSURE`, `LOSES` or `THROTTLE`), and by which cosines it loses (junction.py). Pipes with
    something in their walls have a line each in `lined` (pipe, kind, first cell of its can) and `lining`, their cans'
    cells are `cans` (lining.py). `gas` (2, 12) are the numbers of what the intake holds and of the mixture, `held` says
    which of them volumes hold, and `fuel` is what air brings along (gas.py).
    """

    w: FloatArray
    geo: FloatArray
    gas: FloatArray
    fuel: FloatArray
    pipes: Ints
    ends: Ints
    spaces: FloatArray
    scratch: FloatArray
    junctions: FloatArray
    branches: Ints
    counts: Ints
    volumes: FloatArray
    sizes: FloatArray
    held: Ints
    sources: Ints
    throats: FloatArray
    streams: FloatArray
    lined: Ints
    lining: FloatArray
    cans: FloatArray
    cylinders: FloatArray


class Course(NamedTuple):  # read by kernels
    """What the steps of a cycle are given.

    By lane: `dt` [s] and `trap`, the step that traps the charge. `offsets` are steps that each cylinder is ahead. By
    valve (intake, exhaust) and step, `phi` (2, steps, 2 lanes) is throat over pipe area, out of the pipe and into it,
    and `opened` (2, steps) says in how many lanes the valve is open. `stir` (steps, lanes) is Woschni's factor on
    piston speed; `volume` (steps + 1,) [m^3] and `wall` (steps,) [m^2] are the chamber's.
    """

    dt: FloatArray
    trap: Ints
    offsets: Ints
    phi: FloatArray
    opened: Ints
    stir: FloatArray
    volume: FloatArray
    wall: FloatArray


# Where in the step the throttle sees the pressure behind it. A small volume comes level with the outside within a step;
# half would ring for ever then, and this damps it by two each step.
THROTTLE_AT = 2.0 / 3.0


@inner
def through_throttle(high: float, theta: float, low: float, gamma: float, area: float, size: float) -> float:
    """Mass [kg] through a throttle in a step, from `high` to `low` pressure; the flow itself moves one of them.

    `area` is throttle area times step [m^2 s], `size` the volume behind it [m^3]. Squared flow f falls with pressure
    ratio r as an ellipse, f ~ 1 - s^2 with s = (r - 0.528) / 0.472, and stops falling where it chokes; the pressure
    that a mass x moves is gamma theta x / size. Hence a quadratic in x.
    """
    f = max(orifice.nozzle_squared(high, theta, low, gamma), 0.0)
    s = max((low / high - 0.528) * (1.0 / 0.472), 0.0)
    fall = f / max(high - low, 1e-3) * 2.0 * s / (1.0 + s)
    square = area * area
    b = square * fall * THROTTLE_AT * gamma * theta / size
    return 2.0 * square * f / (b + math.sqrt(b * b + 4.0 * square * f) + 1e-300)


@kernel
def look_ahead(space: FloatArray, z: FloatArray, gas: FloatArray, dt: FloatArray, size: float) -> None:
    """Put the state of a volume or cylinder `z`, half a step ahead, where the ends look for it (lane by lane).

    Pressure goes on as in the last step (Adams and Bashforth) as long as that is stable: while the pipes answer a
    change of pressure with less than that change in a step. A small space (a cylinder at top dead centre with both
    valves open) they fill faster; there the change is found together with their answer (Rosenbrock's linearly implicit
    midpoint), else pressure swings from step to step.
    """
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        p, theta, mass = z[V_P * LANES + k], z[V_TH * LANES + k], z[V_MASS * LANES + k]
        y = z[V_BURNED * LANES + k] / mass
        slope = a0 + a1 * y + (b0 + b1 * y) * theta
        ahead = theta + 0.5 * (theta - z[V_OLD_TH * LANES + k])
        answer = (1.0 + 1.0 / slope) * theta / size * dt[k] * space[YIELD * LANES + k]
        answer *= min(max((answer - 0.4) * 2.5, 0.0), 1.0)
        space[k] = p + 0.5 * (p - z[V_OLD_P * LANES + k] - answer * (p - space[k])) / (1.0 + 0.5 * answer)
        space[YIELD * LANES + k] = 0.0
        space[LANES + k] = ahead
        space[2 * LANES + k] = y
        space[3 * LANES + k] = z[V_INNER * LANES + k] / mass + theta + (1.0 + slope) * (ahead - theta)
        space[4 * LANES + k] = 1.0 + 1.0 / slope


@kernel
def inner_state(w: FloatArray, row: int, left: bool, target: FloatArray) -> None:
    """Copy a pipe's end state (rho, outward v, p, y, gamma) to `target`."""
    n = LANES
    v = w[row * ducts.ROW : (row + 1) * ducts.ROW]
    side = ducts.LEFT if left else ducts.RIGHT
    sign = -1.0 if left else 1.0
    for k in range(n):
        target[k] = v[side * n + k]
        target[n + k] = sign * v[(side + 1) * n + k]
        target[2 * n + k] = v[(side + 2) * n + k]
        target[3 * n + k] = v[(side + 3) * n + k]
        target[4 * n + k] = v[ducts.GAMMA * n + k]


@kernel
def apply_end(w: FloatArray, row: int, left: bool, area: float, found: FloatArray, face: FloatArray) -> None:
    """Hand an end's flows (`found`: mass, momentum, energy, burned) to the pipe; set the ghost row by the `face`."""
    n = LANES
    at = row if left else row + 1
    ghost = row - 1 if left else row + 1
    flux = w[at * ducts.ROW + ducts.FLUX * n : at * ducts.ROW + (ducts.FLUX + 4) * n]
    cell = w[row * ducts.ROW : (row + 1) * ducts.ROW]
    g = w[ghost * ducts.ROW : ghost * ducts.ROW + 4 * n]
    sign = -area if left else area
    turn = -1.0 if left else 1.0
    for k in range(n):
        flux[k] = sign * found[k]
        flux[n + k] = area * found[n + k]
        flux[2 * n + k] = sign * found[2 * n + k]
        flux[3 * n + k] = sign * found[3 * n + k]
        # straight on from the cell through the face; slopes are limited afterwards
        rho, p = cell[k], cell[2 * n + k]
        g[k] = min(max(2.0 * face[k] - rho, 0.3 * rho), 3.0 * rho)
        g[n + k] = 2.0 * turn * face[n + k] - cell[n + k]
        g[2 * n + k] = min(max(2.0 * face[2 * n + k] - p, 0.3 * p), 3.0 * p)
        g[3 * n + k] = min(max(2.0 * face[3 * n + k] - cell[3 * n + k], 0.0), 1.0)


@kernel
def add_flow(flow: FloatArray, found: FloatArray, area: float, dt: FloatArray) -> None:
    """Add an end's flow over the step to mass, energy and burned mass that a space receives."""
    n = LANES
    for k in range(LANES):
        times = area * dt[k]
        flow[k] += times * found[k]
        flow[n + k] += times * found[2 * n + k]
        flow[2 * n + k] += times * found[3 * n + k]


@kernel
def add_yield(answer: FloatArray, x: FloatArray, area: float) -> None:
    """Add how an end (scratch `x`, solved) changes its flow for a Pa: the pipe's c / A and the throat's in series.

    A shut end adds nothing.
    """
    n = LANES
    for k in range(LANES):
        sound = math.sqrt(x[orifice.PIPE_G * n + k] * x[orifice.PIPE_P * n + k] / x[orifice.PIPE_RHO * n + k])
        flow = abs(x[orifice.MASS * n + k]) / x[orifice.PIPE_RHO * n + k]
        more = area / (sound + flow / (x[k] * x[k] + 1e-9))
        answer[k] += more if x[k] + x[n + k] > 0.0 else 0.0


@kernel
def leave_fuel(x: FloatArray, gas: FloatArray, fuel: FloatArray) -> None:
    """The cylinder in an intake end's scratch `x` as the pipe's gas: what comes of it less its fuel.

    Enthalpy is such that `bring_fuel` gives the cylinder's back, so gas that returns has lost and brought nothing.
    """
    n = LANES
    a0, a1, b0, b1 = 1.0 + gas[0], gas[1], gas[2], gas[3]
    share, brought = fuel[0] / (1.0 + fuel[0]), fuel[1] / (1.0 + fuel[0])
    for k in range(LANES):
        fresh = 1.0 - x[orifice.SPACE_Y * n + k]
        per = 1.0 / (1.0 - share * fresh)
        h, y = (x[orifice.SPACE_H * n + k] - brought * fresh) * per, x[orifice.SPACE_Y * n + k] * per
        a, b = a0 + a1 * y, b0 + b1 * y
        theta = 2.0 * h / (a + math.sqrt(a * a + 2.0 * b * h))
        x[orifice.SPACE_TH * n + k] = theta
        x[orifice.SPACE_Y * n + k] = y
        x[orifice.SPACE_H * n + k] = h
        x[orifice.SPACE_G * n + k] = 1.0 + 1.0 / (a - 1.0 + b * theta)


@kernel
def bring_fuel(flow: FloatArray, fuel: FloatArray) -> None:
    """Add what its fuel brings to a cylinder's `flow` of mass, energy and burned mass through the intake valves."""
    of_air, enthalpy = fuel[0], fuel[1]
    for k in range(LANES):
        air = flow[k] - flow[2 * LANES + k]
        flow[k] += of_air * air
        flow[LANES + k] += enthalpy * air


@kernel
def step_volume(
    v: FloatArray,
    size: float,
    gas: FloatArray,
    dt: FloatArray,
    source: FloatArray,
    drawn: FloatArray,
    flow: FloatArray,
    throttled: bool,
) -> None:
    """Advance a volume by one step with `flow` (mass, energy, burned mass coming in, by lane) and its throttle.

    What comes through the throttle from its `source` is taken from the flow there, `drawn`.
    """
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        p, theta = v[V_P * LANES + k], v[V_TH * LANES + k]
        mass, inner, burned = v[V_MASS * LANES + k], v[V_INNER * LANES + k], v[V_BURNED * LANES + k]
        mass += flow[k]
        inner += flow[LANES + k]
        burned += flow[2 * LANES + k]
        v[V_OUT * LANES + k] -= flow[k]
        if throttled:
            area = v[V_THROTTLE * LANES + k] * dt[k]
            p_in, th_in, y_in, h_in, g_in = (
                source[k], source[LANES + k], source[2 * LANES + k], source[3 * LANES + k], source[4 * LANES + k],
            )  # fmt: skip
            before = mass, inner, burned
            ahead = p + THROTTLE_AT * (g_in - 1.0) * flow[LANES + k] / size
            if ahead < p_in:
                through = through_throttle(p_in, th_in, ahead, g_in, area, size)
                inner += through * h_in
                burned += through * y_in
            else:
                through = -through_throttle(ahead, theta, p_in, g_in, area, size)
                inner += through * (inner / mass + theta)
                burned += through * burned / mass
            mass += through
            # what the volume gained, to the bit
            drawn[k] -= mass - before[0]
            drawn[LANES + k] -= inner - before[1]
            drawn[2 * LANES + k] -= burned - before[2]
            v[V_IN * LANES + k] += through
        y, e = burned / mass, inner / mass
        a, b = a0 + a1 * y, b0 + b1 * y
        new = 2.0 * e / (a + np.sqrt(a * a + 2.0 * b * e))
        v[V_MASS * LANES + k], v[V_INNER * LANES + k], v[V_BURNED * LANES + k] = mass, inner, burned
        v[V_OLD_P * LANES + k], v[V_OLD_TH * LANES + k] = p, theta
        v[V_TH * LANES + k] = new
        v[V_P * LANES + k] = mass * new / size
        v[V_SUM_P * LANES + k] += mass * new / size


@kernel
def run_steps(net: Arrays, course: Course, begin: int, end: int) -> None:
    """March steps `begin` to `end` of a cycle."""
    n = LANES
    w, geo, gas, pipes, ends, spaces, cylinders = (
        net.w, net.geo, net.gas, net.pipes, net.ends, net.spaces, net.cylinders,
    )  # fmt: skip
    dt, offsets, volume = course.dt, course.offsets, course.volume
    n_steps = len(course.wall)
    width = 720.0 / n_steps
    n_volumes = len(net.sizes)
    first_cylinder = FIXED_SPACES + n_volumes
    flow, outside = np.zeros((n_volumes, 3 * n)), np.zeros(3 * n)
    for step in range(begin, end):
        for i in range(n_volumes):
            look_ahead(spaces[FIXED_SPACES + i], net.volumes[i], gas[net.held[i]], dt, net.sizes[i])
        for i in range(len(cylinders)):
            at = (step + offsets[i]) % n_steps
            look_ahead(spaces[first_cylinder + i], cylinders[i], gas[MIXTURE], dt, volume[at])
        flow[:] = 0.0
        cylinders[:, cyl.FLOW * n : (cyl.FLOW + 6) * n] = 0.0
        for i in range(len(pipes)):
            first, last = pipes[i, 0], pipes[i, 0] + pipes[i, 1] - 1
            ducts.predict(w, geo, first)
            ducts.predict(w, geo, last)
        for e in range(len(ends)):
            left = e % 2 == 0
            row = pipes[e // 2, 0] + (0 if left else pipes[e // 2, 1] - 1)
            x = net.scratch[e]
            if ends[e, KIND] == JUNCTION:
                o = ends[e, BRANCH] * junction.BRANCH * n
                inner_state(w, row, left, net.junctions[ends[e, TARGET], o:])
                continue
            inner_state(w, row, left, x[orifice.PIPE_RHO * n :])
            area = geo[row, ducts.AREA_LEFT if left else ducts.AREA_RIGHT]
            target, valve = ends[e, TARGET], ends[e, VALVE]
            opened = n if ends[e, KIND] == SPACE else 0
            x[:n] = net.throats[e, 0] if opened > 0 else 0.0
            x[n : 2 * n] = net.throats[e, 1] if opened > 0 else 0.0
            if valve >= 0:
                at = (step + offsets[target - first_cylinder]) % n_steps
                opened = course.opened[valve, at]
                x[: 2 * n] = course.phi[valve, at]
            if opened > 0:
                x[orifice.SPACE_P * n : (orifice.SPACE_G + 1) * n] = spaces[target, : YIELD * n]
                if valve == 0:
                    leave_fuel(x, gas[INTAKE_GAS], net.fuel)
                orifice.solve_orifice(x)
                orifice.finish_orifice(x, gas[pipes[e // 2, 2]])
            if opened < n:
                orifice.solve_wall(x)
            found = x[orifice.MASS * n : (orifice.BURNED + 1) * n]
            apply_end(w, row, left, area, found, x[orifice.FACE_RHO * n :])
            if target >= FIXED_SPACES and opened > 0:
                if valve >= 0:
                    o = (cyl.FLOW + 3 * valve) * n
                    f = cylinders[target - first_cylinder, o : o + 3 * n]
                else:
                    f = flow[target - FIXED_SPACES]
                add_flow(f, found, area, dt)
                add_yield(spaces[target, YIELD * n :], x, area)
        for i in range(len(net.junctions)):
            x, mixed = net.junctions[i], gas[pipes[net.branches[i, 0] // 2, 2]]
            if net.streams[i, 0] == THROTTLE:
                butterfly.solve_throttle(x, mixed)
            elif net.streams[i, 0] == LOSES:
                junction.solve_with_losses(x, net.counts[i], mixed, net.streams[i, 1], net.streams[i, 2])
            else:
                junction.solve_junction(x, net.counts[i], mixed)
            for b in range(net.counts[i]):
                e = net.branches[i, b]
                left = e % 2 == 0
                row = pipes[e // 2, 0] + (0 if left else pipes[e // 2, 1] - 1)
                area = geo[row, ducts.AREA_LEFT if left else ducts.AREA_RIGHT]
                o = b * junction.BRANCH * n
                apply_end(w, row, left, area, x[o + junction.MASS * n :], x[o + junction.FACE_RHO * n :])
        for i in range(len(pipes)):
            ducts.march_pipe(w, geo, gas[pipes[i, 2]], pipes[i, 0], pipes[i, 1])
        for i in range(len(net.lined)):
            first, inside = pipes[net.lined[i, 0], 0], gas[pipes[net.lined[i, 0], 2]]
            for c in range(pipes[net.lined[i, 0], 1]):
                v = w[(first + c) * ducts.ROW : (first + c + 1) * ducts.ROW]
                if net.lined[i, 1] == lining.LAMINAR:
                    lining.rub(v, inside, net.lining[i, lining.DRAG])
                else:
                    can = net.cans[net.lined[i, 2] + c]
                    lining.breathe(v, can, inside, net.lining[i], 1.0 / geo[first + c, ducts.INV_VOLUME])
        for i in range(n_volumes):
            throttled = i < len(net.sources)
            source = net.sources[i] if throttled else 0
            drawn = flow[source - FIXED_SPACES] if source >= FIXED_SPACES else outside
            step_volume(net.volumes[i], net.sizes[i], gas[net.held[i]], dt, spaces[source], drawn, flow[i], throttled)
        for i in range(len(cylinders)):
            z = cylinders[i]
            at = (step + offsets[i]) % n_steps
            angle = 180.0 + width * at
            for k in range(n):
                if course.trap[k] == at:
                    cyl.close_intake(z, gas[MIXTURE], volume[at], k)
            if angle < 540.0:
                cyl.burn(z, angle, width, volume[at])
            z[cyl.STIR * n : (cyl.STIR + 1) * n] = course.stir[at]
            exchange = angle + 0.5 * width >= 540.0
            bring_fuel(z[cyl.FLOW * n : (cyl.FLOW + 3) * n], net.fuel)
            cyl.step_cylinder(z, gas[MIXTURE], volume[at], volume[at + 1], course.wall[at], exchange)
