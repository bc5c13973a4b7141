"""Engines of random but possible dimensions, allowances and arrangements, the same for the same seed."""

from pathlib import Path
from typing import Any

import numpy as np
from engines import piston_fall, project_of, uneven_lobe_csv

from clearance import bodies
from phaseopt.project import Project

SLEW = {"advance": 80.0, "retard": 80.0}


def _drop(
    rng: np.random.Generator, tilt: float, stroke: float, rod: float, zero: float, deeper: float
) -> tuple[dict[str, Any], str]:
    """A drop section and its sheet: mostly readings on one or two cylinders, else one reading at TDC of each."""
    draw, kind = rng.uniform, rng.integers(5)
    if kind == 0:
        return {"readings": None, "at_tdc": (deeper + draw(4.4, 6.4, rng.integers(1, 4))).round(2).tolist()}, ""
    angle, least = np.arange(-15.0, 16.0, 5.0), np.cos(np.radians(tilt))
    k, lines = draw(least, 1 / least), "crank_deg,drop_mm,cylinder\n"
    for cylinder in range(1, 3 if kind == 1 else 2):
        drop = (
            deeper
            + draw(4.2, 6.2)
            + k * piston_fall(angle - zero, stroke, rod)
            + np.clip(rng.normal(0, 0.04, 7), -0.08, 0.08)
        )
        lines += "".join(f"{a:g},{d:.3f},{cylinder}\n" for a, d in zip(angle, drop, strict=True))
    return {"gauge_error": round(draw(0.04, 0.08), 3), "wheel_error": round(draw(0.5, 1.5), 2)}, lines


def _phaser(rng: np.random.Generator, travel: list[float], step: float) -> dict[str, Any]:
    draw = rng.uniform
    worn = {"ageing": round(draw(0, 1.5), 2)} if rng.random() < 0.3 else {}
    errors = {"error": round(draw(0, 2), 2), "overshoot": round(draw(0, 3), 2)}
    return {"travel": travel, "slew": SLEW, "resolution": step, **errors, **worn}


def _heads(rng: np.random.Generator, tilts: tuple[float, float]) -> dict[str, dict[str, Any]]:
    """Seats, or none: heads opposite each other, or anywhere in a head of two to five valves."""
    draw, kind = rng.uniform, rng.random()
    plain = {
        "intake": {"tilt": tilts[0], "head_diameter": draw(28, 33)},
        "exhaust": {"tilt": tilts[1], "head_diameter": draw(24, 29)},
    }
    if kind < 0.35:
        return plain
    if kind > 0.88:
        found = bodies.random_heads(rng, bodies.LAYOUTS[rng.integers(len(bodies.LAYOUTS))])
        return {key: found[key] for key in ("intake", "exhaust", "seats")}
    room = (plain["intake"]["head_diameter"] + plain["exhaust"]["head_diameter"]) / 2 + draw(1.2, 2.8)
    middle = draw(-1.5, 1.5)
    seats: dict[str, Any] = {
        side: {"across": sign * room / 2 + middle, "height": draw(-1, 1), "margin": draw(0.8, 1.8)}
        for side, sign in (("intake", 1), ("exhaust", -1))
    }
    return {**plain, "seats": {**seats, "error": f"{draw(0.0, 0.4)} mm"}}


def random_engine(folder: Path, seed: int) -> Project:
    """An engine of the seed. Some cannot stand at rest, some heads do not fit: callers see to that."""
    rng = np.random.default_rng(900_000 + seed)
    draw = rng.uniform
    stroke = draw(60, 95)
    rod, zero = stroke * draw(1.5, 2.0), draw(-1, 1)
    heads = _heads(rng, (draw(0, 20), draw(0, 20)))
    files = {
        f"{s}.csv": uneven_lobe_csv(draw(8, 12), draw(58, 72), draw(58, 74), draw(1.8, 2.6))
        for s in ("intake", "exhaust")
    }
    deeper = draw(1.0, 2.5) if "seats" in heads and rng.random() < 0.7 else 0.0  # so that valve to valve is the limit
    drops = {}
    for side in ("intake", "exhaust"):
        drops[side], files[f"drop_{side}.csv"] = _drop(rng, heads[side]["tilt"], stroke, rod, zero, deeper)
    step, arrangement = float(rng.choice([1.0, 1.5, 2.0, 2.5, 4.0])), rng.random()
    spans = [-round(draw(0, 15), 1), round(draw(25, 55), 1)], [-round(draw(25, 50), 1), round(draw(0, 10), 1)]
    cams: dict[str, dict[str, Any]] = {}
    for k, side in enumerate(("intake", "exhaust")):
        tappet = {"lash": 0.0, "pump_up": round(draw(0.05, 0.3), 2)} if rng.random() < 0.25 else {}
        moved = arrangement < 0.55 or ((arrangement < 0.75) == (side == "intake") and arrangement < 0.85)
        cams[side] = {
            **heads[side], **tappet,
            "centreline": draw(100, 115), "offset": draw(-15, 0) if side == "intake" else draw(0, 15),
            "centreline_error": round(draw(0, 1.5), 2), "lobe_error": f"{max(draw(-0.1, 0.1), 0.0):.3f} mm",
            "ratio": round(draw(0.9, 1.1), 2), "phaser": _phaser(rng, spans[k], step) if moved else None,
        }  # fmt: skip
    tied = (
        {"phaser": _phaser(rng, [-round(draw(10, 25), 1), round(draw(20, 40), 1)], step)} if arrangement >= 0.85 else {}
    )
    redline = round(draw(6000, 8600))
    running = {
        "reserve": round(draw(0.3, 0.8), 2), "play": f"{draw(0, 0.12):.3f} mm", "growth": f"{draw(0, 0.15):.3f} mm",
        "chain": round(draw(0, 2), 2), "loft": {"above": redline - 200, "rate": 0.1} if rng.random() < 0.6 else None,
        "rod": {"reciprocating_mass": draw(300, 600), "section": draw(120, 250), "structure": draw(1.5, 3.0)},
    }  # fmt: skip
    share = rng.choice([0.4, 1.0])  # of the static requirement: with little of it the running rule is the limit
    static = {"intake": draw(1.25, 2.0), "exhaust": draw(1.4, 2.5), "valves": draw(0.8, 1.5)}
    static = {contact: round(share * least, 3) for contact, least in static.items()}
    return project_of(
        folder,
        files,
        crank={
            "stroke": stroke, "rod": rod, "pin_offset": draw(-1.0, 1.0), "bore": 92.0,
            "redline": redline, "overspeed": round(redline * draw(1.02, 1.12)),
        },
        drop=drops,
        gap={"static": static, "running": running},
        tables={"rpm": [1000, round(redline * 0.6), redline], "load": [40, 70, 100]},
        **cams, **tied, **({"seats": heads["seats"]} if "seats" in heads else {}),
    )  # fmt: skip
