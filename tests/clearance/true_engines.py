"""Engines whose truth is known, and project files of what somebody would have measured on them.

A true engine has its drop, its lobes and its heads by formulas of this file. What goes into the project is out by no
more than the project states: wheel zeros, a crank off TDC, a clay that sprang back, a lobe sampled coarsely, a card
instead of a lobe, dimensions each a standard error out. `shortfall` then stands the true engine at the worst of what is
left open, at timings that the package calls safe, and measures. Nothing but numbers is taken from the package.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from engines import project_of, smooth
from scipy.optimize import brentq

from clearance import bodies, brute
from phaseopt.clearance import ContactModel, Limits
from phaseopt.project import SIDES, Project

SHORT = 0.005  # mm, the most a true engine may be short where it is called safe
GAUGE, WHEEL = 0.05, 0.8  # standard errors stated
NEAR = np.arange(-90.0, 90.001, 0.1)  # crank degrees around TDC, where a valve may meet the piston
SOURCES = ("sittings", "at_tdc", "clay", "geometry", "several")
LOBES = ("file", "coarse file", "retainer file", "card", "card with flanks", "card and TDC lift")
Curve = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class TrueCam:
    """`lift` at the valve with zero lash over crank degrees from where the cam is dialled by; `astray` crank degrees by
    which the wheel that it was dialled with was out."""

    lift: Curve
    astray: float


@dataclass(frozen=True, eq=False)
class TrueEngine:
    """What nobody knows: `at_tdc` and `factor` of the drop, and the cams, by side."""

    project: Project
    at_tdc: dict[str, float]
    factor: dict[str, float]
    cams: dict[str, TrueCam]

    def drop(self, side: str, theta: np.ndarray, risen: float = 0.0) -> np.ndarray:
        """Valve drop with the piston `risen` mm beyond its place."""
        return self.at_tdc[side] + self.factor[side] * (brute.fall(self.project, theta) - risen)


def _lobe(rng: np.random.Generator, lean: float) -> tuple[Curve, float, float]:
    """A true lobe over crank degrees, its peak and its longer flank; `lean`, how much its flanks differ, degrees."""
    peak, half = rng.uniform(8, 12), rng.uniform(118, 142)
    power, kind = rng.uniform(2.0, 2.6), rng.integers(2)

    def lift(x: np.ndarray) -> np.ndarray:
        u = np.asarray(x) / (half + np.where(np.asarray(x) < 0, -lean, lean))
        shape = smooth(u) if kind else np.cos(np.clip(u, -1, 1) * np.pi / 2) ** power
        return np.asarray(peak * shape)

    return lift, peak, half + abs(lean)


def _csv(header: str, rows: np.ndarray) -> str:
    return header + "\n" + "".join(",".join(f"{value:.5g}" for value in row) + "\n" for row in rows)


def _cam(rng: np.random.Generator, side: str, kind: str) -> tuple[dict[str, Any], str, Curve]:
    """A cam's keys, its lobe file and its true lift at zero lash."""
    lash = round(float(rng.choice([0.0, rng.uniform(0.1, 0.35)])), 2)
    keys: dict[str, Any] = {"lash": lash, "centreline_error": round(rng.uniform(0, 1.5), 2)}
    if lash == 0.0:
        keys["pump_up"] = f"{rng.uniform(0, 0.2):.2f} mm"
    lift, peak, long = _lobe(rng, rng.uniform(-6, 6))
    if "file" in kind:
        step = rng.uniform(4.0, 4.9) if kind == "coarse file" else rng.choice([1.0, 2.0])
        cam_deg = np.round(np.arange(-long / 2 - 2 * step, long / 2 + 2 * step, step) + rng.uniform(-1, 1), 2)
        error = round(max(rng.uniform(-0.05, 0.05), 0.0), 3)
        true = lift(2 * cam_deg)
        if kind == "retainer file":
            read = np.maximum(true - error - lash, 0.0)
            return keys | {"lobe_error": f"{error} mm"}, _csv("crank_deg,valve_lift_mm", np.c_[2 * cam_deg, read]), lift
        return (
            keys | {"lobe_error": f"{error} mm"},
            _csv("cam_deg,lift_mm", np.c_[cam_deg, np.maximum(true - error, 0)]),
            lift,
        )
    valve, added = bool(rng.integers(2)), 0.0
    if valve:
        added = lash
    checks = sorted(rng.choice([0.4, 0.5, 1.0, 1.27, 2.0, 3.0, 5.0], rng.integers(2, 5), replace=False))
    lean = 0.0
    if kind == "card":  # the grinder's durations alone; the cam was dialled up to the asymmetry off their middle
        lean = rng.uniform(-3, 3)
        lift, peak, long = _lobe(rng, 0.0)
    lines = []
    for check in checks:
        level = float(check) + added
        before, after = (
            brentq(lambda x, s=sign, at=level: float(lift(np.array(s * x))) - at, 0.0, long) for sign in (-1, 1)
        )
        given = {"degrees": round(before + after, 3)} if kind == "card" else {"before": before, "after": after}
        lines.append({"at": float(check), **given})
    card: dict[str, Any] = {
        "lift": peak - added, "measured_at": "valve" if valve else "tappet", "durations": lines, "asymmetry": 3.0,
    }  # fmt: skip
    if kind == "card and TDC lift":
        off = rng.uniform(-1, 1) * keys["centreline_error"]
        at = round(rng.uniform(95, 118), 1)
        there = -at - off if side == "intake" else at + off
        read = max(float(lift(np.array(there))) - lash, 0.0) + rng.uniform(-0.05, 0.05)
        card["lift_at_tdc"] = {"lift": f"{max(read, 0.0):.3f} mm", "centreline": at, "error": 0.05}
    return keys | {"card": card, "lobe": None}, "", lambda x: lift(np.asarray(x) - lean)


def _drop_keys(
    rng: np.random.Generator, side: str, source: str, true: Curve, zeros: tuple[float, float],
    lift: Curve, cam: dict[str, Any], parts: dict[str, float],
) -> tuple[dict[str, Any], dict[str, str]]:  # fmt: skip
    """A drop section and its sheets."""
    found: dict[str, Any] = {"readings": None, "gauge_error": GAUGE, "wheel_error": WHEEL}
    sources = {"several": ("sittings", "clay", "geometry")}.get(source, (source,))
    files = {}
    if "sittings" in sources:
        angle = np.arange(-15.0, 16.0, 5.0)
        for number, zero in enumerate(zeros):
            noise = rng.uniform(-0.5, 0.5, angle.size) * GAUGE
            files[f"{side}-{number}.csv"] = _csv("crank_deg,drop_mm", np.c_[angle, true(angle - zero) + noise])
        found["readings"] = list(files)
    if "at_tdc" in sources:
        off = rng.uniform(-2, 2) * WHEEL
        found["at_tdc"] = round(float(true(np.array(off))) + rng.uniform(-1, 1) * GAUGE, 3)
    if "clay" in sources:
        at, sprung = round(rng.uniform(98, 115), 1), 0.15
        stood = (at if side == "intake" else -at) + rng.uniform(-1, 1) * cam["centreline_error"]
        gap = float((true(NEAR) - np.maximum(lift(NEAR - stood) - cam["lash"], 0.0)).min())
        thick = gap + rng.uniform(0, sprung) + rng.uniform(-1, 1) * 0.05
        found["clay"] = {"thickness": round(thick, 3), "centreline": at, "error": 0.05, "spring_back": sprung}
    if "geometry" in sources:
        found["geometry"] = parts
    return found, files


def true_engine(folder: Path, seed: int, source: str, lobe: str, *, tied: bool, heads: bool) -> TrueEngine:
    """A true engine and its project, the same for the same arguments. Raises `InputError` where the package refuses."""
    rng = np.random.default_rng([seed, SOURCES.index(source), LOBES.index(lobe), tied, heads])
    draw = rng.uniform
    stroke = draw(65, 95)
    crank = {"stroke": stroke, "rod": stroke * draw(1.5, 2.0), "pin_offset": draw(-1.5, 1.5), "bore": 92.0}
    crank |= {"redline": 7600, "overspeed": round(draw(7700, 8600))}
    layout = bodies.random_heads(rng, str(rng.choice(bodies.LAYOUTS))) if heads else {}
    zeros = (draw(-1.5, 1.5) * WHEEL, draw(-1.5, 1.5) * WHEEL)
    at_tdc, factor, cams, sections, drops, files = {}, {}, {}, {}, {}, {}
    for side in SIDES:
        keys, text, lift = _cam(rng, side, lobe)
        keys |= layout.get(side, {"tilt": draw(0, 20), "head_diameter": draw(26, 32)})
        keys |= {"centreline": draw(103, 115), "offset": draw(-14, 0) if side == "intake" else draw(0, 14)}
        if text:
            files[f"{side}.csv"] = text
        angles = {"error": 0.1, "angle_error": 0.4}
        floor = draw(0, keys["tilt"])
        parts = {"deck": draw(0, 0.5), "gasket": 1.0, "recession": draw(5.0, 8.0), "pocket_depth": draw(1.5, 3.0)}
        lean, slope = (math.radians(max(a + draw(-1, 1) * 0.4, 0.0)) for a in (keys["tilt"], floor))
        high = sum(parts.values()) + draw(-1, 1) * 0.1
        touch = high * math.cos(slope) - keys["head_diameter"] / 2 * math.sin(abs(lean - slope))
        at_tdc[side], factor[side] = touch / math.cos(lean - slope), math.cos(slope) / math.cos(lean - slope)
        parts |= {"pocket_angle": floor, **angles}

        def true(theta: np.ndarray, side: str = side) -> np.ndarray:
            return at_tdc[side] + factor[side] * _fall(crank, theta)

        drops[side], sheets = _drop_keys(rng, side, source, true, zeros, lift, keys, parts)
        files |= sheets
        astray = float(rng.choice([0.0, *(zeros if source in ("sittings", "several") else ())]))
        cams[side] = TrueCam(lift, astray)
        span = [-round(draw(0, 10), 1), round(draw(20, 45), 1)]
        phaser = _phaser(rng, span if side == "intake" else [-span[1], -span[0]])
        sections[side] = keys | {"phaser": None if tied else phaser}
    changes: dict[str, Any] = {"phaser": _phaser(rng, [-20.0, 30.0])} if tied else {}
    if heads:
        changes["seats"] = layout["seats"]
    running = {
        "play": f"{draw(0, 0.1):.3f} mm", "growth": f"{draw(0, 0.1):.3f} mm", "chain": round(draw(0, 1), 2),
        "loft": {"above": 7000, "rate": 0.1}, "rod": {"reciprocating_mass": draw(300, 500), "section": draw(140, 220)},
    }  # fmt: skip
    tables = {"rpm": [1000, 4000, 7600], "load": [40, 70, 100]}

    def made(**gap: Any) -> TrueEngine:
        rules = {"static": gap, "running": running | {"reserve": gap.pop("reserve")}}
        found = project_of(folder, files, crank=crank, drop=drops, gap=rules, tables=tables, **sections, **changes)
        return TrueEngine(found, at_tdc, factor, cams)

    return _bound(made, float(draw(0.3, 0.7)), bool(rng.integers(2)))


def _bound(made: Callable[..., TrueEngine], share: float, by_speed: bool) -> TrueEngine:
    """The engine with rules that just hold at a share of the travel, so that limits lie inside it."""
    engine = made(intake=0.5, exhaust=0.5, valves=0.3, reserve=0.1)
    ends = engine.project.phaser_of("intake").travel[1], engine.project.phaser_of("exhaust").travel[0]
    tied = engine.project.arrangement == "together"
    kept: dict[tuple[str, str], float] = {}
    for pair in [(ends[0], ends[0]), (ends[1], ends[1])] if tied else [ends]:
        at = (share * pair[0], share * pair[1])
        rpm = max(engine.project.crank.top_speed, 7600.0)
        for contact, rule, gap in _gaps(engine, at, rpm):
            kept[contact, rule] = min(gap, kept.get((contact, rule), np.inf))
    pistons = [kept[f"{side} to piston", "running" if by_speed else "static"] for side in SIDES]
    if by_speed:
        return made(intake=0.5, exhaust=0.5, valves=0.3, reserve=round(max(min(pistons), 0.1), 3))
    least = {side: round(max(gap, 0.5), 3) for side, gap in zip(SIDES, pistons, strict=True)}
    return made(**least, valves=round(max(kept.get(("valve to valve", "static"), 0.3), 0.3), 3), reserve=0.1)


def _fall(crank: dict[str, float], theta: np.ndarray) -> np.ndarray:
    """The piston's fall from its highest place, from coordinates of crank pin and gudgeon pin."""
    r, rod, p = crank["stroke"] / 2, crank["rod"], crank["pin_offset"]
    throw = np.radians(theta) - np.arcsin(p / (r + rod))
    up = r * np.cos(throw) + np.sqrt(rod**2 - (r * np.sin(throw) + p) ** 2)
    return np.asarray(np.sqrt((r + rod) ** 2 - p**2) - up)


def _phaser(rng: np.random.Generator, travel: list[float]) -> dict[str, Any]:
    draw = rng.uniform
    errors = {"error": round(draw(0, 1.5), 2), "overshoot": round(draw(0, 2), 2), "ageing": round(draw(0, 1), 2)}
    return {"travel": travel, "slew": {"advance": 80.0, "retard": 80.0}, "resolution": 1.0, **errors}


# --- standing the true engine where the package says it is safe -------------------------------------------------------


def shortfall(engine: TrueEngine, model: ContactModel, limits: Limits, seed: int, points: int = 4) -> tuple[float, str]:
    """How far the true engine falls short of a rule, mm, at the worst of some timings in the safe boxes; and where."""
    rng, worst = np.random.default_rng(seed), (-np.inf, "nothing is safe")
    boxes = [limits.boxes[0], limits.boxes[len(limits.boxes) // 2], limits.boxes[-1]]
    for box in dict.fromkeys(boxes):
        i, e = (box.intake_from, box.intake_to), (box.exhaust_from, box.exhaust_to)
        corners = [(a, b) for a in i for b in e]
        pairs = corners + [(float(rng.uniform(*i)), float(rng.uniform(*e))) for _ in range(points)]
        if model.tied:
            pairs = [(a, a) for a in (*i, *rng.uniform(*i, points))]
        for pair in pairs:
            for contact, rule, gap in _gaps(engine, pair, model.top_speed):
                short = _wanted(engine.project, contact, rule) - gap
                worst = max(worst, (short, f"{contact}, {rule} at {pair[0]:.2f} with {pair[1]:.2f}"))
    return worst


def _wanted(project: Project, contact: str, rule: str) -> float:
    name = {"intake to piston": "intake", "exhaust to piston": "exhaust", "valve to valve": "valves"}[contact]
    return float(getattr(project.gap.static, name)) if rule == "static" else project.gap.running.reserve


def _gaps(engine: TrueEngine, pair: tuple[float, float], rpm: float) -> list[tuple[str, str, float]]:
    """Every gap of the true engine, by contact and rule, each cam at the worst place that is left open."""
    project, found = engine.project, []
    running = project.gap.running
    turn = np.degrees(1e-3)
    at = brute.fall(project, np.array([-turn, 0.0, turn]))
    force = running.rod.reciprocating_mass * 1e-3 * (at[0] - 2 * at[1] + at[2]) * 1e3 * (rpm * np.pi / 30) ** 2
    stretch = running.rod.structure * force * project.crank.rod / (running.rod.section * running.rod.modulus * 1e3)
    risen = float(stretch) + running.growth + running.play
    loft = running.loft.rate * max(rpm - running.loft.above, 0.0) / 500.0
    centres: dict[str, dict[str, list[float]]] = {}
    for k, side in enumerate(SIDES):
        cam, phaser = project.cam(side), project.phaser_of(side)
        stated = (cam.centreline if side == "intake" else -cam.centreline) - cam.offset - pair[k]
        static = cam.centreline_error + phaser.error
        more = static + running.chain + phaser.overshoot + phaser.ageing
        place = stated - engine.cams[side].astray
        centres[side] = {
            "static": [place - static, place, place + static], "running": [place - more, place, place + more],
        }  # fmt: skip
        for rule, rise, up in (("static", 0.0, 0.0), ("running", risen, loft)):
            drop = engine.drop(side, NEAR, rise)
            lifts = [engine.cams[side].lift(NEAR - centre) + cam.pump_up + up for centre in centres[side][rule]]
            found.append((f"{side} to piston", rule, min(float((drop - lift).min()) for lift in lifts)))
    if project.seats is not None:
        for rule, up in (("static", 0.0), ("running", loft)):
            ends = [centres["intake"][rule][0], centres["exhaust"][rule][2]]  # nearest each other
            found.append(("valve to valve", rule, _apart(engine, ends, up) - project.seats.error))
    return found


def _apart(engine: TrueEngine, centres: list[float], up: float) -> float:
    """Least distance of any intake to any exhaust head over the overlap by `fcl`, each with what it has swept."""
    project = engine.project
    each = [bodies.bodies(project, side) for side in SIDES]
    theta, least = np.arange(-60.0, 60.1, 4.0), np.inf
    for step in (1.0, 0.2, 0.0):
        lifts = [
            engine.cams[side].lift(theta - centre) + project.cam(side).pump_up + up
            for side, centre in zip(SIDES, centres, strict=True)
        ]
        found = []
        for a, b in zip(*lifts, strict=True):
            solids = [one.solid(a) for one in each[0]], [one.solid(b) for one in each[1]]
            found.append(min(bodies.solid_distance(one, other) for one in solids[0] for other in solids[1]))
        least, middle = min(least, min(found)), theta[int(np.argmin(found))]
        if step:
            theta = middle + np.arange(-5, 6) * step
    return least
