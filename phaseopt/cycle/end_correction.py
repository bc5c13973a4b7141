"""How much longer than it is a pipe swings, where it ends in the open air, in a box or in a wider pipe.

Just outside its end gas still moves with the pipe's. In the open air that is worth 0.61 radii of a thin-walled end
(Levine and Schwinger 1948) and 8 / 3 pi = 0.85 of one in a wide wall (Rayleigh's piston), from memory. In a room that
is not much wider than the pipe there is less of it. For a pipe of radius a that opens into one of radius b, on the same
axis, the cross modes of the wide pipe give it in closed form (Karal 1953, from memory; by hand from a plane piston):

    length / a = 4 / x  sum over m of  J1(k x)^2 / (k^3 J0(k)^2),     x = a / b,   J1(k) = 0

0.85 for a narrow pipe, about 0.85 (1 - 1.25 x) up to x = 0.4 (Ingard 1953, from memory), nothing for an equal one.
A box counts as a cube of its volume.
"""

import math

import numpy as np
from scipy.special import j0, j1, jn_zeros

from phaseopt.project.pipes import Mouth

THIN, WALL = 0.6133, 8.0 / (3.0 * math.pi)  # radii
_MODES = jn_zeros(1, 400)


def step_correction(ratio: float) -> float:
    """In radii of the narrow pipe, for a `ratio` of diameters.

    >>> [round(step_correction(x), 2) for x in (0.02, 0.3, 1.0)]
    [0.83, 0.52, 0.0]
    """
    x = min(max(ratio, 0.01), 1.0)
    return float(4.0 / x * np.sum(j1(_MODES * x) ** 2 / (_MODES**3 * j0(_MODES) ** 2)))


def cube_width(litres: float) -> float:
    """Diameter [mm] of a circle as large as a side of a cube.

    >>> round(cube_width(1.0))
    113
    """
    return 100.0 * math.sqrt(4.0 / math.pi) * float(litres ** (1.0 / 3.0))


def end_correction(diameter: float, room: float | None, mouth: Mouth | None = None) -> float:
    """Length to add [mm] at an end of a `diameter` in a `room` so wide [mm] (None: the open air).

    Without a stated mouth a pipe ends thin-walled in the open air, and in a room's wall.

    >>> [round(end_correction(40.0, room, "plain"), 1) for room in (None, 120.0)]
    [12.3, 7.0]
    """
    in_wall = mouth == "flush" or (mouth is None and room is not None)
    narrowed = 1.0 if room is None else step_correction(diameter / room) / WALL
    return (WALL if in_wall else THIN) * 0.5 * diameter * narrowed
