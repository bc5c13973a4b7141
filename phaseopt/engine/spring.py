"""A valve spring as fitted: force over lift, coil bind, retainer to seal, surge.

Force between two readings is a straight line; through rows over height it is a monotone cubic, and a straight line
beyond the outermost. Surge is the lowest swing of the coils between held ends, half of sqrt(rate / mass), the mass that
of the active coils (Wahl; Shigley, from memory).
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from phaseopt.project import Side, ValveSpring
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import Mistake

LEAST_BIND = 1.0  # mm left before coil bind at full lift (common practice)
LEAST_SEAL = 1.5  # mm left between retainer and seal at full lift (common practice)
UNREAD = 1.5  # mm of height beyond the rows of a spring tester over which force is carried on as a straight line
ACTIVE = 0.75, 1.0  # share of a spring's mass in its active coils (judgement, no source)


@dataclass(frozen=True, eq=False)
class FittedSpring:
    """A spring at its fitted height under a valve of a known lift.

    Parameters
    ----------
    spring : ValveSpring
    full_lift : float
        What the valve lifts, lash taken off [mm].

    Examples
    --------
    >>> masses = {"valve": 48.0, "retainer": 9.0, "keepers": 2.0, "follower": 45.0, "spring": 48.0}
    >>> spring = ValveSpring(seat_force=260.0, full_lift_force=560.0, fitted_height=36.0, solid_height=24.0, **masses)
    >>> fitted = FittedSpring(spring, full_lift=10.0)
    >>> float(fitted.force(5.0)), fitted.coil_bind, round(fitted.rate)
    (410.0, 2.0, 30)
    """

    spring: ValveSpring
    full_lift: float

    def force(self, lift: npt.ArrayLike) -> FloatArray:
        """Force at a valve lift [mm], N; any shape."""
        at = np.asarray(lift, dtype=np.float64)
        stated = self.spring
        if stated.seat_force is not None and stated.full_lift_force is not None:
            rise = (stated.full_lift_force - stated.seat_force) / self.full_lift
            return np.asarray(stated.seat_force + rise * at)
        rows = sorted((stated.fitted_height - row.height, row.force) for row in stated.forces)
        lifts, forces = np.array(rows).T
        curve = PchipInterpolator(lifts, forces)
        inside = np.clip(at, lifts[0], lifts[-1])
        ends = np.diff(forces)[[0, -1]] / np.diff(lifts)[[0, -1]]
        return np.asarray(curve(inside) + np.where(at < inside, ends[0], ends[1]) * (at - inside))

    @property
    def seat_force(self) -> float:
        """Force with the valve shut, N."""
        return float(self.force(0.0))

    @property
    def rate(self) -> float:
        """Mean rate over the lift, N/mm."""
        return float(self.force(self.full_lift) - self.force(0.0)) / self.full_lift

    @property
    def coil_bind(self) -> float:
        """What is left at full lift before the coils touch, mm."""
        return self.spring.fitted_height - self.spring.solid_height - self.full_lift

    @property
    def retainer_to_seal(self) -> float | None:
        """What is left between retainer and seal at full lift, mm; None where it is not stated."""
        closed = self.spring.retainer_to_seal
        return closed - self.full_lift if closed is not None else None

    @property
    def surge(self) -> tuple[float, float]:
        """Between what the lowest surge frequency is, Hz: the active coils are part of the mass."""
        most, least = (math.sqrt(self.rate * 1e3 / (share * self.spring.spring * 1e-3)) / 2 for share in ACTIVE)
        return least, most

    def mistakes(self, side: Side) -> list[Mistake]:
        """What cannot be: coils or retainer that touch before full lift, forces read nowhere near the lift."""
        found, stated = [], self.spring
        if self.coil_bind <= 0:
            found.append(
                Mistake(
                    f"the coils touch {-self.coil_bind:.2f} mm before full lift of {self.full_lift:.2f} mm (fitted "
                    f"{stated.fitted_height:g} mm, solid {stated.solid_height:g} mm)",
                    "measure both heights in mm; if they are right, fit another spring or take shim out",
                    where=f"{side}.spring.solid_height",
                )
            )
        left = self.retainer_to_seal
        if left is not None and left <= 0:
            found.append(
                Mistake(
                    f"the retainer meets the seal {-left:.2f} mm before full lift of {self.full_lift:.2f} mm",
                    "measure from retainer to seal with the valve shut; if it is right, cut the guide or fit another "
                    "retainer",
                    where=f"{side}.spring.retainer_to_seal",
                )
            )
        heights = [row.height for row in stated.forces]
        if heights:
            beyond = max(stated.fitted_height - max(heights), min(heights) - (stated.fitted_height - self.full_lift))
            if beyond > UNREAD:
                found.append(
                    Mistake(
                        f"no force is given within {beyond:.1f} mm of a height that the spring works at",
                        f"read forces from {stated.fitted_height:g} mm to "
                        f"{stated.fitted_height - self.full_lift:.1f} mm",
                        where=f"{side}.spring.forces",
                    )
                )
        return found
