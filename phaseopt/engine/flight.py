"""How far a valve stands above its lobe, by two masses in time.

The lobe drives the lifter's mass through one contact, the lifter the valve's mass through another, the spring presses
the valve to its seat. Contacts push and never pull; lash opens before the lifter meets the valve. Stiffness and damping
are known as a range only, so every combination of their ends runs, with the spring at its weak end and the masses at
their heavy end, at speeds close to each other. What a valve may stand above the lobe is the most of all of them within
`NEAR` of an angle and at any lower speed, times `IN_HAND`, and `FLOOR` more.
"""

import itertools
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.values.arrays import FloatArray
from phaseopt.values.numba import njit

FINE = 0.1  # cam degrees of the lobe's table
AFTER = 60.0  # cam degrees after closing in which a valve may still bounce
BEFORE = 2.0  # cam degrees
CAM_SHARE = 0.4  # of the train's give that is at the lobe
SEAT = 60e3  # N/mm, stiffness of a seat (judgement, no source)
FADE = 0.1  # share of the seat force, over which a contact's damping comes in
SWING = 0.5  # radians of the fastest swing in a step of time
NEAR = 3.0  # cam degrees
IN_HAND = 1.5
FLOOR = 0.02  # mm


class Train(NamedTuple):
    """Masses in kg, stiffness in N/m, damping in N s/m, lash in m; `force` over valve lift, `per_metre` a metre."""

    lifter: float
    valve: float
    cam: float
    stem: float
    seat: float
    cam_damping: float
    stem_damping: float
    seat_damping: float
    lash: float
    force: FloatArray
    per_metre: float


@njit
def _push(stiffness: float, damping: float, squeeze: float, closing: float, soft: float) -> float:
    """A contact's force, N: its damping comes in as it loads."""
    if squeeze <= 0.0:
        return 0.0
    load = stiffness * squeeze
    return max(load + damping * closing * min(1.0, load / soft), 0.0)


@njit
def _change(train: Train, up: float, rise: float, state: FloatArray, out: FloatArray) -> None:
    place = min(max(state[2] * train.per_metre, 0.0), train.force.size - 1.001)
    k = int(place)
    spring = train.force[k] + (place - k) * (train.force[k + 1] - train.force[k])
    soft = FADE * train.force[0]
    by_cam = _push(train.cam, train.cam_damping, up - state[0], rise - state[1], soft)
    by_stem = _push(train.stem, train.stem_damping, state[0] - train.lash - state[2], state[1] - state[3], soft)
    by_seat = _push(train.seat, train.seat_damping, -state[2], -state[3], soft)
    out[0] = state[1]
    out[1] = (by_cam - by_stem) / train.lifter
    out[2] = state[3]
    out[3] = (by_stem + by_seat - spring) / train.valve


@njit
def _fly(train: Train, lift: FloatArray, rise: FloatArray, speed: float, parts: int, above: FloatArray) -> None:
    """The most that the valve stands above the lobe after each step of the table, m; `speed` cam degrees a second."""
    state, middle = np.zeros(4), np.zeros(4)
    state[2] = -train.force[0] / train.seat
    if train.lash == 0.0:
        state[0] = state[2]
    k1, k2, k3, k4 = np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(4)
    step = FINE / speed / parts
    for i in range(lift.size - 1):
        for part in range(parts):
            a, b = part / parts, (part + 1) / parts
            up_a, up_b = lift[i] + a * (lift[i + 1] - lift[i]), lift[i] + b * (lift[i + 1] - lift[i])
            v_a, v_b = (rise[i] + a * (rise[i + 1] - rise[i])) * speed, (rise[i] + b * (rise[i + 1] - rise[i])) * speed
            up_c, v_c = 0.5 * (up_a + up_b), 0.5 * (v_a + v_b)
            _change(train, up_a, v_a, state, k1)
            for j in range(4):
                middle[j] = state[j] + 0.5 * step * k1[j]
            _change(train, up_c, v_c, middle, k2)
            for j in range(4):
                middle[j] = state[j] + 0.5 * step * k2[j]
            _change(train, up_c, v_c, middle, k3)
            for j in range(4):
                middle[j] = state[j] + step * k3[j]
            _change(train, up_b, v_b, middle, k4)
            for j in range(4):
                state[j] += step / 6.0 * (k1[j] + 2.0 * k2[j] + 2.0 * k3[j] + k4[j])
        above[i + 1] = max(above[i + 1], state[2] - max(lift[i + 1] - train.lash, 0.0))


class Moving(NamedTuple):
    """What moves: grams at the lifter as felt at the valve, grams with the valve, lash in mm, and ranges of stiffness
    (N/mm at the valve) and damping (share of critical)."""

    lifter: float
    valve: float
    lash: float
    stiffness: tuple[float, float]
    damping: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Flight:
    """How far a valve may stand above its lobe.

    Attributes
    ----------
    rpm : array (r,)
        Crank speeds, increasing.
    angle : array (n,)
        Crank degrees from the lobe's zero.
    above : array (r, n)
        At most so much [mm], never less at a higher speed.
    """

    rpm: FloatArray
    angle: FloatArray
    above: FloatArray

    def row(self, rpm: npt.ArrayLike) -> npt.NDArray[np.intp]:
        """The row of `above` that counts at speeds: of the next speed looked at, beyond them the last."""
        return np.minimum(np.searchsorted(self.rpm, rpm), self.rpm.size - 1)

    def most(self, rpm: float, start: float, end: float) -> float:
        """The most between two crank angles from the lobe's zero, up to a speed or the last that was looked at, mm."""
        inside = (self.angle >= start) & (self.angle <= end)
        return float(self.above[self.row(rpm), inside].max(initial=FLOOR))

    def last_open(self, rpm: float) -> float:
        """The last crank angle from the lobe's zero at which the valve may stand above the lobe, up to a speed."""
        up = np.flatnonzero(self.above[self.row(rpm)] > 2 * FLOOR)
        return float(self.angle[up[-1]]) if up.size else float(self.angle[0])


def flight(
    angle: FloatArray, lift: FloatArray, moving: Moving, force: FloatArray, top: float, rpm: FloatArray
) -> Flight:
    """How far a valve may stand above a lobe at speeds.

    Parameters
    ----------
    angle : array (n,)
        Cam degrees from the lobe's zero, `FINE` apart, from `BEFORE` the opening to `AFTER` the closing.
    lift : array (n,)
        What the lobe asks at the valve, lash not taken off [mm].
    moving : Moving
    force : array (m,)
        Spring force [N] over valve lift from 0 to `top` [mm], evenly.
    top : float
    rpm : array (r,)
        Crank speeds, increasing.
    """
    found = np.zeros((rpm.size, angle.size))
    rise = np.gradient(lift, angle) * 1e-3
    ends = [np.geomspace(*moving.stiffness, 3), np.array(moving.damping)]
    light, heavy = max(moving.lifter, 1.0) * 1e-3, moving.valve * 1e-3
    for k, damping in itertools.product(*ends):
        cam, stem, seat = k * 1e3 / CAM_SHARE, k * 1e3 / (1 - CAM_SHARE), SEAT * 1e3
        train = Train(
            light, heavy, cam, stem, seat,
            2 * damping * math.sqrt(cam * light), 2 * damping * math.sqrt(stem * heavy),
            2 * damping * math.sqrt(seat * heavy),
            moving.lash * 1e-3, force, (force.size - 1) / (top * 1e-3),
        )  # fmt: skip
        fastest = np.sqrt(max((cam + stem) / light, (stem + seat) / heavy))
        for row, each in zip(found, rpm, strict=True):
            speed = each * 3.0  # cam degrees a second
            _fly(train, lift * 1e-3, rise, speed, int(np.ceil(fastest * FINE / speed / SWING)), row)
    return Flight(rpm, angle * 2, _bounded(found * 1e3))


def _bounded(found: FloatArray) -> FloatArray:
    """The most within `NEAR` and at any lower speed, with something in hand."""
    from scipy.ndimage import maximum_filter1d

    wide = maximum_filter1d(found, 2 * int(NEAR / FINE) + 1, axis=1)
    return np.maximum.accumulate(wide, axis=0) * IN_HAND + FLOOR
