"""What was read on the assembled engine, under the keys of a project file."""

import copy
from dataclasses import replace

from .contact import SIDES, Engine
from .random_engines import Errors, Written, degree_in


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
