"""A throttle in line with its pipe: a loss between two pipe ends, and nothing else.

Gas accelerates without loss from the pipe on the side it comes from to a throat of `phi` times the pipe's area, and
mixes at constant pressure behind it (as a jet into a pipe does in orifice.py). So total pressure before it less
pressure behind it is 1 / phi^2 dynamic heads: a loss of K heads has phi^2 = 1 / (1 + K), at K = 0 the throttle is not
there and streams keep their momentum, and a throat that is small enough chokes.

A butterfly that is wide open leaves its spindle and plate in the stream: K is 0.24 at 5 degrees and about as much in
line with a common spindle, 0.52 at 10, 3.9 at 30, 33 at 50, 750 at 70 (Weisbach's table, in Idelchik, Handbook of
Hydraulic Resistance, from memory). K itself is moved to hold a load, so that the angle is not needed.

Both pipes answer along their waves (orifice.py). One unknown is left, the flow; it is found from the acoustic answer by
steps in which the squared flow follows pressure by its present secant.
"""

import math

import numpy as np

from phaseopt.cycle.junction import (
    BRANCH,
    BURNED,
    ENERGY,
    FACE_P,
    FACE_RHO,
    FACE_V,
    FACE_Y,
    MASS,
    MOMENTUM,
    RHO,
    G,
    P,
    V,
    Y,
)  # fmt: skip
from phaseopt.cycle.lanes import LANES, inner, kernel
from phaseopt.cycle.orifice import (
    nozzle_squared,
    shut_pressure,
    stagnation,
    wave_density,
    wave_speed_change,
)  # fmt: skip
from phaseopt.values.arrays import FloatArray

# fields of the first branch, the pipe that ends here: phi; mean of the pressure behind, summed over a cycle's steps;
# area over that of the pipe that starts here; phi and mean pressure of the cycle before, and how pressure answered a
# move of phi (throttle.py)
PHI, SUM_P, RATIO, OLD_PHI, OLD_MEAN, ANSWER = 13, 14, 15, 16, 17, 18
WIDE_OPEN = 0.25  # dynamic heads lost at the spindle and plate of an open butterfly
PHI_OPEN = 1.0 / math.sqrt(1.0 + WIDE_OPEN)
ITERATIONS = 3


@inner
def _settle(
    j: float, p_u: float, p_d: float, before: tuple[float, float, float, float],
    behind: tuple[float, float, float, float], ratio: float,
) -> tuple[float, float, float, float, float, float, float, float]:  # fmt: skip
    """Both pipes' answers to a flux `j` in the first, one Newton step from end pressures `p_u` and `p_d`.

    `before` and `behind` are rho, velocity toward the throttle, p and gamma. Returns both pressures, the stagnation
    state (p, theta) of what arrives, its velocity, the velocity behind, and how far each pressure gives way to flux.
    """
    rho_u, v_u, p_ui, g_u = before
    rho_d, v_d, p_di, g_d = behind
    sound_u, sound_d = math.sqrt(g_u * p_ui / rho_u), math.sqrt(g_d * p_di / rho_d)
    v = v_u - wave_speed_change(p_u, rho_u, p_ui, g_u)
    rho = wave_density(p_u, rho_u, p_ui, g_u)
    mach = min(max(v / sound_u, 0.0), 0.8)
    give_u = sound_u / (1.0 - mach)
    p_u = max(p_u + (rho * v - j) * give_u, 0.2 * p_ui)
    v = v_u - wave_speed_change(p_u, rho_u, p_ui, g_u)
    rho = wave_density(p_u, rho_u, p_ui, g_u)
    theta0 = p_u / rho + v * v * (g_u - 1.0) / (2.0 * g_u)
    w = wave_speed_change(p_d, rho_d, p_di, g_d) - v_d
    least = 0.3 * theta0
    rho_in = p_d / max(theta0 - w * w * (g_u - 1.0) / (2.0 * g_u), least)
    give_d = sound_d / (1.0 + g_d * min(max(w / sound_d, 0.0), 2.0))
    p_d = max(p_d - (rho_in * w - j * ratio) * give_d, 0.02 * p_di)
    w = wave_speed_change(p_d, rho_d, p_di, g_d) - v_d
    return p_u, p_d, stagnation(p_u, rho, v, g_u), theta0, v, w, give_u * (1.0 - mach + mach * mach), give_d * ratio


@kernel
def solve_throttle(x: FloatArray, gas: FloatArray) -> None:
    """Fill the found fields of scratch `x`, two branches: the pipe that ends here, the one that starts here."""
    n, o = LANES, BRANCH * LANES
    a0, a1, b0, b1 = gas[0], gas[1], gas[2], gas[3]
    for k in range(LANES):
        ends = x[RHO * n + k], x[V * n + k], x[P * n + k], x[G * n + k]
        starts = x[o + RHO * n + k], x[o + V * n + k], x[o + P * n + k], x[o + G * n + k]
        y_ends, y_starts = x[Y * n + k], x[o + Y * n + k]
        shut_ends = shut_pressure(ends[0], ends[1], ends[2], ends[3])
        shut_starts = shut_pressure(starts[0], starts[1], starts[2], starts[3])
        onward = shut_ends >= shut_starts
        before = (
            ends[0] if onward else starts[0], ends[1] if onward else starts[1],
            ends[2] if onward else starts[2], ends[3] if onward else starts[3],
        )  # fmt: skip
        behind = (
            starts[0] if onward else ends[0], starts[1] if onward else ends[1],
            starts[2] if onward else ends[2], starts[3] if onward else ends[3],
        )  # fmt: skip
        y = y_ends if onward else y_starts
        high, low = (shut_ends if onward else shut_starts), (shut_starts if onward else shut_ends)
        own = x[RATIO * n + k]
        ratio = own if onward else 1.0 / own
        phi = x[PHI * n + k] * (1.0 / own if onward else 1.0)  # of the area before it
        square = phi * phi
        give_u = math.sqrt(before[3] * before[2] / before[0])
        give_d = ratio * math.sqrt(behind[3] * behind[2] / behind[0])
        q = 2.0 * square * before[0]
        b = q * (give_u + give_d)
        c = q * (high - low)
        j = 2.0 * c / (b + math.sqrt(b * b + 4.0 * c) + 1e-300)
        p_u, p_d = high - give_u * j, low + give_d * j
        v = w = theta0 = 0.0
        for _ in range(ITERATIONS):
            p_u, p_d, p0, theta0, v, w, give_u, give_d = _settle(j, p_u, p_d, before, behind, ratio)
            over = max(p0 - p_d, 0.0)
            slope = (nozzle_squared(p0, theta0, p_d, before[3]) + 2.0 * p0 / theta0) / (over + 1.0)
            q = square * slope
            b = q * (give_u + give_d)
            c = q * max(p0 - p_d + (give_u + give_d) * j, 0.0)
            j = 2.0 * c / (b + math.sqrt(b * b + 4.0 * c) + 1e-300)
        p_u, p_d, p0, theta0, v, w, give_u, give_d = _settle(j, p_u, p_d, before, behind, ratio)
        # a jet that has mixed over the pipe's area is sonic at most
        g = before[3]
        theta_sonic = theta0 * 2.0 / (g + 1.0)
        sonic = math.sqrt(g * theta_sonic)
        p_sonic = j * ratio * theta_sonic / sonic
        too_fast = p_d < p_sonic
        p_d = p_sonic if too_fast else p_d
        w = sonic if too_fast else w
        rho_u = wave_density(p_u, before[0], before[2], g)
        cooled = theta0 - w * w * (g - 1.0) / (2.0 * g)
        least = 0.3 * theta0
        rho_d = p_d / max(cooled, least)
        theta = p_u / rho_u
        h = (a0 + a1 * y + 1.0) * theta + 0.5 * (b0 + b1 * y) * theta * theta + 0.5 * v * v
        mass = j if onward else -j * ratio  # toward the throttle in the pipe that ends here
        other = -j * ratio if onward else j
        v_ends, v_starts = (v if onward else -w), (-w if onward else v)
        p_ends, p_starts = (p_u if onward else p_d), (p_d if onward else p_u)
        x[MASS * n + k], x[o + MASS * n + k] = mass, other
        x[MOMENTUM * n + k], x[o + MOMENTUM * n + k] = mass * v_ends + p_ends, other * v_starts + p_starts
        x[ENERGY * n + k], x[o + ENERGY * n + k] = mass * h, other * h
        x[BURNED * n + k], x[o + BURNED * n + k] = mass * y, other * y
        x[FACE_RHO * n + k], x[o + FACE_RHO * n + k] = (rho_u if onward else rho_d), (rho_d if onward else rho_u)
        x[FACE_V * n + k], x[o + FACE_V * n + k] = v_ends, v_starts
        x[FACE_P * n + k], x[o + FACE_P * n + k] = p_ends, p_starts
        x[FACE_Y * n + k] = y if not onward else y_ends
        x[o + FACE_Y * n + k] = y if onward else y_starts
        x[SUM_P * n + k] += p_starts


def throttle_scratch(ending: float, starting: float) -> FloatArray:
    """A wide open throttle's scratch between a pipe of area `ending` and one of area `starting`."""
    x = np.zeros((2, BRANCH, LANES))
    x[0, PHI], x[0, RATIO] = PHI_OPEN, ending / starting
    return x.ravel()
