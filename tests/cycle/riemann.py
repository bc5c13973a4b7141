"""The exact solution of the Riemann problem for an ideal gas.

After Toro, Riemann Solvers and Numerical Methods for Fluid Dynamics, chapter 4 (from memory).
"""

import numpy as np
from scipy.optimize import brentq


def _side(p, rho, p_k, g):
    """Velocity change across the left or right wave, and density behind it."""
    if p > p_k:
        a, b = 2 / ((g + 1) * rho), (g - 1) / (g + 1) * p_k
        ratio = p / p_k
        m = (g - 1) / (g + 1)
        return (p - p_k) * np.sqrt(a / (p + b)), rho * (ratio + m) / (m * ratio + 1)
    c = np.sqrt(g * p_k / rho)
    return 2 * c / (g - 1) * ((p / p_k) ** ((g - 1) / (2 * g)) - 1), rho * (p / p_k) ** (1 / g)


def star(left, right, g=1.4):
    """Pressure, velocity and the two densities between the waves; states are (rho, u, p)."""
    (rl, ul, pl), (rr, ur, pr) = left, right
    p = brentq(
        lambda x: _side(x, rl, pl, g)[0] + _side(x, rr, pr, g)[0] + ur - ul,
        1e-12,
        1e7,
        xtol=1e-13,
        rtol=1e-14,
    )
    f_l, rho_l = _side(p, rl, pl, g)
    f_r, rho_r = _side(p, rr, pr, g)
    return p, 0.5 * (ul + ur + f_r - f_l), rho_l, rho_r


def sample(left, right, s, g=1.4):
    """Density, velocity and pressure at speeds `s` = x / t."""
    p, u, rho_l, rho_r = star(left, right, g)
    out = np.empty((3, len(s)))
    for i, x in enumerate(s):
        mirror = x > u
        rho, v, pk = (right[0], -right[1], right[2]) if mirror else left
        x, v_star, rho_star = (-x, -u, rho_r) if mirror else (x, u, rho_l)
        c = np.sqrt(g * pk / rho)
        if p > pk:
            shock = v - c * np.sqrt((g + 1) / (2 * g) * p / pk + (g - 1) / (2 * g))
            state = (rho, v, pk) if x < shock else (rho_star, v_star, p)
        else:
            c_star = c * (p / pk) ** ((g - 1) / (2 * g))
            if x < v - c:
                state = (rho, v, pk)
            elif x > v_star - c_star:
                state = (rho_star, v_star, p)
            else:
                k = 2 / (g + 1) + (g - 1) / ((g + 1) * c) * (v - x)
                state = (
                    rho * k ** (2 / (g - 1)),
                    2 / (g + 1) * (c + (g - 1) / 2 * v + x),
                    pk * k ** (2 * g / (g - 1)),
                )
        out[:, i] = state[0], -state[1] if mirror else state[1], state[2]
    return out
