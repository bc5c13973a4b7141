"""What was read on the assembled engine, under the keys of a project file."""

import copy
from dataclasses import replace
from pathlib import Path

import numpy as np

from .claims import claimed
from .contact import SIDES, Engine
from .random_engines import Errors, Written, crossings, degree_in

PARTS = "one angle", "one height", "two heights", "one angle and full lift"  # of the readings


def with_readings(written: Written, engine: Engine, seed: int, zero: float, errors: Errors) -> Written:
    """The project with all readings on the assembled engine under the keys of the package."""
    settings = copy.deepcopy(written.settings)
    for side in SIDES:
        read = degree_in(engine, side, seed, zero, errors)
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
