"""A junction of several pipes: one static pressure, no volume, gas mixed before it leaves.

Every branch answers along its outgoing wave (see orifice.py); the common pressure is the one at which flows cancel
(constant-pressure junction; Benson, The Thermodynamics and Gas Dynamics of Internal Combustion Engines, vol. 1, from
memory). Gas that flows on into a pipe has the mixed stagnation enthalpy and burned fraction of what arrives.
"""

import math

import numpy as np

from phaseopt.cycle.lanes import LANES, kernel
from phaseopt.cycle.orifice import wave_density
from phaseopt.values.arrays import FloatArray

# fields of a branch in the scratch array: given (rho, v toward the junction, p, y, gamma) ...
RHO, V, P, Y, G = 0, 1, 2, 3, 4
# ... found, a unit of pipe area and toward the junction, and the state at the pipe's end ...
MASS, MOMENTUM, ENERGY, BURNED, FACE_RHO, FACE_V, FACE_P, FACE_Y = 5, 6, 7, 8, 9, 10, 11, 12
# ... the common pressure and mixture as this branch sees them, and the branch's part in the common sums
_PRESSURE, _H, _TH, _MIX_Y, _AREA = 13, 14, 15, 16, 17
_IN, _OUT, _H_IN, _Y_IN, _SLOPE = 18, 19, 20, 21, 22
BRANCH = 23
ITERATIONS = 1  # Newton steps; the last step's pressure is a close start


@kernel
def start_junction(x: FloatArray, areas: FloatArray, pressure: float, theta: float) -> None:
    """Set areas [m^2] and, in every lane, the first guess of common pressure and theta."""
    for b in range(len(areas)):
        for k in range(LANES):
            x[(b * BRANCH + _PRESSURE) * LANES + k] = pressure
            x[(b * BRANCH + _TH) * LANES + k] = theta
            x[(b * BRANCH + _AREA) * LANES + k] = areas[b]


@kernel
def _branch(z: FloatArray) -> None:
    """How one branch answers the common pressure."""
    n = LANES
    for k in range(LANES):
        rho_i, v_i, p_i, gamma, p = (
            z[RHO * n + k],
            z[V * n + k],
            z[P * n + k],
            z[G * n + k],
            z[_PRESSURE * n + k],
        )
        theta_mix, area = z[_TH * n + k], z[_AREA * n + k]
        stiff = rho_i * ((gamma + 1.0) * p + (gamma - 1.0) * p_i)
        per = math.sqrt(2.0 / stiff)
        v = v_i - (p - p_i) * per
        arrives = v > 0.0
        rho = wave_density(p, rho_i, p_i, gamma)
        cooled = max(theta_mix - v * v * (gamma - 1.0) / (2.0 * gamma), 0.3 * theta_mix)
        rho_in = p / cooled
        rho = rho if arrives else rho_in
        mass = rho * v
        slope = rho * per * (1.0 - 0.5 * (p - p_i) * rho_i * (gamma + 1.0) / stiff)
        compliance = -v / (gamma * p / rho)  # density follows pressure
        z[_SLOPE * n + k] = area * max(slope + compliance, 0.3 * slope)
        z[_IN * n + k] = area * max(mass, 0.0)
        z[_OUT * n + k] = area * max(-mass, 0.0)
        z[MASS * n + k] = mass
        z[FACE_RHO * n + k] = rho
        z[FACE_V * n + k] = v


@kernel
def _enthalpy(z: FloatArray, gas: FloatArray) -> None:
    """Stagnation enthalpy of what a branch brings."""
    n = LANES
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        theta = z[_PRESSURE * n + k] / z[FACE_RHO * n + k]
        y, v = z[Y * n + k], z[FACE_V * n + k]
        h = (a0 + a1 * y + 1.0) * theta + 0.5 * (b0 + b1 * y) * theta * theta + 0.5 * v * v
        z[_H_IN * n + k] = z[_IN * n + k] * h
        z[_Y_IN * n + k] = z[_IN * n + k] * y


@kernel
def _mix(x: FloatArray, branches: int, gas: FloatArray, move: float) -> None:
    """Common enthalpy and mixture from all branches, and (with `move` 1) Newton's next pressure."""
    n, stride = LANES, BRANCH * LANES
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        arrive = leave = slope = h = y = 0.0
        for b in range(branches):
            o = b * stride + k
            arrive += x[o + _IN * n]
            leave += x[o + _OUT * n]
            slope += x[o + _SLOPE * n]
            h += x[o + _H_IN * n]
            y += x[o + _Y_IN * n]
        if arrive > 0.0:
            h /= arrive
            y /= arrive
        else:
            h, y = x[_H * n + k], x[_MIX_Y * n + k]
        a, b_ = a0 + a1 * y + 1.0, b0 + b1 * y
        theta = 2.0 * h / (a + math.sqrt(a * a + 2.0 * b_ * h)) if arrive > 0.0 else x[_TH * n + k]
        p = x[_PRESSURE * n + k]
        p = min(max(p + move * (arrive - leave) / slope, 0.5 * p), 2.0 * p)
        # what leaves must be what arrives, to the last bit that counts
        balance = arrive / leave if leave > 0.0 else 1.0
        for b in range(branches):
            o = b * stride + k
            x[o + _PRESSURE * n] = p
            x[o + _H * n] = h
            x[o + _MIX_Y * n] = y
            x[o + _TH * n] = theta
            x[o + _OUT * n] = balance


@kernel
def _finish(z: FloatArray) -> None:
    n = LANES
    for k in range(LANES):
        mass, h, y, y_in = z[MASS * n + k], z[_H * n + k], z[_MIX_Y * n + k], z[Y * n + k]
        arrives = mass > 0.0
        own = z[_H_IN * n + k] / max(z[_IN * n + k], 1e-300)
        balanced = mass * z[_OUT * n + k]
        mass = mass if arrives else balanced
        h = own if arrives else h
        y = y_in if arrives else y
        z[MASS * n + k] = mass
        z[MOMENTUM * n + k] = mass * z[FACE_V * n + k] + z[_PRESSURE * n + k]
        z[ENERGY * n + k] = mass * h
        z[BURNED * n + k] = mass * y
        z[FACE_P * n + k] = z[_PRESSURE * n + k]
        z[FACE_Y * n + k] = y


@kernel
def solve_junction(x: FloatArray, branches: int, gas: FloatArray) -> None:
    """Fill the found fields of scratch `x` (`BRANCH * LANES` a branch) from its given fields."""
    stride = BRANCH * LANES
    for i in range(ITERATIONS + 1):
        for b in range(branches):
            _branch(x[b * stride : (b + 1) * stride])
            _enthalpy(x[b * stride : (b + 1) * stride], gas)
        _mix(x, branches, gas, 1.0 if i < ITERATIONS else 0.0)
    for b in range(branches):
        _finish(x[b * stride : (b + 1) * stride])


def junction_scratch(areas: FloatArray, pressure: float, theta: float) -> FloatArray:
    """A scratch array for a junction of pipes with these areas, at rest."""
    x = np.zeros(BRANCH * LANES * len(areas))
    start_junction(x, areas, pressure, theta)
    return x
