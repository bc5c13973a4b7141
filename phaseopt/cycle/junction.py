"""A junction of several pipes: one static pressure, no volume, gas mixed before it leaves.

Every branch answers along its outgoing wave (see orifice.py); the common pressure is the one at which flows cancel
(constant-pressure junction; Benson, The Thermodynamics and Gas Dynamics of Internal Combustion Engines, vol. 1, from
memory). Gas that flows on into a pipe has the mixed stagnation enthalpy and burned fraction of what arrives.

A junction that loses pressure has its common pressure in the pipes from which gas arrives. What arrives brings velocity
along, `w` in the direction of a pipe that gas leaves by: the mean by mass of its parts in that direction. There, at
velocity u, pressure is lower by

    rho u (u - w)                                   where the stream slows down, u < w
    rho (u^2 - w^2) / 2 + rho u (u - w) / 4         where it speeds up (w^2 counts where w is forwards)

The first is momentum: Borda-Carnot's loss where a pipe widens, and for one stream the loss at an angle of Bassett,
Pearson, Fleming and Watterson (SAE 2003-01-0370, from memory), who take three quarters of the angle by which it turns
since it does not fill the pipe. The second is Bernoulli's law, with the loss of a sharp-edged contraction, half a
dynamic head of a pipe that leaves a wide space (Crane, Technical Paper 410, from memory).
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
# ... and where pressure is lost: whether its pipe ends here, the common pressure, this branch's own, how far that
# follows, and the velocity that arrives in its direction
_ENDS, _COMMON, _OWN, _FOLLOWS, _ALONG = 23, 24, 25, 26, 27
BRANCH = 28
EDGE = 0.5  # dynamic heads that a stream loses at the sharp edge of a pipe that leaves a wide space
STREAM = 0.75  # part of the angle that a stream turns by
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


@kernel
def _arrivals(x: FloatArray, branches: int, across: float, back: float) -> None:
    """Velocity that arrives in each branch's direction, from what arrived when last looked at.

    `across` and `back` are cosines between the stream of a pipe that ends here and one that starts here, and between
    two that both end or both start here.
    """
    n, stride = LANES, BRANCH * LANES
    for k in range(LANES):
        mass, ending, starting = 1e-12, 0.0, 0.0
        for b in range(branches):
            o = b * stride + k
            arrives = x[o + _IN * n]
            moves = arrives * x[o + FACE_V * n]
            mass += arrives
            ending += moves * x[o + _ENDS * n]
            starting += moves * (1.0 - x[o + _ENDS * n])
        per = 1.0 / mass
        out_of_end, out_of_start = (across * starting + back * ending) * per, (across * ending + back * starting) * per
        for b in range(branches):
            o = b * stride + k
            x[o + _ALONG * n] = x[o + _ENDS * n] * out_of_end + (1.0 - x[o + _ENDS * n]) * out_of_start


@kernel
def _look_at_own(z: FloatArray, gas: FloatArray) -> None:
    """A branch's own pressure under the common one, how it answers that, and how far it follows.

    A pipe answers along its wave, so the velocity out of the junction follows from a quadratic.
    """
    n = LANES
    for k in range(LANES):
        p, p_i, rho_i, gamma = z[_COMMON * n + k], z[P * n + k], z[RHO * n + k], z[G * n + k]
        rho, own = p / z[_TH * n + k], z[_OWN * n + k]
        per = math.sqrt(2.0 / (rho_i * ((gamma + 1.0) * own + (gamma - 1.0) * p_i)))
        free = (p - p_i) * per - z[V * n + k]  # velocity out of the junction if nothing were lost
        w = min(z[_ALONG * n + k], 0.6 / (per * rho))
        forwards = max(w, 0.0)
        slows = free < w
        square = 1.0 if slows else 0.5 + 0.5 * EDGE
        line = w if slows else 0.5 * EDGE * w
        bonus = 0.0 if slows else 0.5 * rho * forwards * forwards
        a, b, c = per * rho * square, 1.0 - per * rho * line, free + per * bonus
        root = math.sqrt(b * b + 4.0 * a * max(c, 0.0))
        u = 2.0 * c / (b + root)
        leaves = free > 0.0
        own = p - rho * u * (square * u - line) + bonus if leaves else p
        z[_OWN * n + k] = own
        z[_PRESSURE * n + k] = own
        z[_FOLLOWS * n + k] = 1.0 / root if leaves else 1.0
    _branch(z)
    _enthalpy(z, gas)
    for k in range(LANES):
        z[_SLOPE * n + k] *= z[_FOLLOWS * n + k]
        z[_PRESSURE * n + k] = z[_COMMON * n + k]


@kernel
def _shut_without_way_out(x: FloatArray, branches: int) -> None:
    """Where gas arrives in every branch, as may happen in the first step from rest, none does: there is no room."""
    n, stride = LANES, BRANCH * LANES
    for k in range(LANES):
        most = 0.0
        for b in range(branches):
            most = max(most, -x[b * stride + MASS * n + k])
        for b in range(branches):
            x[b * stride + MASS * n + k] *= 1.0 if most > 0.0 else 0.0


@kernel
def solve_with_losses(x: FloatArray, branches: int, gas: FloatArray, across: float, back: float) -> None:
    """`solve_junction` where streams lose pressure; `across` and `back` as for `_arrivals`."""
    n, stride = LANES, BRANCH * LANES
    for i in range(ITERATIONS + 1):
        _arrivals(x, branches, across, back)
        for b in range(branches):
            _look_at_own(x[b * stride : (b + 1) * stride], gas)
        _mix(x, branches, gas, 1.0 if i < ITERATIONS else 0.0)
        for b in range(branches):
            z = x[b * stride : (b + 1) * stride]
            for k in range(LANES):
                z[_COMMON * n + k] = z[_PRESSURE * n + k]
    _shut_without_way_out(x, branches)
    for b in range(branches):
        z = x[b * stride : (b + 1) * stride]
        for k in range(LANES):
            z[_PRESSURE * n + k] = z[_OWN * n + k]
        _finish(z)


def stream_cosines(angle: float) -> tuple[float, float]:
    """Cosines of the turn of a stream, from a pipe that ends in a junction to one that starts there, and to its like.

    >>> across, back = stream_cosines(0.0)
    >>> round(across, 2), round(back, 2)
    (1.0, -0.71)
    """
    return math.cos(STREAM * math.radians(angle)), math.cos(STREAM * math.radians(180.0 - 2.0 * angle))


def junction_scratch(areas: FloatArray, pressure: float, theta: float, ending: FloatArray | None = None) -> FloatArray:
    """A scratch array for a junction of pipes with these areas, at rest; `ending` 1 for those that end there."""
    x = np.zeros(BRANCH * LANES * len(areas))
    start_junction(x, areas, pressure, theta)
    fields = x.reshape(len(areas), BRANCH, LANES)
    fields[:, [_COMMON, _OWN]] = pressure
    fields[:, _ENDS] = np.zeros((len(areas), 1)) if ending is None else ending[:, None]
    return x
