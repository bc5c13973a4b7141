"""One engine cycle of a network: pipes, their ends, volumes, junctions and cylinders, step by step.

All steps of a cycle are equally long and their number is a multiple of the number of cylinders, so a step always ends
on the cycle's end, and every cylinder passes the same crank angles: valve flow, volumes and wall areas are
tables.
"""

import math

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle import ducts, junction, orifice
from phaseopt.cycle.lanes import LANES, Array, Flags, Ints, inner, kernel

# kinds of ends, and columns of the table of ends (a pipe's left end is 2 i, its right end 2 i + 1)
WALL, SPACE, JUNCTION = 0, 1, 2
KIND, TARGET, BRANCH, VALVE = 0, 1, 2, 3
# spaces, in this order: ambient at the intake, ambient at the exhaust, volumes, cylinders
FIXED_SPACES = 2
# of a space: pressure, theta, burned, enthalpy, gamma, and how much more mass a second its pipes send for each Pa less
SPACE_FIELDS = 6
YIELD = 5

# fields of a volume: state, a step ago, sums over the cycle, throttle area [m^2]
V_MASS, V_INNER, V_BURNED, V_P, V_TH, V_OLD_P, V_OLD_TH, V_SUM_P, V_IN, V_OUT, V_THROTTLE = range(11)
VOLUME_FIELDS = 11

# Where in the step the throttle sees the pressure behind it. A small volume comes level with the outside within a step;
# half would ring for ever then, and this damps it by two each step.
THROTTLE_AT = 2.0 / 3.0


@inner
def through_throttle(high: float, theta: float, low: float, gamma: float, area: float, size: float) -> float:
    """Mass [kg] through a throttle in a step, from `high` to `low` pressure, one of which the flow itself moves.

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
def look_ahead(
    space: Array,
    inner: Array,
    mass: Array,
    burned: Array,
    p: Array,
    theta: Array,
    old_p: Array,
    old_theta: Array,
    gas: Array,
    dt: Array,
    size: float,
) -> None:
    """Put the state of a volume or cylinder, half a step ahead, where the ends look for it (lane by lane).

    Pressure goes on as in the last step (Adams and Bashforth) as long as that is stable: while the pipes answer a
    change of pressure with less than that change in a step. A small space (a cylinder at top dead centre with both
    valves open) they fill faster; there the change is found together with their answer (Rosenbrock's linearly implicit
    midpoint), else pressure swings from step to step.
    """
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        y = burned[k] / mass[k]
        slope = a0 + a1 * y + (b0 + b1 * y) * theta[k]
        ahead = theta[k] + 0.5 * (theta[k] - old_theta[k])
        answer = (1.0 + 1.0 / slope) * theta[k] / size * dt[k] * space[YIELD * LANES + k]
        answer *= min(max((answer - 0.4) * 2.5, 0.0), 1.0)
        space[k] = p[k] + 0.5 * (p[k] - old_p[k] - answer * (p[k] - space[k])) / (1.0 + 0.5 * answer)
        space[YIELD * LANES + k] = 0.0
        space[LANES + k] = ahead
        space[2 * LANES + k] = y
        space[3 * LANES + k] = inner[k] / mass[k] + theta[k] + (1.0 + slope) * (ahead - theta[k])
        space[4 * LANES + k] = 1.0 + 1.0 / slope


@kernel
def inner_state(w: Array, row: int, left: bool, target: Array) -> None:
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
def apply_end(w: Array, row: int, left: bool, area: float, found: Array, face: Array) -> None:
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
def add_flow(flow: Array, found: Array, area: float, dt: Array) -> None:
    """Add an end's flow over the step to mass, energy and burned mass that a space receives."""
    n = LANES
    for k in range(LANES):
        times = area * dt[k]
        flow[k] += times * found[k]
        flow[n + k] += times * found[2 * n + k]
        flow[2 * n + k] += times * found[3 * n + k]


@kernel
def add_yield(answer: Array, x: Array, area: float) -> None:
    """Add how an end (scratch `x`, solved) changes its flow for a Pa: the pipe's c / A and the throat's in series."""
    n = LANES
    for k in range(LANES):
        sound = math.sqrt(x[orifice.PIPE_G * n + k] * x[orifice.PIPE_P * n + k] / x[orifice.PIPE_RHO * n + k])
        flow = abs(x[orifice.MASS * n + k]) / x[orifice.PIPE_RHO * n + k]
        answer[k] += area / (sound + flow / (x[k] * x[k] + 1e-9))


@kernel
def step_volume(
    v: Array,
    size: float,
    gas: Array,
    dt: Array,
    intake: Array,
    flow: Array,
    throttled: bool,
) -> None:
    """Advance a volume by one step with `flow` (mass, energy, burned mass coming in, by lane) and its throttle."""
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
                intake[k], intake[LANES + k], intake[2 * LANES + k], intake[3 * LANES + k], intake[4 * LANES + k],
            )  # fmt: skip
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
def run_steps(
    w: Array,
    geo: Array,
    gas: Array,
    dt: Array,
    rpm: Array,
    pipes: Ints,
    ends: Ints,
    spaces: Array,
    scratch: Array,
    junctions: Array,
    branches: Ints,
    counts: Ints,
    volumes: Array,
    sizes: Array,
    throttled: int,
    cylinders: Array,
    numbers: Array,
    offsets: Ints,
    phi: Array,
    is_open: Flags,
    volume: Array,
    wall: Array,
    half_burned: Array,
    trap: int,
    begin: int,
    end: int,
) -> None:
    """March steps `begin` to `end` of a cycle; arrays as laid out by network.py."""
    n_steps = len(wall)
    n = LANES
    width = 720.0 / n_steps
    n_volumes = len(sizes)
    flow = np.zeros((n_volumes, 3 * n))
    for step in range(begin, end):
        for i in range(n_volumes):
            v = volumes[i]
            look_ahead(spaces[FIXED_SPACES + i], v[V_INNER * n :], v[V_MASS * n :], v[V_BURNED * n :], v[V_P * n :],
                       v[V_TH * n :], v[V_OLD_P * n :], v[V_OLD_TH * n :], gas, dt, sizes[i])  # fmt: skip
        for i in range(len(cylinders)):
            z = cylinders[i]
            look_ahead(spaces[FIXED_SPACES + n_volumes + i], z[cyl.INNER * n :], z[cyl.MASS * n :],
                       z[cyl.BURNED * n :], z[cyl.PRESSURE * n :], z[cyl.THETA * n :], z[cyl.OLD_P * n :],
                       z[cyl.OLD_TH * n :], gas, dt, volume[(step + offsets[i]) % n_steps])  # fmt: skip
        flow[:] = 0.0
        cylinders[:, cyl.FLOW * n : (cyl.FLOW + 6) * n] = 0.0
        for i in range(len(pipes)):
            first, last = pipes[i, 0], pipes[i, 0] + pipes[i, 1] - 1
            ducts.predict(w, geo, first)
            ducts.predict(w, geo, last)
        for e in range(len(ends)):
            left = e % 2 == 0
            row = pipes[e // 2, 0] + (0 if left else pipes[e // 2, 1] - 1)
            x = scratch[e]
            if ends[e, KIND] == JUNCTION:
                o = ends[e, BRANCH] * junction.BRANCH * n
                inner_state(w, row, left, junctions[ends[e, TARGET], o:])
                continue
            inner_state(w, row, left, x[orifice.PIPE_RHO * n :])
            area = geo[row, ducts.AREA_LEFT if left else ducts.AREA_RIGHT]
            target, valve = ends[e, TARGET], ends[e, VALVE]
            at = step
            shut = ends[e, KIND] == WALL
            if valve >= 0:
                at = (step + offsets[target - FIXED_SPACES - n_volumes]) % n_steps
                shut = not is_open[valve, at]
            if shut:
                orifice.solve_wall(x)
            else:
                if valve >= 0:
                    x[: 2 * n] = phi[valve, at]
                else:
                    x[: 2 * n] = 1.0
                x[orifice.SPACE_P * n : (orifice.SPACE_G + 1) * n] = spaces[target, : YIELD * n]
                orifice.solve_orifice(x)
                orifice.finish_orifice(x, gas)
            found = x[orifice.MASS * n : (orifice.BURNED + 1) * n]
            apply_end(w, row, left, area, found, x[orifice.FACE_RHO * n :])
            if target >= FIXED_SPACES and not shut:
                if valve >= 0:
                    o = (cyl.FLOW + 3 * valve) * n
                    f = cylinders[target - FIXED_SPACES - n_volumes, o : o + 3 * n]
                else:
                    f = flow[target - FIXED_SPACES]
                add_flow(f, found, area, dt)
                add_yield(spaces[target, YIELD * n :], x, area)
        for i in range(len(junctions)):
            x = junctions[i]
            junction.solve_junction(x, counts[i], gas)
            for b in range(counts[i]):
                e = branches[i, b]
                left = e % 2 == 0
                row = pipes[e // 2, 0] + (0 if left else pipes[e // 2, 1] - 1)
                area = geo[row, ducts.AREA_LEFT if left else ducts.AREA_RIGHT]
                o = b * junction.BRANCH * n
                apply_end(w, row, left, area, x[o + junction.MASS * n :], x[o + junction.FACE_RHO * n :])
        for i in range(len(pipes)):
            ducts.march_pipe(w, geo, gas, pipes[i, 0], pipes[i, 1])
        for i in range(n_volumes):
            step_volume(volumes[i], sizes[i], gas, dt, spaces[0], flow[i], i < throttled)
        for i in range(len(cylinders)):
            z = cylinders[i]
            at = (step + offsets[i]) % n_steps
            angle = 180.0 + width * at
            if at == trap:
                cyl.close_intake(z, numbers, rpm, half_burned, volume[at], gas)
            if angle < 540.0:
                cyl.burn(z, numbers, angle, width, volume[at])
            open_ = is_open[0, at] or is_open[1, at]
            exchange = angle + 0.5 * width >= 540.0
            cyl.step_cylinder(z, numbers, gas, volume[at], volume[at + 1], wall[at], open_, exchange)
