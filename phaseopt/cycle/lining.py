"""Pipes whose walls do more than rub: catalysts' channels, and perforated pipes in a packed can.

After each step of such a pipe (ducts.py) its cells take what their walls do to them; mass and energy stay in all.

A catalyst's channels are so narrow that flow is laminar: dp/dx = 32 mu u / d^2 round, 28.5 square (Hagen and
Poiseuille; Shah and London, Laminar Flow Forced Convection in Ducts, from memory). The brick is taken to be as hot as
the gas on its mean: it takes no heat.

A perforated pipe breathes through its holes into the packing around it, cell by cell: packing lets next to nothing pass
along the can. (Waves are slower there, so that on the production mesh sound up to 350 Hz is followed.) Through the
holes pressure falls by zeta rho u^2 / 2, u the velocity averaged over the pipe's wall and

    zeta = (0.707 sqrt(1 - s) + 1 - s)^2 / s^2,   s the open share          (Idelchik, from memory)

then through the packing by its resistivity times path and velocity (Darcy), the path as long as where the gas is stored
on its way out. The gas in a can's cell has one pressure, and
its packing takes no heat.
"""

import math

import numpy as np

from phaseopt.cycle import ducts
from phaseopt.cycle.lanes import LANES, inner, kernel
from phaseopt.values.arrays import FloatArray

LAMINAR, PACKED = 1, 2  # kinds of lining; read by kernels
# parameters: drag a viscosity [1/m^2]; or, of a cell, wall area [m^2], can [m^3], zeta, resistance [Pa s/m]
DRAG, WALL, SIZE, ZETA, RESISTANCE = 0, 0, 1, 2, 3
PARAMETERS = 4
# fields of a can's cell: its state, and a copy of the pipe's cell to work on (loops read and write one array: lanes.py)
C_MASS, C_INNER, C_BURNED, C_P, C_TH = 0, 1, 2, 3, 4
C_PIPE = 5
C_STEP = C_PIPE + ducts.SOUND + 1
CAN_FIELDS = C_STEP + 1
ROUND, SQUARE = 32.0, 28.5
HOLES_AT = 0.5  # where in the step the holes see the pressures on either side


@inner
def viscosity(t: float) -> float:
    """Of air [Pa s], for exhaust gas too (Sutherland's law with the constants of the US Standard Atmosphere, 1976).

    >>> round(viscosity(288.15) * 1e5, 2)
    1.79
    """
    return 1.458e-6 * t * math.sqrt(t) / (t + 110.4)


def hole_loss(share: float) -> float:
    """Pressure lost through perforated wall, in dynamic heads of the velocity averaged over it; Idelchik's formula.

    >>> round(hole_loss(0.3), 1)
    18.5
    """
    return float((0.707 * math.sqrt(1.0 - share) + 1.0 - share) ** 2 / share**2)


def packing_path(inside: float, outside: float) -> float:
    """Length of packing [m] that gas passes to be stored between two diameters [m], by its speed at the wall.

    The integral over radius of (speed over that at the wall) x (what flows on), since all of it stores alike.

    >>> round(packing_path(0.05, 0.0501) / 0.00005, 2)  # a thin layer: a third
    0.33
    """
    r = np.linspace(inside, outside, 401) / 2.0
    onward = (r[-1] ** 2 - r**2) / (r[-1] ** 2 - r[0] ** 2)
    return float(np.trapezoid(r[0] / r * onward**2, r))


@kernel
def settle_cell(v: FloatArray, gas: FloatArray) -> None:
    """What follows from a cell's density, velocity, total energy and burned fraction."""
    n = LANES
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        rho, u, y = v[ducts.RHO * n + k], v[ducts.U * n + k], v[ducts.Y * n + k]
        specific = 1.0 / rho
        e = max(v[ducts.ENERGY * n + k] * specific - 0.5 * u * u, 1e-9)
        a, b = a0 + a1 * y, b0 + b1 * y
        th = 2.0 * e / (a + math.sqrt(a * a + 2.0 * b * e))
        gamma = 1.0 + 1.0 / (a + b * th)
        v[ducts.P * n + k] = rho * th
        v[ducts.GAMMA * n + k] = gamma
        v[ducts.SOUND * n + k] = math.sqrt(gamma * th)
        v[ducts.SPECIFIC * n + k] = specific


@kernel
def rub(v: FloatArray, gas: FloatArray, drag: float) -> None:
    """A catalyst's cell `v` after a step: laminar drag, taken at the step's end."""
    n = LANES
    fresh, more = gas[10], gas[11]
    for k in range(LANES):
        specific = v[ducts.SPECIFIC * n + k]
        t = v[ducts.P * n + k] * specific / (fresh + more * v[ducts.Y * n + k])
        v[ducts.U * n + k] /= 1.0 + v[ducts.STEP * n + k] * drag * viscosity(t) * specific
    settle_cell(v, gas)


@kernel
def breathe(v: FloatArray, can: FloatArray, gas: FloatArray, lining: FloatArray, size: float) -> None:
    """A perforated pipe's cell `v` of a `size` [m^3] after a step: what passes between it and its `can`."""
    n = LANES
    wall, room, zeta, resistance = lining[WALL], lining[SIZE], lining[ZETA], lining[RESISTANCE]
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    per_room, per_size = 1.0 / room, 1.0 / size
    can[C_PIPE * n : (C_PIPE + ducts.SOUND + 1) * n] = v[: (ducts.SOUND + 1) * n]
    can[C_STEP * n : (C_STEP + 1) * n] = v[ducts.STEP * n : (ducts.STEP + 1) * n]
    for k in range(LANES):
        rho, u = can[(C_PIPE + ducts.RHO) * n + k], can[(C_PIPE + ducts.U) * n + k]
        p, y = can[(C_PIPE + ducts.P) * n + k], can[(C_PIPE + ducts.Y) * n + k]
        energy, dt = can[(C_PIPE + ducts.ENERGY) * n + k], can[C_STEP * n + k]
        sound, gamma = can[(C_PIPE + ducts.SOUND) * n + k], can[(C_PIPE + ducts.GAMMA) * n + k]
        mass, inside, burned = can[C_MASS * n + k], can[C_INNER * n + k], can[C_BURNED * n + k]
        over, theta = p - can[C_P * n + k], can[C_TH * n + k]
        out = over > 0.0
        donor = rho if out else mass * per_room
        answer = HOLES_AT * donor * wall * dt * (sound * sound * per_size + gamma * theta * per_room)
        b = resistance + answer
        speed = 2.0 * over / (b + math.sqrt(b * b + 2.0 * donor * zeta * abs(over)))
        moved = min(max(donor * wall * speed * dt, -0.2 * mass), 0.2 * rho * size)
        carried = (energy + p) / rho if out else inside / mass + theta
        share = y if out else burned / mass
        # gas that goes takes its speed along, gas that comes has none
        new = rho - moved * per_size
        can[(C_PIPE + ducts.RHO) * n + k] = new
        can[(C_PIPE + ducts.U) * n + k] = u if out else u * rho / new
        can[(C_PIPE + ducts.ENERGY) * n + k] = energy - moved * carried * per_size
        can[(C_PIPE + ducts.Y) * n + k] = (rho * y - moved * share * per_size) / new
        mass, inside, burned = mass + moved, inside + moved * carried, burned + moved * share
        per = 1.0 / mass
        y_can, e = burned * per, inside * per
        a, b = a0 + a1 * y_can, b0 + b1 * y_can
        theta = 2.0 * e / (a + math.sqrt(a * a + 2.0 * b * e))
        can[C_MASS * n + k], can[C_INNER * n + k], can[C_BURNED * n + k] = mass, inside, burned
        can[C_P * n + k], can[C_TH * n + k] = mass * theta * per_room, theta
    v[: (ducts.ENERGY + 1) * n] = can[C_PIPE * n : (C_PIPE + ducts.ENERGY + 1) * n]
    settle_cell(v, gas)
