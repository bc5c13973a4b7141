"""Four invented race engines, two with individual throttles and two on a plenum, described as a builder would.

No real engine is meant. Dimensions are those of published practice for tuned fours: valves of 0.40 and 0.34 of the
bore, throats of 0.87 of the head, lift of a third of the head, ports that flow 0.66 of their least area at full lift,
intake tracts of 300 to 420 mm, primaries of 450 to 700 mm (common practice, no source). Frozen before what they judge
was changed; fillings of real ones of the kind are 1.15 to 1.25 on individual throttles, 1.10 and more on a plenum.
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from engines import project_of
from pipework import pipe

from phaseopt.project import Project

FLOW = [[0.05, 0.72], [0.10, 0.71], [0.15, 0.70], [0.20, 0.68], [0.25, 0.67], [0.35, 0.66]]  # both ways
LOBES = 104.0, 106.0  # centrelines, intake and exhaust


@dataclass(frozen=True)
class Race:
    """One of them; lengths in mm, lift in mm and crank degrees above 0.4 mm, lash taken off."""

    bore: float
    stroke: float
    compression: float
    valves: tuple[float, float]  # heads, intake and exhaust
    lift: tuple[float, float]
    duration: tuple[float, float]
    intake: list[dict[str, Any]]
    exhaust: list[dict[str, Any]]
    ports: tuple[tuple[float, float, float], tuple[float, float, float]]  # length, start, end
    speeds: tuple[float, float]
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def individual(self) -> bool:
        """Has individual throttles."""
        return any(part["part"] == "throttle" and "to" not in part for part in self.intake)


def _four_two_one(primary: float, secondary: float, wide: tuple[float, float, float]) -> list[dict[str, Any]]:
    return [
        pipe("primary", ["cylinder 1", "cylinder 4"], "Y 1", (primary, wide[0])),
        pipe("primary", ["cylinder 2", "cylinder 3"], "Y 2", (primary, wide[0])),
        {"part": "junction", "name": "Y 1", "angle": 10},
        {"part": "junction", "name": "Y 2", "angle": 10},
        pipe("secondary", ["Y 1", "Y 2"], "collector", (secondary, wide[1])),
        {"part": "collector", "name": "collector", "angle": 10},
        *_silenced(wide[2]),
    ]


def _four_one(primary: float, wide: tuple[float, float]) -> list[dict[str, Any]]:
    return [
        pipe("primary", "each cylinder", "collector", (primary, wide[0])),
        {"part": "collector", "name": "collector", "angle": 10},
        *_silenced(wide[1]),
    ]


def _silenced(wide: float) -> list[dict[str, Any]]:
    return [
        pipe("middle", "collector", "silencer", (700, wide)),
        {"part": "silencer", "name": "silencer", "length": 500, "diameter": wide, "can": 130, "open_area": 0.35},
        pipe("tail", "silencer", "open air", (200, wide)),
    ]


def _trumpets(*pieces: tuple[float, ...]) -> list[dict[str, Any]]:
    return [
        {"part": "throttle", "name": "throttles", "from": "open air"},
        pipe("trumpet", "throttles", "each cylinder", *pieces, mouth="flared"),
    ]


def _plenum(litres: float, *pieces: tuple[float, ...]) -> list[dict[str, Any]]:
    return [
        {"part": "throttle", "name": "throttle", "from": "open air", "to": "plenum"},
        {"part": "plenum", "name": "plenum", "volume": litres},
        pipe("runner", "plenum", "each cylinder", *pieces, mouth="flared"),
    ]


RACES = {
    "sprint four": Race(
        86.0, 86.0, 12.5, (35.5, 30.0), (12.0, 11.2), (286.0, 280.0),
        _trumpets((45, 66, 50), (205, 50, 46)), _four_two_one(500.0, 450.0, (41.0, 48.0, 60.0)),
        ((95.0, 46.0, 43.0), (80.0, 37.0, 41.0)), (5000.0, 9000.0),
    ),
    "screamer": Race(
        79.0, 81.4, 12.2, (31.5, 27.0), (11.0, 10.2), (288.0, 280.0),
        _trumpets((40, 60, 45), (185, 45, 42)), _four_one(560.0, (38.0, 54.0)),
        ((90.0, 42.0, 39.0), (75.0, 33.5, 38.0)), (5500.0, 9500.0),
    ),
    "boxed four": Race(
        86.0, 86.0, 12.2, (35.5, 30.0), (11.4, 10.8), (276.0, 272.0),
        _plenum(9.0, (45, 62, 47), (245, 47, 45)), _four_two_one(480.0, 500.0, (41.0, 48.0, 60.0)),
        ((95.0, 45.0, 42.0), (80.0, 37.0, 41.0)), (4500.0, 8500.0), {"full_throttle_depression": 1.0},
    ),
    "long-stroke four": Race(
        90.0, 94.0, 11.8, (36.5, 31.0), (11.5, 10.8), (274.0, 270.0),
        _plenum(7.0, (45, 64, 48), (290, 48, 46)), _four_one(650.0, (44.0, 66.0)),
        ((100.0, 46.0, 43.0), (85.0, 39.0, 44.0)), (4000.0, 8000.0), {"full_throttle_depression": 1.0},
    ),
}  # fmt: skip


def _lobe(peak: float, duration: float) -> str:
    """A measured lobe: lift over cam degrees, with `duration` crank degrees above 0.4 mm and its ramps."""
    x = np.linspace(-1.0, 1.0, 721)
    shape = (1.0 - np.abs(x) ** 2.3) ** 2.2
    half = duration / 4.0 / float(np.interp(-0.4 / peak, -shape[360:], x[360:]))
    angle = np.arange(-np.ceil(half), np.ceil(half) + 1.0)
    lift = peak * np.interp(angle / half, x, shape)
    return "cam_deg,lift_mm\n" + "".join(f"{a:g},{y:.4f}\n" for a, y in zip(angle, lift, strict=True))


def race_project(folder: Path, name: str) -> Project:
    """A race engine's project, written to a folder and read back; 101.3 kPa, 20 °C, dry."""
    race = RACES[name]
    sides = {}
    for i, side in enumerate(("intake", "exhaust")):
        length, start, end = race.ports[i]
        sides[side] = {
            "throat": round(0.87 * race.valves[i], 1), "stem": 5.5, "seat_width": 1.0, "inward": FLOW, "outward": FLOW,
            "port": [{"length": length, "start": start, "end": end}],
            "parts": getattr(race, side),
        }  # fmt: skip
    return project_of(
        folder,
        {f"{side}.csv": _lobe(race.lift[i], race.duration[i]) for i, side in enumerate(("intake", "exhaust"))},
        name=name,
        firing_order=[1, 3, 4, 2],
        crank={
            "bore": race.bore, "stroke": race.stroke, "rod": 1.65 * race.stroke,
            "compression_ratio": race.compression,
        },
        intake={"head_diameter": race.valves[0], "lash": 0.0},
        exhaust={"head_diameter": race.valves[1], "lash": 0.0},
        cycle={
            **sides,
            **race.more,
            "burn_duration": 56,
            "ambient": {"pressure": 101.325, "temperature": 20.0, "humidity": 0.0},
            "friction": {"constant": 0.30, "pressure": 0.004, "speed": 0.05, "speed_squared": 0.0008},
        },
    )  # fmt: skip
