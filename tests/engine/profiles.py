"""Cam profiles from the textbooks: fall from the peak over one flank, as share of lift over share of the flank.

Each takes the share of the flank from the peak, 0 to 1, and is 1 at 0 and 0 at 1 and beyond.
"""

from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq

Profile = Callable[[np.ndarray], np.ndarray]


def polynomial_345(share: np.ndarray) -> np.ndarray:
    """3-4-5 polynomial (Norton, Cam Design, from memory); greatest acceleration 5.7735 h/β²."""
    x = np.clip(1 - np.abs(share), 0, 1)
    return 10 * x**3 - 15 * x**4 + 6 * x**5


def cycloidal(share: np.ndarray) -> np.ndarray:
    """Cycloidal (Norton, Cam Design, from memory); greatest acceleration 2π h/β²."""
    x = np.clip(1 - np.abs(share), 0, 1)
    return x - np.sin(2 * np.pi * x) / (2 * np.pi)


def harmonic(share: np.ndarray) -> np.ndarray:
    """Simple harmonic (Norton, Cam Design, from memory)."""
    return (1 + np.cos(np.pi * np.clip(np.abs(share), 0, 1))) / 2


def harmonic_with_dwell(share: np.ndarray) -> np.ndarray:
    """Harmonic fall after a dwell at the peak for a tenth of the flank."""
    return harmonic(np.clip((np.abs(share) - 0.1) / 0.9, 0, 1))


def constant_acceleration(share: np.ndarray) -> np.ndarray:
    """Three quarters of the flank at a constant deceleration, a quarter at three times as much acceleration."""
    u = np.clip(np.abs(share), 0, 1)
    return np.where(u < 0.75, 1 - u**2 / 0.75, 4 * (1 - u) ** 2)


ALL: tuple[Profile, ...] = (polynomial_345, cycloidal, harmonic, harmonic_with_dwell, constant_acceleration)


def half_duration(profile: Profile, share_of_lift: float) -> float:
    """Share of the flank from the peak to where lift is a share of the peak."""
    return float(brentq(lambda u: float(profile(np.asarray(u))) - share_of_lift, 0.0, 1.0, xtol=1e-14))
