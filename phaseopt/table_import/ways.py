"""Ways of counting: the degrees, sign and number at rest that a file may have, and whether its phases then fit."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from phaseopt.project import Channel, Project, Side
from phaseopt.table_import.lexicon import CENTRELINES, PLACES
from phaseopt.values.arrays import FloatArray
from phaseopt.values.units import scale

_ROUNDING = 1e-9  # crank degrees


@dataclass(frozen=True, eq=False)
class Numbers:
    """The numbers of a file for one cam, and those in the rows where its phaser is locked at rest."""

    project: Project
    side: Side
    path: Path
    cells: FloatArray
    locked: FloatArray


def channels_of(numbers: Numbers, values: Mapping[str, str | float | None]) -> Iterator[Channel]:
    """Each way of counting that leaves what is known as it is, without repeats."""
    seen: list[FloatArray] = []
    degrees = ["crank", "cam"] if values["degrees"] is None else [str(values["degrees"])]
    signs = [1, -1] if values["sign"] is None else [int(values["sign"])]
    for sign, unit in product(signs, degrees):
        for zero in _rests(numbers, values["rest"], sign, scale(f"{unit} deg", "crank deg")):
            channel = Channel(sign=1 if sign == 1 else -1, zero=zero, **{"in": f"{unit} deg"})
            phases = channel.phase(numbers.cells)
            if not any(np.allclose(phases, each, rtol=0.0, atol=_ROUNDING) for each in seen):
                seen.append(phases)
                yield channel


def _rests(numbers: Numbers, value: str | float | None, sign: int, degree: float) -> list[float]:
    """Numbers that rest may have.

    Where nothing is said: 0, the number in the rows of the locked phaser, and, unless those rows say otherwise, the
    number for which 0 is an end of the travel.
    """
    least, most = travel_of(numbers)
    at = zip(PLACES, (least, most, (least + most) / 2), strict=True)
    places = {name: -sign * phase / degree + 0.0 for name, phase in at}
    if value is None:
        locked = np.unique(numbers.locked)
        if locked.size == 1:
            return [0.0, float(locked[0])]
        return [0.0, *(places[name] for name in PLACES[:2])]
    if value in CENTRELINES:
        cam, way = numbers.project.cam(numbers.side), -1.0 if numbers.side == "intake" else 1.0
        turned = 1.0 if sign == way else -1.0  # after TDC for the exhaust, before it for the intake
        return [turned * (cam.centreline + way * offset) / degree for offset in (cam.offset, 0.0)]
    return [places[value]] if isinstance(value, str) else [float(value)]


def travel_of(numbers: Numbers) -> tuple[float, float]:
    phaser = numbers.project.phaser_of(numbers.side)
    return (0.0, 0.0) if phaser is None else phaser.travel


def fits_travel(numbers: Numbers, channel: Channel, beyond: float) -> bool:
    least, most = travel_of(numbers)
    slack, phases = beyond * (most - least) + _ROUNDING, channel.phase(numbers.cells)
    return bool((least - slack <= phases.min()) and (phases.max() <= most + slack))
