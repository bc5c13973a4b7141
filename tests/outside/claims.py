"""What a written project claims: its numbers taken at their word, and the least gaps that follow by brute force.

Nothing of the package: the project is read with `tomllib`, files with a split at commas, and judged by `contact`. No
error is taken off; drop readings are fitted by least squares to `at_tdc + factor × fall(theta - wheel)`.
"""

import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from .contact import SIDES, Cam, Crank, Curve, Engine, Head, Sampled

UNITS = {"mm": 1.0, "in": 25.4, "thou": 0.0254, "deg": 1.0, "crank deg": 1.0, "cam deg": 2.0, "": 1.0}


def number(value: Any) -> float:
    """A number, or text of a number and a unit of length or angle, in mm or crank degrees."""
    if isinstance(value, int | float):
        return float(value)
    found = re.fullmatch(r"\s*([-+\d.eE]+)\s*([a-z ]*)", value)
    assert found is not None, value
    return float(found[1]) * UNITS[found[2].strip()]


def claimed(project: Path) -> Engine:
    """The engine that `project.toml` describes: lobes as sampled, drops as fitted, nothing astray."""
    text = tomllib.loads(project.read_text(encoding="utf-8"))
    crank = Crank(*(number(text["crank"].get(key, 0.0)) for key in ("stroke", "rod", "pin_offset")))
    cams = [_cam(side, text, project.parent, crank) for side in SIDES]
    return Engine(crank, *cams, heads_meet="seats" in text)


def _cam(side: str, text: dict[str, Any], folder: Path, crank: Crank) -> Cam:
    keys = text[side]
    ratio, lash = number(keys.get("ratio", 1.0)), number(keys.get("lash", 0.0))
    if "card" in keys:
        rows, at_valve = card_rows(keys["card"]), keys["card"]["measured_at"] == "valve"
    else:
        header, rows = read_rows(folder / keys["lobe"])
        at_valve = header[1] == "valve_lift_mm"
        if header[0] == "crank_deg":
            rows = np.c_[rows[:, 0] / 2, rows[:, 1]]
    if at_valve:
        rows = np.c_[rows[:, 0], np.where(rows[:, 1] > 0, (rows[:, 1] + lash) / ratio, 0.0)]
    seat = text.get("seats", {}).get(side, {"across": 0.0, "margin": 1.2})
    where = (abs(number(seat["across"])), number(seat.get("height", 0.0)), number(seat["margin"]))
    return Cam(
        side=side,
        lobe=Sampled(rows),
        head=Head(number(keys["head_diameter"]), number(keys["tilt"]), *where),
        piston=fitted_drop(crank, read_rows(folder / text["drop"][side]["readings"])[1]),
        nominal=number(keys["centreline"]),
        offset=number(keys.get("offset", 0.0)),
        travel=tuple(number(end) for end in keys["phaser"]["travel"]) if "phaser" in keys else (0.0, 0.0),
        ratio=ratio,
        lash=lash,
    )


def read_rows(path: Path) -> tuple[list[str], np.ndarray]:
    """Header and rows of a plain CSV of two columns."""
    header, *lines = path.read_text(encoding="utf-8").split()
    return header.split(","), np.array([[float(each) for each in line.split(",")] for line in lines])


def fitted_drop(crank: Crank, rows: np.ndarray) -> Curve:
    """The drop through readings of crank angle and drop."""

    def miss(law: np.ndarray) -> np.ndarray:
        return np.asarray(law[0] + law[1] * crank.fall(rows[:, 0] - law[2]) - rows[:, 1])

    return Curve(*least_squares(miss, [float(rows[:, 1].min()), 1.0, 0.0]).x)


def card_rows(card: dict[str, Any]) -> np.ndarray:
    """Rows of cam degree and lift from a card's peak and durations (crank degrees); below its lowest lift the flank
    goes straight on."""
    rises = sorted((number(each["at"]), number(each["degrees"]) / 4) for each in card["durations"])
    (low, widest), (second, inner) = rises[0], rises[1]
    start = widest + low * (widest - inner) / (second - low)
    half = [(start, 0.0), *((angle, at) for at, angle in rises), (0.0, number(card["lift"]))]
    return np.array([(-angle, lift) for angle, lift in half] + [(angle, lift) for angle, lift in half[-2::-1]])
