"""Invented engines for tests: a whole project written to a folder and read back through the project reader."""

from pathlib import Path
from typing import Any

import numpy as np

from phaseopt.project import Project
from phaseopt.project.load import load_project

# A twin-cam four with room enough at rest; every value invented. Nested keys as in a project file.
PLAIN: dict[str, Any] = {
    "name": "a test engine",
    "cylinders": 4,
    "crank": {
        "bore": 81.0, "stroke": 86.0, "rod": 137.0, "compression_ratio": 11.0, "redline": 7600, "overspeed": 8400,
    },
    "intake": {
        "valves": 2, "head_diameter": 32.0, "tilt": 12.0, "lobe": "intake.csv", "lobe_error": 0.0,
        "lash": 0.2, "centreline": 110.0, "offset": -6.0,
        "phaser": {"travel": [0.0, 40.0], "slew": {"advance": 80.0, "retard": 100.0}},
    },
    "exhaust": {
        "valves": 2, "head_diameter": 27.0, "tilt": 13.0, "lobe": "exhaust.csv", "lobe_error": 0.0,
        "lash": 0.25, "centreline": 110.0, "offset": 6.0,
        "phaser": {"travel": [-35.0, 0.0], "slew": {"advance": 100.0, "retard": 80.0}},
    },
    "drop": {"intake": {"readings": "drop_intake.csv"}, "exhaust": {"readings": "drop_exhaust.csv"}},
    "gap": {"running": {"rod": {"reciprocating_mass": 430.0, "section": 165.0}, "loft": {"above": 7600, "rate": 0.1}}},
    "tables": {"rpm": [1000, 3000, 5000, 7000, 8000], "load": [40, 70, 100]},
}  # fmt: skip
SEATS = {
    "intake": {"across": 17.5, "along": 17.0, "height": 0.0, "margin": 1.2},
    "exhaust": {"across": -17.5, "along": 17.0, "height": 0.0, "margin": 1.2},
}
CARD: dict[str, Any] = {
    "lift": 10.0,
    "durations": [{"at": 0.4, "degrees": 252}, {"at": 1.0, "degrees": 230}],
    "measured_at": "tappet",
}


def cosine_lift(cam_deg: np.ndarray, peak: float, half: float, power: float = 2.0) -> np.ndarray:
    """A smooth lobe: peak cos^power over `half` cam degrees on both sides of its centre."""
    inside = np.clip(np.asarray(cam_deg) / half, -1.0, 1.0)
    return peak * np.cos(inside * np.pi / 2) ** power


def smooth(share: np.ndarray) -> np.ndarray:
    """1 less the 3-4-5 polynomial (Norton, Cam Design, from memory): from 1 at 0 to 0 at 1 on both sides."""
    u = np.clip(np.abs(share), 0.0, 1.0)
    return np.asarray(1.0 - u**3 * (10.0 - 15.0 * u + 6.0 * u**2))


def piston_fall(theta: np.ndarray, stroke: float = 86.0, rod: float = 137.0) -> np.ndarray:
    """The piston's fall from TDC without pin offset, mm, by the textbook formula."""
    r, angle = stroke / 2, np.radians(theta)
    return r + rod - r * np.cos(angle) - np.sqrt(rod**2 - (r * np.sin(angle)) ** 2)


def lobe_csv(peak: float, half: float, power: float = 2.0) -> str:
    """A measured lobe, one line each 1 cam degree."""
    angle = np.arange(-np.ceil(half), np.ceil(half) + 1)
    lines = (f"{a:g},{lift:.4f}" for a, lift in zip(angle, cosine_lift(angle, peak, half, power), strict=True))
    return "cam_deg,lift_mm\n" + "\n".join(lines) + "\n"


def drop_csv(at_tdc: float, wheel: float = 0.0, factor: float = 1.0, scatter: float = 0.0, seed: int = 0) -> str:
    """Seven readings, every 5° from 15° before TDC to 15° after, on the piston of `PLAIN`."""
    angle = np.arange(-15.0, 16.0, 5.0)
    drop = at_tdc + factor * piston_fall(angle - wheel) + np.random.default_rng(seed).normal(0.0, 1.0, 7) * scatter
    return "crank_deg,drop_mm\n" + "".join(f"{a:g},{d:.3f}\n" for a, d in zip(angle, drop, strict=True))


FILES = {
    "intake.csv": lobe_csv(10.5, 66.0),
    "exhaust.csv": lobe_csv(10.0, 64.0),
    "drop_intake.csv": drop_csv(6.2, wheel=0.6, scatter=0.03, seed=1),
    "drop_exhaust.csv": drop_csv(6.6, wheel=0.4, scatter=0.03, seed=2),
}


def write_project(folder: Path, files: dict[str, str] | None = None, **changes: Any) -> Path:
    """Write a project and its CSV files, and return the path of its project file.

    Parameters: `files`, CSV texts by name that replace or add to `FILES`; `changes`, sections merged into `PLAIN` key
    by key, None taking a key out: `intake={"phaser": None, "offset": -8.0}`.
    """
    for name, text in {**FILES, **(files or {})}.items():
        (folder / name).write_text(text, encoding="utf-8")
    path = folder / "project.toml"
    path.write_text(_toml(_merged(PLAIN, changes)), encoding="utf-8")
    return path


def project_of(folder: Path, files: dict[str, str] | None = None, **changes: Any) -> Project:
    """Write a project and read it back."""
    return load_project(write_project(folder, files, **changes))


def _merged(base: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    merged = dict(base)
    for key, value in changes.items():
        if value is None:
            merged.pop(key, None)
        elif isinstance(value, dict) and isinstance(merged.get(key), dict):
            merged[key] = _merged(merged[key], value)
        else:
            merged[key] = value
    return merged


def _toml(table: dict[str, Any]) -> str:
    plain = {key: value for key, value in table.items() if not isinstance(value, dict)}
    sections = {key: value for key, value in table.items() if isinstance(value, dict)}
    lines = [f"{key} = {_value(value)}" for key, value in plain.items()]
    for key, value in sections.items():
        lines += [f"[{key}]", *(f"{name} = {_value(entry)}" for name, entry in value.items())]
    return "\n".join(lines) + "\n"


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(entry)}" for key, entry in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else repr(float(value)) if isinstance(value, float) else str(value)


def uneven_lobe_csv(peak: float, opening: float, closing: float, power: float = 2.0) -> str:
    """A measured lobe whose flanks differ, one line each 1 cam degree."""
    angle = np.arange(-np.ceil(opening), np.ceil(closing) + 1)
    half = np.where(angle < 0, opening, closing)
    lines = (f"{a:g},{lift:.4f}" for a, lift in zip(angle, cosine_lift(angle / half, peak, 1.0, power), strict=True))
    return "cam_deg,lift_mm\n" + "\n".join(lines) + "\n"


def random_project(folder: Path, seed: int) -> Project:
    """An engine of random but possible dimensions; the same for the same seed. Even seeds have valve seats."""
    rng = np.random.default_rng(seed)
    draw = rng.uniform
    stroke, tilts = draw(60, 95), (draw(0, 20), draw(0, 20))
    rod = stroke * draw(1.5, 2.0)
    files = {
        "intake.csv": uneven_lobe_csv(draw(8, 12), draw(58, 72), draw(58, 74), draw(1.8, 2.6)),
        "exhaust.csv": uneven_lobe_csv(draw(8, 12), draw(58, 72), draw(58, 74), draw(1.8, 2.6)),
    }
    angle = np.arange(-15.0, 16.0, 5.0)
    for side, tilt in zip(("intake", "exhaust"), tilts, strict=True):
        least = np.cos(np.radians(tilt))
        fall = piston_fall(angle - draw(-1, 1), stroke, rod)
        drop = draw(4.5, 7.0) + draw(least, 1 / least) * fall + np.clip(rng.normal(0, 0.04, 7), -0.08, 0.08)
        lines = "".join(f"{a:g},{d:.3f}\n" for a, d in zip(angle, drop, strict=True))
        files[f"drop_{side}.csv"] = "crank_deg,drop_mm\n" + lines
    seats = {
        side: {"across": sign * draw(17, 19), "height": draw(-1, 1), "margin": draw(0.8, 1.8)}
        for side, sign in (("intake", 1), ("exhaust", -1))
    }
    slew = {"advance": 80.0, "retard": 80.0}
    return project_of(
        folder,
        files,
        crank={"stroke": stroke, "rod": rod, "pin_offset": draw(-1.0, 1.0), "bore": 92.0},
        intake={
            "tilt": tilts[0], "centreline": draw(100, 115), "offset": draw(-15, 0), "head_diameter": draw(28, 33),
            "centreline_by": "lobe zero", "centreline_error": round(draw(0, 1.5), 2),
            "phaser": {"travel": [-round(draw(0, 15), 1), 40.0], "error": round(draw(0, 2), 2), "slew": slew},
        },
        exhaust={
            "tilt": tilts[1], "centreline": draw(100, 115), "offset": draw(0, 15), "head_diameter": draw(24, 29),
            "centreline_by": "lobe zero", "centreline_error": round(draw(0, 1.5), 2),
            "phaser": {"travel": [-35.0, round(draw(0, 10), 1)], "error": round(draw(0, 2), 2), "slew": slew},
        },
        **({"seats": seats} if seed % 2 == 0 else {}),
    )  # fmt: skip
