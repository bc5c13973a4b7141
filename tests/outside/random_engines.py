"""Invented engines drawn at random, and what an honest builder writes down about them.

`random_engine` draws the truth, `written_by` the project with reading errors, `degree_in` what a dial gauge and a
degree wheel read on the assembled engine. Ranges are those of ordinary four-valve engines (common practice); nothing is
a real one. A wheel whose zero is out by z reads `true + z`; a cam dialled in with it stands at `read - z`.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import brentq

from .contact import SIDES, Cam, Crank, Crown, Engine, Floor, Head, Lobe, Motion

Settings = dict[str, Any]
STATIC = {"intake": 2.0, "exhaust": 2.5}  # mm, common practice for steel rods
BELOW_PEAK = 1.25  # mm, 0.050 in: where builders read equal lift about the nose (common practice)
DROP_ANGLES = np.arange(-25.0, 25.1, 5.0)
FROM_TDC = np.array([0.0, 5.0, 10.0, 15.0, 20.0])  # crank degrees, where the travel left is read


@dataclass(frozen=True)
class Errors:
    """How well the builder reads: standard errors, each kept within two of itself.

    `gauge` mm; `wheel`, the zero of the wheel, crank degrees, and `reading` each single angle; `dial`, how far the cam
    is from where the wheel says, crank degrees; `bench` a lobe's lift, mm; `shared`: the wheel stayed on, so its zero
    is the same throughout.
    """

    gauge: float = 0.02
    wheel: float = 0.3
    reading: float = 0.1
    dial: float = 0.4
    bench: float = 0.003
    shared: bool = True


def _within(rng: np.random.Generator, error: float, size: int | None = None) -> Any:
    """A normal error kept within two standard errors."""
    return np.clip(rng.normal(0.0, 1.0, size), -2, 2) * error


@dataclass(frozen=True)
class Written:
    """A project as written: `settings` of project.toml, lobe and drop files as header and rows, by side."""

    settings: Settings
    lobes: dict[str, tuple[str, np.ndarray]]
    drops: dict[str, np.ndarray]

    def write(self, folder: Path) -> Path:
        """Write the folder; returns the path of its project.toml."""
        folder.mkdir(parents=True, exist_ok=True)
        for side, (header, rows) in self.lobes.items():
            _csv(folder / f"lobe-{side}.csv", header, rows)
        for side, rows in self.drops.items():
            _csv(folder / f"drop-{side}.csv", "crank_deg,drop_mm", rows)
        path = folder / "project.toml"
        path.write_text("\n".join(_toml(self.settings)) + "\n", encoding="utf-8")
        return path


def _csv(path: Path, header: str, rows: np.ndarray) -> None:
    lines = [header, *(",".join(f"{value:.6g}" for value in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _toml(settings: Settings, above: str = "") -> list[str]:
    """Lines of TOML: plain keys first, then a table for each dict; lists of dicts are written in line."""
    lines = [f"{key} = {_value(value)}" for key, value in settings.items() if not isinstance(value, dict)]
    for key, value in settings.items():
        if isinstance(value, dict):
            lines += ["", f"[{above}{key}]", *_toml(value, f"{above}{key}.")]
    return lines


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(each) for each in value) + "]"
    return repr(round(float(value), 4)) if isinstance(value, float) else str(value)


# The truth


def random_engine(seed: int, errors: Errors | None = None) -> tuple[Engine, float]:
    """A true engine with its cams fitted by `errors`, and the zero of the wheel used for it, crank degrees.

    Most pistons would be short or hit somewhere in full travel; every engine is clear by 0.4 mm or more at rest.
    """
    errors, rng = errors or Errors(), np.random.default_rng([seed, 1])
    zero = float(_within(rng, errors.wheel))
    stroke = round(rng.uniform(72, 94), 1)
    pin = round(float(rng.choice([0.0, rng.uniform(-1, 1)])), 2)
    crank = Crank(stroke, round(stroke * rng.uniform(1.5, 1.85), 1), pin)
    bore = stroke * rng.uniform(0.92, 1.15)
    cams = {side: _cam(rng, side, bore) for side in SIDES}
    dialled_with = zero if errors.shared else float(_within(rng, errors.wheel))
    for side, cam in cams.items():
        cams[side] = replace(cam, astray=-dialled_with + float(_within(rng, errors.dial)))
    apart = Engine(crank, cams["intake"], cams["exhaust"]).valve_gap((0.0, 0.0), (0.0, 0.0))
    outward = round(max(0.0, rng.uniform(1.9, 4.0) - apart) / 1.8, 1)  # till the heads pass each other at rest
    for side, cam in cams.items():
        cams[side] = replace(cam, head=replace(cam.head, across=round(cam.head.across + outward, 1)))
    lower = (0.0, *np.round(rng.uniform(0.0, 0.25, 3), 3))
    engine = Engine(crank, cams["intake"], cams["exhaust"], lower)
    for side, cam in cams.items():
        full, rest = engine.piston_gap(side, cam.travel), engine.piston_gap(side, (0.0, 0.0))
        more = max(rng.uniform(-0.5, 4.0) - full, STATIC[side] + rng.uniform(0.4, 1.0) - rest)
        floor = cam.piston
        assert isinstance(floor, Floor)
        for_a_mm = (
            engine.drop(side, np.zeros(1), 0)[0] - Engine(crank, *cams.values(), (-1.0,)).drop(side, np.zeros(1))[0]
        )
        cams[side] = replace(cam, piston=replace(floor, below=floor.below + more / for_a_mm))
    return Engine(crank, cams["intake"], cams["exhaust"], lower), zero


def _cam(rng: np.random.Generator, side: str, bore: float) -> Cam:
    """A cam, its valve and the floor under it; where the floor is, comes later."""
    intake = side == "intake"
    diameter = round(bore * (rng.uniform(0.36, 0.385) if intake else rng.uniform(0.31, 0.34)), 1)
    tilt = round(rng.uniform(9, 22), 1)
    across = round(diameter / 2 * np.cos(np.radians(tilt)) + rng.uniform(0.9, 1.8), 1)
    follower = rng.choice(["tappet", "rocker", "finger"], p=[0.6, 0.25, 0.15])
    ratio: float | tuple[tuple[float, float], ...] = 1.0
    if follower == "rocker":
        ratio = round(rng.uniform(1.3, 1.8), 2)
    middle = 1.0
    if follower == "finger":
        first = rng.uniform(1.4, 1.75)
        ratio, middle = ((0.0, first), (3.0, first * 1.05), (7.0, first * rng.uniform(1.08, 1.14))), first * 1.06
    peak = rng.uniform(8.6, 11.2) / (ratio if isinstance(ratio, float) else middle)
    shape = str(rng.choice(["3-4-5", "cycloidal", "4-5-6-7", "harmonic"], p=[0.5, 0.2, 0.15, 0.15]))
    half = rng.uniform(66, 78) * {"cycloidal": 1.07, "4-5-6-7": 1.14}.get(
        shape, 1.0
    )  # no flank steeper than a bucket bears
    lean = float(rng.choice([0.0, rng.uniform(-3, 3), rng.uniform(-5, 5)]))
    lobe = Lobe(
        peak=round(peak, 3),
        before=half + lean,
        after=half - lean,
        shape=shape,
        ramp=round(rng.uniform(0.1, 0.3), 3),
        ramp_length=rng.uniform(8, 14),
    )
    far, near = round(rng.uniform(28, 50)), float(rng.choice([0.0, 0.0, 0.0, 10.0]))
    travel = (0.0 - near, far - near) if intake else (near - far, near)
    if not intake and rng.random() < 0.15:
        travel = (0.0, 0.0)
    offset = float(rng.choice([0.0, 1.0, -1.0], p=[0.4, 0.4, 0.2])) * round(rng.uniform(3, 14) * 2) / 2
    return Cam(
        side=side,
        lobe=lobe,
        head=Head(diameter, tilt, across, 0.0, round(rng.uniform(1.0, 1.5), 1)),
        piston=Floor(below=8.0, slope=float(rng.choice([0.0, tilt, round(rng.uniform(0, tilt), 1)]))),
        nominal=round(rng.uniform(100, 116) * 2) / 2,
        offset=(-offset if intake else offset) + 0.0,
        travel=travel,
        ratio=ratio,
        lash=float(rng.choice([0.0, round(rng.uniform(0.12, 0.32), 2)], p=[0.25, 0.75])),
    )


def with_pocket(engine: Engine, side: str, kind: str) -> Engine:
    """The same with another piston under one side's valve, its drop at TDC kept. Kinds, as one meets them:

    "steep": a floor 5 degrees steeper than the valve; "edge": a pocket so narrow that the head's outer edge meets its
    rim when little moved and its floor when moved farther inward; "two slopes": flat outside, steeper than the valve
    inside, so that one edge touches and then the other.
    """
    cam, here = engine.cam(side), np.zeros(1)
    head, wanted = cam.head, float(engine.drop(side, here)[0])
    out, tilt = head.across, np.radians(head.tilt)
    piston: Floor | Crown
    if kind == "steep":
        piston = Floor(10.0, head.tilt + 5.0)
        for_a_mm = np.diff([piston.drop(engine.crank, head, here, lower)[0] for lower in (0.0, 1.0)])[0]
        piston = replace(piston, below=10.0 + (wanted - piston.drop(engine.crank, head, here)[0]) / for_a_mm)
    else:
        edge = out + head.diameter / 2 * np.cos(tilt) - (wanted + 1.5) * np.sin(tilt)  # where the head's edge comes to
        if kind == "edge":
            line = [(-100.0, -10.0), (edge, -10.0), (edge + 0.1, -7.0), (100.0, -7.0)]
        else:
            # Both edges touch where the head has moved 1.5 mm more than at TDC.
            steep, radius = np.tan(tilt + np.radians(5.0)), head.diameter / 2
            bend = out - radius * np.cos(tilt) - (wanted + 1.5) * np.sin(tilt) + 2 * radius * np.sin(tilt) / steep
            line = [(-100.0, -10.0 + (bend + 100.0) * steep), (bend, -10.0), (100.0, -10.0)]
        moved, room = Crown(tuple(line)).room(head)
        lower = float(np.interp(wanted, moved, room))
        piston = Crown(tuple((x, y + lower) for x, y in line))
    return replace(engine, **{side: replace(cam, piston=piston)})


# What is written down


def written_by(
    engine: Engine, seed: int, zero: float | Mapping[str, float] = 0.0, errors: Errors | None = None
) -> Written:
    """The project of an honest builder: nothing wrong, everything read with `errors` by a wheel with this zero, or with
    one for the drops of each side.

    Where the ratio varies with lift, lift was measured at the valve and the lobe file says so.
    """
    errors, rng = errors or Errors(), np.random.default_rng([seed, 2])
    along = round(engine.intake.head.diameter / 2 * 1.03 + 0.5, 1)
    reach = [np.hypot(cam.head.across, along) + cam.head.diameter / 2 for cam in (engine.intake, engine.exhaust)]
    settings: Settings = {
        "name": f"Invented engine {seed}",
        "cylinders": 4,
        "firing_order": [1, 3, 4, 2],
        "crank": {
            "bore": round(2 * max(reach) + 1.0, 1),
            "stroke": engine.crank.stroke,
            "rod": engine.crank.rod,
            "pin_offset": engine.crank.pin_offset,
            "compression_ratio": 11.5,
            "redline": 7600,
            "overspeed": 8400,
        },
    }
    lobes, drops = {}, {}
    for side in SIDES:
        cam = engine.cam(side)
        settings[side], lobes[side] = _written_cam(rng, cam, errors)
        own = zero[side] if isinstance(zero, Mapping) else zero
        true = DROP_ANGLES - own + _within(rng, errors.reading, DROP_ANGLES.size)
        read = engine.drop(side, true) + _within(rng, errors.gauge, DROP_ANGLES.size)
        drops[side] = np.c_[DROP_ANGLES, np.round(read, 2)]
    settings["drop"] = {side: {"readings": f"drop-{side}.csv"} for side in SIDES}
    settings["seats"] = {
        side: {
            "across": sign * engine.cam(side).head.across,
            "along": along,
            "height": engine.cam(side).head.height,
            "margin": engine.cam(side).head.margin,
        }
        for side, sign in (("intake", 1), ("exhaust", -1))
    }
    rod = {"reciprocating_mass": 520, "section": 150}
    settings["gap"] = {"tables_only_guard": True, "running": {"reserve": 0.5, "rod": rod}}
    settings["tables"] = {"rpm": [1000, 3000, 5000, 7600], "load": [40, 70, 100]}
    return Written(settings, lobes, drops)


def _written_cam(rng: np.random.Generator, cam: Cam, errors: Errors) -> tuple[Settings, tuple[str, np.ndarray]]:
    """The keys of a cam and its lobe file, a row each cam degree."""
    first, last = cam.lobe.ends
    angle = np.arange(np.floor(first) - 3, np.ceil(last) + 4)
    noise = _within(rng, errors.bench, angle.size)
    if isinstance(cam.ratio, float):
        header, lift = "cam_deg,lift_mm", cam.lobe.lift(angle)
    else:
        header, lift = "crank_deg,valve_lift_mm", cam.at(2 * angle)
        angle = 2 * angle
    lift = np.where(lift > 0, np.maximum(0.0, lift + noise), 0.0)
    keys: Settings = {
        "valves": 2,
        "head_diameter": cam.head.diameter,
        "tilt": cam.head.tilt,
        "lobe": f"lobe-{cam.side}.csv",
        "lash": cam.lash,
        "centreline": cam.nominal,
        "offset": cam.offset,
    }
    if isinstance(cam.ratio, float):
        keys["ratio"] = cam.ratio
    if cam.lash == 0.0:
        keys["pump_up"] = 0.1
    if cam.travel != (0.0, 0.0):
        slew = {"advance": 80, "retard": 80}
        keys["phaser"] = {"travel": list(cam.travel), "rest_until": 1000, "slew": slew}
    return keys, (header, np.c_[angle, np.round(lift, 3)])


# What is read on the assembled engine


@dataclass(frozen=True)
class Flank:
    """Crank angles, as the wheel reads them, at which the valve stands at `lift` mm: opening and closing."""

    lift: float
    opening: float
    closing: float


@dataclass(frozen=True)
class DegreeIn:
    """What a builder reads on one valve of the assembled engine. Angles as the wheel reads them, 0 = TDC, - = before.

    `flanks`: mid-flank, then 1.25 mm below the peak. `events`: opening and closing at a stated lift. `travel_left`:
    pairs of crank angle and mm that the valve can still be pushed until it meets the piston, with the cams as fitted
    and the phaser at `phase`.
    """

    side: str
    flanks: tuple[Flank, ...]
    full_lift: float
    lift_at_tdc: float
    events: tuple[Flank, ...]
    travel_left: tuple[tuple[float, float], ...]
    lash_found: float
    hydraulic: bool
    phase: float = 0.0
    cylinder: int = 1
    pin_engaged: bool = True
    tensioner_held: bool = True
    turned_one_way: bool = True
    same_wheel_as_drop: bool = True
    errors: Errors = field(default_factory=Errors)

    def as_dict(self) -> Settings:
        """The same as plain dicts, lists and numbers."""
        return asdict(self)


def read_off(lobe: Motion, error: float, seed: int, step: float = 1.0) -> np.ndarray:
    """A lobe as a bench gives it: rows of cam degree and tappet lift, each with a normal `error` [mm] of its own."""
    rng = np.random.default_rng([seed, 6])
    angle = np.arange(np.floor(lobe.ends[0]) - 3, np.ceil(lobe.ends[1]) + 4, step)
    lift = lobe.lift(angle)
    return np.c_[angle, np.where(lift > 0, np.maximum(0.0, lift + rng.normal(0.0, error, angle.size)), 0.0)]


def crossings(cam: Cam, lift: float, phase: float = 0.0) -> tuple[float, float]:
    """True crank angles at which the valve stands at `lift` mm, opening and closing."""
    fine = np.arange(-240.0, 240.0, 0.05)
    lifts = cam.at(fine)
    over = np.flatnonzero(lifts >= lift)
    ends = []
    for outside, inside in ((over[0] - 1, over[0]), (over[-1] + 1, over[-1])):
        low, high = sorted((fine[outside], fine[inside]))
        ends.append(float(brentq(lambda x: float(cam.at(np.array([x]))[0]) - lift, low, high)) + cam.centre(phase))
    return ends[0], ends[1]


def degree_in(
    engine: Engine, side: str, seed: int, zero: float = 0.0, errors: Errors | None = None, phase: float = 0.0
) -> DegreeIn:
    """Readings of a side's valve on cylinder 1, the phaser held at `phase`, by a wheel with this zero.

    Where the wheel did not stay on (`shared` false), its zero is another one.
    """
    errors, rng = errors or Errors(), np.random.default_rng([seed, 3, SIDES.index(side)])
    cam, own = engine.cam(side), zero if errors.shared else float(_within(rng, errors.wheel))

    def flank(lift: float) -> Flank:
        read = []
        for true in crossings(cam, lift, phase):
            slope = abs(float(np.diff(cam.lift(np.array([true - 0.05, true + 0.05]), phase))[0])) / 0.1
            by_gauge = float(_within(rng, errors.gauge)) / max(slope, 1e-3)
            read.append(round(true + own + by_gauge + float(_within(rng, errors.reading)), 1))
        return Flank(round(lift, 2), *read)

    def gauge(true: float) -> float:
        return round(float(true) + float(_within(rng, errors.gauge)), 2)

    peak = float(np.max(cam.at(np.arange(-20.0, 20.0, 0.05))))
    sign = 1.0 if side == "intake" else -1.0
    at = sign * FROM_TDC + 0.0
    left = engine.gap(side, at - own + _within(rng, errors.reading, at.size), phase)
    return DegreeIn(
        side=side,
        flanks=(flank(round(peak / 2, 1)), flank(round(peak - BELOW_PEAK, 2))),
        full_lift=gauge(peak),
        lift_at_tdc=gauge(cam.lift(np.array([-own]), phase)[0]),
        events=(flank(1.0),),
        travel_left=tuple((float(a), gauge(g)) for a, g in zip(at, left, strict=True)),
        lash_found=round(cam.lash, 2),
        hydraulic=cam.lash == 0.0,
        phase=phase,
        same_wheel_as_drop=errors.shared,
        errors=errors,
    )
