"""Unsteady one-dimensional flow in pipes of changing area, many operating points at once.

The scheme is MUSCL-Hancock (van Leer) with the HLLC flux (Toro, Riemann Solvers and Numerical Methods for Fluid
Dynamics, chapters 10 and 14, from memory): second order in smooth flow, monotone at shocks, one flux a step.

State lives in one flat array `w`, row by row. A row is a cell; it holds `FIELDS` values for each of `LANES`
operating points side by side, so that the innermost loops run over lanes and compile to vector instructions.
A pipe is a run of rows with one ghost row at each end, which serves only to take slopes. Flux fields belong to
the left face of their row; a pipe's right end keeps its flux in the right ghost row.

Gas is described by theta = p / rho and the burned fraction y:
    internal energy e = a theta + b theta^2 / 2,   gamma = 1 + 1 / (a + b theta),
with a and b linear in y (see gas.py); b = 0 gives a gas of constant gamma.
"""

import math

from phaseopt.cycle.lanes import LANES, inner, kernel
from phaseopt.values.arrays import FloatArray

# fields of a row: density, velocity, pressure, burned fraction, total energy, gamma, speed of sound, 1 / density
RHO, U, P, Y, ENERGY, GAMMA, SOUND, SPECIFIC = 0, 1, 2, 3, 4, 5, 6, 7
# four each: face states (rho, u, p, y), and flow of mass, momentum, energy, burned mass
LEFT, RIGHT, FLUX = 8, 12, 16
STEP = 20  # the time step of each lane, the same in every row: one array keeps the compiler free of overlap checks
FASTEST = 21  # highest wave speed seen at the left face since it was last cleared
FIELDS = 22
ROW = FIELDS * LANES

# columns of the geometry array, one line a row
AREA_LEFT, AREA_RIGHT, INV_VOLUME, LENGTH, DRAG, HEAT, WALL = 0, 1, 2, 3, 4, 5, 6
GEOMETRY = 7


@inner
def limited(x: float, z: float) -> float:
    """Slope from the differences on either side: their mean, at most twice the smaller, zero at a peak (van Leer's MC).

    >>> limited(1.0, 2.0), limited(1.0, 8.0), limited(-1.0, 2.0)
    (1.5, 2.0, 0.0)
    """
    twice, mean = 2.0 * x, 0.5 * (x + z)
    other = 2.0 * z
    return max(min(twice, min(other, mean)), 0.0) + min(max(twice, max(other, mean)), 0.0)


@kernel
def predict(w: FloatArray, geo: FloatArray, c: int) -> None:
    """Face states of cell `c` half a step ahead: limited slopes, then the primitive equations (MUSCL-Hancock)."""
    v = w[(c - 1) * ROW : (c + 2) * ROW]
    n = LANES
    per = 0.5 / geo[c, LENGTH]
    spread = (geo[c, AREA_RIGHT] - geo[c, AREA_LEFT]) * geo[c, INV_VOLUME] * geo[c, LENGTH]
    for k in range(LANES):
        rho, u, p, y = v[ROW + RHO * n + k], v[ROW + U * n + k], v[ROW + P * n + k], v[ROW + Y * n + k]
        half = v[ROW + STEP * n + k] * per
        d_rho = limited(rho - v[RHO * n + k], v[2 * ROW + RHO * n + k] - rho)
        d_u = limited(u - v[U * n + k], v[2 * ROW + U * n + k] - u)
        d_p = limited(p - v[P * n + k], v[2 * ROW + P * n + k] - p)
        d_y = limited(y - v[Y * n + k], v[2 * ROW + Y * n + k] - y)
        carry = half * u
        stretch = half * (d_u + u * spread)
        rho_half = rho - carry * d_rho - rho * stretch
        u_half = u - carry * d_u - half * d_p * v[ROW + SPECIFIC * n + k]
        p_half = p - carry * d_p - v[ROW + GAMMA * n + k] * p * stretch
        y_half = y - carry * d_y
        # next to a vacuum the half step may overshoot
        least_rho, least_p = 0.1 * rho, 0.1 * p
        v[ROW + (LEFT + 0) * n + k] = max(rho_half - 0.5 * d_rho, least_rho)
        v[ROW + (LEFT + 1) * n + k] = u_half - 0.5 * d_u
        v[ROW + (LEFT + 2) * n + k] = max(p_half - 0.5 * d_p, least_p)
        v[ROW + (LEFT + 3) * n + k] = y_half - 0.5 * d_y
        v[ROW + (RIGHT + 0) * n + k] = max(rho_half + 0.5 * d_rho, least_rho)
        v[ROW + (RIGHT + 1) * n + k] = u_half + 0.5 * d_u
        v[ROW + (RIGHT + 2) * n + k] = max(p_half + 0.5 * d_p, least_p)
        v[ROW + (RIGHT + 3) * n + k] = y_half + 0.5 * d_y


@kernel
def face_flux(w: FloatArray, geo: FloatArray, gas: FloatArray, c: int) -> None:
    """HLLC flow through the face between cells `c - 1` and `c`; Davis' wave speeds from the cells' sound speeds."""
    v = w[(c - 1) * ROW : (c + 1) * ROW]
    n = LANES
    area = geo[c, AREA_LEFT]
    a0, a1, b0, b1 = gas[0], gas[1], 0.5 * gas[2], 0.5 * gas[3]
    for k in range(LANES):
        rho_l, u_l, p_l = v[(RIGHT + 0) * n + k], v[(RIGHT + 1) * n + k], v[(RIGHT + 2) * n + k]
        rho_r, u_r, p_r = (
            v[ROW + (LEFT + 0) * n + k],
            v[ROW + (LEFT + 1) * n + k],
            v[ROW + (LEFT + 2) * n + k],
        )
        y_l, y_r = v[(RIGHT + 3) * n + k], v[ROW + (LEFT + 3) * n + k]
        c_l, c_r = v[SOUND * n + k], v[ROW + SOUND * n + k]
        s_l = min(u_l - c_l, u_r - c_r)
        s_r = max(u_l + c_l, u_r + c_r)
        q_l, q_r = rho_l * (s_l - u_l), rho_r * (s_r - u_r)
        star = (p_r - p_l + q_l * u_l - q_r * u_r) / (q_l - q_r)
        left = star >= 0.0
        rho = rho_l if left else rho_r
        u = u_l if left else u_r
        p = p_l if left else p_r
        y = y_l if left else y_r
        q = q_l if left else q_r
        s = s_l if left else s_r
        clip = min(s_l, 0.0) if left else max(s_r, 0.0)
        th = p / rho
        e = (a0 + a1 * y + (b0 + b1 * y) * th) * th + 0.5 * u * u
        share = clip / (s - star)
        # flow of the upwind state, and what the star state between the waves adds to it
        mass = rho * u + q * share - clip * rho
        momentum = u * (rho * u) + p + q * star * share - clip * rho * u
        energy = u * (rho * e + p) + (q * e + (star - u) * (q * star + p)) * share - clip * rho * e
        v[ROW + FASTEST * n + k] = max(v[ROW + FASTEST * n + k], max(-s_l, s_r))
        v[ROW + (FLUX + 0) * n + k] = area * mass
        v[ROW + (FLUX + 1) * n + k] = area * momentum
        v[ROW + (FLUX + 2) * n + k] = area * energy
        v[ROW + (FLUX + 3) * n + k] = area * mass * y


@kernel
def advance(w: FloatArray, geo: FloatArray, gas: FloatArray, c: int) -> None:
    """New state of cell `c` from the flows through its two faces, wall friction and wall heat."""
    v = w[c * ROW : (c + 2) * ROW]
    n = LANES
    inv = geo[c, INV_VOLUME]
    grow = 0.5 * (geo[c, AREA_RIGHT] - geo[c, AREA_LEFT])
    drag, heat, wall = geo[c, DRAG], geo[c, HEAT], geo[c, WALL]
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        rho, u, p, y = v[RHO * n + k], v[U * n + k], v[P * n + k], v[Y * n + k]
        dt = v[STEP * n + k]
        h = dt * inv
        # pressure on the tapered wall, at half time
        push = (v[(LEFT + 2) * n + k] + v[(RIGHT + 2) * n + k]) * grow
        flow = dt * rho * abs(u)
        new = rho + h * (v[(FLUX + 0) * n + k] - v[ROW + (FLUX + 0) * n + k])
        momentum = rho * u + h * (v[(FLUX + 1) * n + k] - v[ROW + (FLUX + 1) * n + k] + push) - drag * flow * u
        energy = v[ENERGY * n + k] + h * (v[(FLUX + 2) * n + k] - v[ROW + (FLUX + 2) * n + k])
        energy += heat * flow * (wall - p * v[SPECIFIC * n + k])
        burned = rho * y + h * (v[(FLUX + 3) * n + k] - v[ROW + (FLUX + 3) * n + k])
        specific = 1.0 / new
        u = momentum * specific
        y = burned * specific
        e = max(energy * specific - 0.5 * u * u, 1e-9)
        a, b = a0 + a1 * y, b0 + b1 * y
        th = 2.0 * e / (a + math.sqrt(a * a + 2.0 * b * e))
        gamma = 1.0 + 1.0 / (a + b * th)
        v[RHO * n + k] = new
        v[U * n + k] = u
        v[P * n + k] = new * th
        v[Y * n + k] = y
        v[ENERGY * n + k] = energy
        v[GAMMA * n + k] = gamma
        v[SOUND * n + k] = math.sqrt(gamma * th)
        v[SPECIFIC * n + k] = specific


@kernel
def march_pipe(w: FloatArray, geo: FloatArray, gas: FloatArray, first: int, cells: int) -> None:
    """One step of a pipe whose end flows and end predictions are already in place."""
    last = first + cells - 1
    for c in range(first + 1, last):
        predict(w, geo, c)
        face_flux(w, geo, gas, c)
        if c > first + 1:
            advance(w, geo, gas, c - 2)
    face_flux(w, geo, gas, last)
    if cells > 2:
        advance(w, geo, gas, last - 2)
    advance(w, geo, gas, last - 1)
    advance(w, geo, gas, last)
