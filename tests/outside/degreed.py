"""What was read on the assembled engine, under the keys of a project file."""

import copy
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from .claims import claimed
from .contact import SIDES, Engine
from .random_engines import Errors, Written, crossings, degree_in, written_by

WHEELS = "one wheel", "set anew for each cam", "one wheel, not said", "moved between the cams"
PARTS = "one angle", "one height", "two heights", "one angle and full lift"  # of the readings


@dataclass(frozen=True)
class Wheel:
    """Zeros of the degree wheel by side, crank degrees: while the drops were read, and while each cam was degreed in;
    `said`, whether the builder says that each cam was read on the wheel of its drop."""

    drop: Mapping[str, float]
    cam: Mapping[str, float]
    said: bool


def wheel_of(kind: str, seed: int, error: float, moved: float = 0.0) -> Wheel:
    """One of `WHEELS`, its zeros within two of a standard `error`.

    Set anew for each cam, drop and cam of a side share a zero. Moved between the cams, the wheel was out by `moved`
    more when the exhaust cam was read, and the builder says it was not: the one case in which he is wrong.
    """
    rng = np.random.default_rng([seed, 9])
    zeros = np.clip(rng.normal(0.0, 1.0, 2), -2, 2) * error
    first, second = (float(zero) for zero in zeros)
    both = dict.fromkeys(SIDES, first)
    if kind == "set anew for each cam":
        each = dict(zip(SIDES, (first, second), strict=True))
        return Wheel(each, each, said=True)
    if kind == "moved between the cams":
        return Wheel(both, {**both, "exhaust": first + moved}, said=True)
    return Wheel(both, both, said=kind == "one wheel")


def on_wheel(engine: Engine, seed: int, wheel: Wheel, errors: Errors) -> Written:
    """The project of a builder who reads drops and cams on such a wheel."""
    written = with_readings(written_by(engine, seed, wheel.drop, errors), engine, seed, wheel.cam, errors)
    for side in SIDES:
        written.settings[side]["degree_in"]["same_wheel"] = wheel.said
    return written


def with_readings(
    written: Written, engine: Engine, seed: int, zero: float | Mapping[str, float], errors: Errors
) -> Written:
    """The project with all readings on the assembled engine under the keys of the package, by a wheel with this zero,
    or with one for each cam."""
    settings = copy.deepcopy(written.settings)
    for side in SIDES:
        read = degree_in(engine, side, seed, zero[side] if isinstance(zero, Mapping) else zero, errors)
        lines = [{"lift": f.lift, "opening": f.opening, "closing": f.closing} for f in (*read.flanks, *read.events)]
        settings[side]["degree_in"] = {
            "lifts": lines,
            "full_lift": read.full_lift,
            "lift_at_tdc": max(read.lift_at_tdc, 0.0),
            "travel_left": [{"angle": a, "left": max(left, 0.0)} for a, left in read.travel_left],
            "lash": read.lash_found,
            **({"turned": max(engine.cam(side).travel, key=abs)} if any(engine.cam(side).travel) else {}),
            "gauge_error": errors.gauge,
            "wheel_error": errors.reading,
            "zero_error": errors.wheel,
            "same_wheel": read.same_wheel_as_drop,
        }
    return replace(written, settings=settings)


def in_part(written: Written, part: str) -> Written:
    """The same project with no more than a part of its readings, one of `PARTS`; the angle is that of the flank near
    TDC."""
    settings = copy.deepcopy(written.settings)
    for side, near in (("intake", "opening"), ("exhaust", "closing")):
        read = settings[side]["degree_in"]
        lines = read["lifts"][: 2 if part == "two heights" else 1]
        if "angle" in part:
            lines = [{key: line[key] for key in ("lift", near)} for line in lines]
        kept = {key: read[key] for key in read if key.endswith("_error") or key in ("lash", "same_wheel", "turned")}
        settings[side]["degree_in"] = kept | {"lifts": lines}
        if "full lift" in part:
            settings[side]["degree_in"]["full_lift"] = read["full_lift"]
    return replace(written, settings=settings)


def dialled_in(written: Written, folder: Path) -> Written | None:
    """The project of a builder who believes the lobe as written and sets centrelines so that it passes the first lift
    read where it was read: nothing read there can show a mistake. None where the lobe never lifts so far."""
    engine, settings = claimed(written.write(folder)), copy.deepcopy(written.settings)
    for side in SIDES:
        line = settings[side]["degree_in"]["lifts"][0]
        if line["lift"] >= engine.cam(side).at(np.arange(-60.0, 60.0, 0.5)).max() - 0.2:
            return None
        passes = dict(zip(("opening", "closing"), crossings(engine.cam(side), line["lift"]), strict=True))
        later = np.mean([line[flank] - passes[flank] for flank in passes if flank in line])
        sign = 1.0 if side == "intake" else -1.0
        settings[side]["centreline"] = round(settings[side]["centreline"] + sign * float(later), 1)
    return replace(written, settings=settings)
