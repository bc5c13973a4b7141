"""The end of a pipe that opens into a space: a valve, a throttle, a bellmouth, the open air, or (shut) a wall.

Quasi-steady flow through a throat of `phi` times the pipe's area. The gas upstream (space or pipe) accelerates
without loss to the throat; pressure there is the downstream static pressure, or critical where it chokes (Benson, The
Thermodynamics and Gas Dynamics of Internal Combustion Engines, vol. 1, from memory). A jet into the pipe mixes at
constant pressure, keeps its stagnation enthalpy, and is sonic at most once mixed. The pipe answers along its outgoing
wave, shock relations standing in for rarefactions too (they agree to third order in strength).

One unknown remains, the pressure in the pipe at its end. It lies between the pressure of the space (a fully open end)
and that of a shut end, and is found by bracketed secants (Anderson and Bjorck) from a closed-form start and one Newton
step: four evaluations leave 1e-5 of the flow in all but extreme cases. Flows are conserved in any case.
"""

import math
from typing import NamedTuple

from phaseopt.cycle.lanes import LANES, inner, kernel
from phaseopt.values.arrays import FloatArray

# fields of the scratch array: given ...
PHI_OUT, PHI_IN = 0, 1  # throat over pipe area, for flow out of the pipe and into it
SPACE_P, SPACE_TH, SPACE_Y, SPACE_H, SPACE_G = (
    2,
    3,
    4,
    5,
    6,
)  # pressure, theta, burned, enthalpy, gamma of the space
PIPE_RHO, PIPE_V, PIPE_P, PIPE_Y, PIPE_G = (
    7,
    8,
    9,
    10,
    11,
)  # pipe at its end, before the end answers; v outward
# ... and found, flows a unit of pipe area and outward
MASS, MOMENTUM, ENERGY, BURNED = 12, 13, 14, 15
FACE_RHO, FACE_V, FACE_P, FACE_Y = 16, 17, 18, 19
_WALL_P, _AT, _LOW, _G_LOW, _HIGH, _G_HIGH, _SIDE, _ROOTS = 20, 21, 22, 23, 24, 25, 26, 27
SCRATCH = 28 * LANES

ITERATIONS = 3


@inner
def power(ratio: float, exponent: float) -> float:
    """`ratio ** exponent` for ratios in 0.4 ... 1 and exponents in 0 ... 1, to 1e-7, without a branch.

    >>> abs(power(0.5283, 1 / 1.4) / 0.5283 ** (1 / 1.4) - 1) < 1e-7
    True
    """
    z = (ratio - 1.0) / (ratio + 1.0)
    q = z * z
    log = (
        2.0
        * z
        * (1 + q * (1 / 3 + q * (1 / 5 + q * (1 / 7 + q * (1 / 9 + q * (1 / 11 + q * (1 / 13 + q * (1 / 15))))))))
    )
    e = log * exponent
    tail = 1 + e * (1 / 5) * (1 + e * (1 / 6) * (1 + e * (1 / 7) * (1 + e * (1 / 8) * (1 + e * (1 / 9)))))
    return 1 + e * (1 + e * (1 / 2) * (1 + e * (1 / 3) * (1 + e * (1 / 4) * tail)))


@inner
def wave_speed_change(p: float, rho_i: float, p_i: float, gamma: float) -> float:
    """Velocity lost by gas at (`rho_i`, `p_i`) when a wave running into it raises its pressure to `p`."""
    return (p - p_i) * math.sqrt(2.0 / (rho_i * ((gamma + 1.0) * p + (gamma - 1.0) * p_i)))


@inner
def wave_density(p: float, rho_i: float, p_i: float, gamma: float) -> float:
    """Density behind that wave."""
    low, high = (gamma - 1.0) * p_i, (gamma + 1.0) * p_i
    return rho_i * ((gamma + 1.0) * p + low) / ((gamma - 1.0) * p + high)


@inner
def shut_pressure(rho_i: float, v_i: float, p_i: float, gamma: float) -> float:
    """Pressure at a shut end: the wave that brings the gas to rest, a quadratic in its strength."""
    half = 0.25 * (gamma + 1.0) * rho_i
    rise = half * v_i * v_i + v_i * math.sqrt(half * half * v_i * v_i + gamma * p_i * rho_i)
    return max(p_i + rise, 0.02 * p_i)


@inner
def stagnation(p: float, rho: float, v: float, gamma: float) -> float:
    """Stagnation pressure [Pa] of a stream: the isentropic formula as a series in Mach number, to 0.1 % at Mach 0.9."""
    m = v * v * rho / (gamma * p)
    g = gamma * m
    return p * (1 + g / 2 * (1 + m / 4 * (1 + (2 - gamma) * (1 / 6) * m * (1 + (3 - 2 * gamma) * m * (1 / 8)))))


@inner
def nozzle_squared(p0: float, theta0: float, p: float, gamma: float) -> float:
    """Square of the mass flow through a unit throat, from rest at (`p0`, `theta0`) to pressure `p`, choked where due.

    The critical ratio (2 / (gamma + 1)) ** (gamma / (gamma - 1)) is a straight line in gamma to 1e-4 of the flow.
    """
    # exact at the flow's maximum: w = r ** (1 / gamma) is critical at (2 / (gamma + 1)) ** (1 / (gamma - 1))
    over = gamma - 1.4
    critical = 0.528281 - over * (0.168249 - 0.062485 * over)
    ratio = min(max(p / p0, critical), 1.0)
    w = power(ratio, 1.0 / gamma)
    return p0 * p0 / theta0 * (2.0 * gamma / (gamma - 1.0)) * w * (w - ratio)


class _End(NamedTuple):  # read by kernels
    """One lane's end: which way gas flows, the throat for that way, the space, and the pipe before the end answers."""

    out: bool
    phi: float
    space_p: float
    space_th: float
    space_g: float
    rho: float
    v: float
    p: float
    gamma: float


@inner
def _answer(p: float, end: _End) -> tuple[float, float, float]:
    """Velocity and density at the end for end pressure `p`, and the square of the throat's flow."""
    v = end.v - wave_speed_change(p, end.rho, end.p, end.gamma)
    cooled = max(end.space_th - v * v * (end.space_g - 1.0) / (2.0 * end.space_g), 0.3 * end.space_th)
    rho = wave_density(p, end.rho, end.p, end.gamma) if end.out else p / cooled
    p0 = stagnation(p, rho, v, end.gamma)
    theta0 = p / rho + v * v * (end.gamma - 1.0) / (2.0 * end.gamma)
    p_up = p0 if end.out else end.space_p
    th_up = theta0 if end.out else end.space_th
    g_up = end.gamma if end.out else end.space_g
    p_down = end.space_p if end.out else p
    return v, rho, end.phi * end.phi * nozzle_squared(p_up, th_up, p_down, g_up)


@kernel
def solve_orifice(x: FloatArray) -> None:
    """Fill the found fields of scratch `x` from its given fields."""
    n = LANES
    for k in range(LANES):
        rho_i, v_i, p_i = x[PIPE_RHO * n + k], x[PIPE_V * n + k], x[PIPE_P * n + k]
        gamma, space_p = x[PIPE_G * n + k], x[SPACE_P * n + k]
        v_open = v_i - wave_speed_change(space_p, rho_i, p_i, gamma)
        out = v_open > 0.0
        phi_out, phi_in = x[PHI_OUT * n + k], x[PHI_IN * n + k]
        phi = phi_out if out else phi_in
        shut = shut_pressure(rho_i, v_i, p_i, gamma)
        # start: an acoustic wave meets Bernoulli's law, or a choked throat
        rho_up = rho_i if out else space_p / x[SPACE_TH * n + k]
        g_up = gamma if out else x[SPACE_G * n + k]
        p_up = max(shut, space_p)
        rho_end = rho_i if out else 0.5 * (rho_up + shut / x[SPACE_TH * n + k])
        a = rho_end * rho_end * v_open * v_open + 1e-30
        rest = 1.0 - phi * phi if out else 1.0
        b = phi * phi * 2.0 * rho_up * abs(shut - space_p)
        share = 2.0 * a * rest / (2.0 * a * rest + b + math.sqrt(b * (b + 4.0 * a * rest)) + 1e-30)
        most = 0.33 * g_up * rho_up * p_up  # square of choked flow, 0.6847^2 for gamma 1.4
        choked = 1.0 - phi * math.sqrt(most / a)
        x[_WALL_P * n + k] = shut
        x[_AT * n + k] = min(max(share, choked, 0.0), 1.0)
        # the bracket's ends, an open and a shut pipe, by the same closed forms: they only weigh the first secant
        x[_LOW * n + k] = 0.0
        x[_SIDE * n + k] = 0.0
        # flows are nearly straight lines in pressure where the throat is small, their squares where it is wide
        roots = x[_AT * n + k] > 0.4
        shut_flow = min(b, phi * phi * most)
        x[_ROOTS * n + k] = 1.0 if roots else 0.0
        x[_G_LOW * n + k] = math.sqrt(a * rest) if roots else a * rest
        x[_HIGH * n + k] = 1.0
        x[_G_HIGH * n + k] = -math.sqrt(shut_flow) if roots else -shut_flow
    for _ in range(ITERATIONS):
        for k in range(LANES):
            rho_i, v_i, p_i = x[PIPE_RHO * n + k], x[PIPE_V * n + k], x[PIPE_P * n + k]
            gamma, space_p = x[PIPE_G * n + k], x[SPACE_P * n + k]
            out = v_i - wave_speed_change(space_p, rho_i, p_i, gamma) > 0.0
            phi_out, phi_in = x[PHI_OUT * n + k], x[PHI_IN * n + k]
            phi = phi_out if out else phi_in
            at = x[_AT * n + k]
            p = space_p + at * (x[_WALL_P * n + k] - space_p)
            end = _End(out, phi, space_p, x[SPACE_TH * n + k], x[SPACE_G * n + k], rho_i, v_i, p_i, gamma)
            v, rho, f2 = _answer(p, end)
            m2 = rho * rho * v * v
            g = m2 - f2
            root = math.sqrt(m2 + 1e-30) - math.sqrt(f2)
            g = root if x[_ROOTS * n + k] > 0.0 else g
            up = g > 0.0
            low, high = x[_LOW * n + k], x[_HIGH * n + k]
            low = at if up else low
            high = high if up else at
            # when one end of the bracket stays put twice, its weight is reduced (Anderson and Bjorck)
            same = (1.0 if up else -1.0) * x[_SIDE * n + k] > 0.0
            g_low, g_high = x[_G_LOW * n + k], x[_G_HIGH * n + k]
            fade = 1.0 - g / (g_low + 1e-30 if up else g_high - 1e-30)
            fade = (fade if fade > 0.0 else 0.5) if same else 1.0
            g_low = g if up else fade * g_low
            g_high = fade * g_high if up else g
            x[_SIDE * n + k] = 1.0 if up else -1.0
            gap = g_low - g_high
            new = low + (high - low) * (g_low / (gap + 1e-30))
            x[_LOW * n + k] = low
            x[_G_LOW * n + k] = g_low
            x[_HIGH * n + k] = high
            x[_G_HIGH * n + k] = g_high
            x[_AT * n + k] = min(max(new, 0.0), 1.0)


@kernel
def finish_orifice(x: FloatArray, gas: FloatArray) -> None:
    """Flows of mass, momentum, energy and burned mass for the solution that `solve_orifice` left in scratch `x`."""
    n = LANES
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        rho_i, v_i, p_i = x[PIPE_RHO * n + k], x[PIPE_V * n + k], x[PIPE_P * n + k]
        gamma, space_p = x[PIPE_G * n + k], x[SPACE_P * n + k]
        out = v_i - wave_speed_change(space_p, rho_i, p_i, gamma) > 0.0
        phi_out, phi_in = x[PHI_OUT * n + k], x[PHI_IN * n + k]
        phi = phi_out if out else phi_in
        p = space_p + x[_AT * n + k] * (x[_WALL_P * n + k] - space_p)
        end = _End(out, phi, space_p, x[SPACE_TH * n + k], x[SPACE_G * n + k], rho_i, v_i, p_i, gamma)
        v, rho, f2 = _answer(p, end)
        flow = math.sqrt(max(f2, 0.0))
        mass = flow if out else -flow
        # a jet that has mixed over the pipe's area is sonic at most
        space_g = x[SPACE_G * n + k]
        theta_sonic = x[SPACE_TH * n + k] * 2.0 / (space_g + 1.0)
        sonic = math.sqrt(space_g * theta_sonic)
        p_sonic = flow * theta_sonic / sonic
        too_fast = p < p_sonic and not out
        p = p_sonic if too_fast else p
        v = -sonic if too_fast else v
        rho = p_sonic / theta_sonic if too_fast else rho
        theta = p / rho
        y = x[PIPE_Y * n + k]
        h = (a0 + a1 * y + 1.0) * theta + 0.5 * (b0 + b1 * y) * theta * theta + 0.5 * v * v
        space_h, space_y = x[SPACE_H * n + k], x[SPACE_Y * n + k]
        h = h if out else space_h
        y = y if out else space_y
        x[MASS * n + k] = mass
        x[MOMENTUM * n + k] = mass * v + p
        x[ENERGY * n + k] = mass * h
        x[BURNED * n + k] = mass * y
        x[FACE_RHO * n + k] = rho
        x[FACE_V * n + k] = v
        x[FACE_P * n + k] = p
        x[FACE_Y * n + k] = y


@kernel
def solve_wall(x: FloatArray) -> None:
    """The found fields of scratch `x` in the lanes whose end is shut (both throats 0); the other lanes stay."""
    n = LANES
    for k in range(LANES):
        rho_i, v_i, p_i, gamma = x[PIPE_RHO * n + k], x[PIPE_V * n + k], x[PIPE_P * n + k], x[PIPE_G * n + k]
        shut = x[PHI_OUT * n + k] + x[PHI_IN * n + k] <= 0.0
        p = shut_pressure(rho_i, v_i, p_i, gamma)
        rho = wave_density(p, rho_i, p_i, gamma)
        x[MASS * n + k] = 0.0 if shut else x[MASS * n + k]
        x[MOMENTUM * n + k] = p if shut else x[MOMENTUM * n + k]
        x[ENERGY * n + k] = 0.0 if shut else x[ENERGY * n + k]
        x[BURNED * n + k] = 0.0 if shut else x[BURNED * n + k]
        x[FACE_RHO * n + k] = rho if shut else x[FACE_RHO * n + k]
        x[FACE_V * n + k] = 0.0 if shut else x[FACE_V * n + k]
        x[FACE_P * n + k] = p if shut else x[FACE_P * n + k]
        x[FACE_Y * n + k] = x[PIPE_Y * n + k] if shut else x[FACE_Y * n + k]
