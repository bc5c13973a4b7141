"""How much a valve lets through: geometric flow area over lift, and discharge coefficients from a flow bench."""

import math
from dataclasses import dataclass

import numpy as np

from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError


@dataclass(frozen=True)
class Valve:
    """One poppet valve and its seat; lengths in mm, angles in degrees.

    `flow_in` and `flow_out` are flow-bench tables of (lift / head diameter, discharge coefficient) rows, referred to
    the geometric area below, for flow into the cylinder and out of it.
    """

    head: float
    throat: float
    stem: float
    seat_width: float
    seat_angle: float
    flow_in: tuple[tuple[float, float], ...]
    flow_out: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        if not 0.0 < self.stem < self.throat < self.head:
            raise InputError.one(
                f"stem {self.stem}, throat {self.throat} and head {self.head} mm do not fit into one another",
                hint="give diameters with stem < throat < head",
            )
        for name, table in (("flow_in", self.flow_in), ("flow_out", self.flow_out)):
            points = np.array(table, dtype=np.float64).reshape(-1, 2)
            if len(points) < 2 or np.any(np.diff(points[:, 0]) <= 0.0):
                raise InputError.one("needs two or more rows with rising lift", hint="sort the flow table", where=name)
            if np.any(points[:, 1] <= 0.0) or np.any(points[:, 1] > 1.0):
                raise InputError.one(
                    "holds a coefficient outside 0 ... 1",
                    hint="divide measured flow by the ideal flow through the geometric area",
                    where=name,
                )


def flow_area(valve: Valve, lift: FloatArray) -> FloatArray:
    """Least geometric area between valve and seat [mm^2] over lift [mm].

    Heywood, Internal Combustion Engine Fundamentals (1988), eq. 6.7-6.9 (from memory): at low lift a cone normal to the
    seat, then a slanted frustum between the seats' edges, at high lift the throat less the stem.

    >>> v = Valve(32.5, 28.0, 5.5, 1.2, 45.0, ((0.0, 0.7), (0.3, 0.6)), ((0.0, 0.7), (0.3, 0.6)))
    >>> [round(float(a)) for a in flow_area(v, np.array([0.0, 1.0, 5.0, 15.0]))]
    [0, 68, 392, 592]
    """
    angle, w = math.radians(valve.seat_angle), valve.seat_width
    mean = valve.head - w
    lift = np.maximum(lift, 0.0)
    cone = math.pi * lift * math.cos(angle) * (valve.head - 2 * w + 0.5 * lift * math.sin(2 * angle))
    frustum = math.pi * mean * np.sqrt((lift - w * math.tan(angle)) ** 2 + w**2)
    throat = math.pi / 4 * (valve.throat**2 - valve.stem**2)
    low = w / (math.sin(angle) * math.cos(angle))
    return np.minimum(np.where(lift < low, cone, frustum), throat)


def effective_area(valve: Valve, lift: FloatArray, inward: bool) -> FloatArray:
    """Flow area times discharge coefficient [mm^2] over lift [mm], for flow into the cylinder or out of it.

    >>> v = Valve(32.5, 28.0, 5.5, 1.2, 45.0, ((0.0, 0.7), (0.3, 0.6)), ((0.0, 0.7), (0.3, 0.6)))
    >>> round(float(effective_area(v, np.array([5.0]), inward=True)[0]))
    254
    """
    table = np.array(valve.flow_in if inward else valve.flow_out, dtype=np.float64)
    return flow_area(valve, lift) * np.interp(lift / valve.head, table[:, 0], table[:, 1])
