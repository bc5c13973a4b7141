"""Engines with pistons that no slider-crank law describes. It imports nothing of the package."""

from dataclasses import replace

import numpy as np

from .contact import Crown, Engine
from .random_engines import with_pocket

POCKETS = ("steep", "edge", "two slopes", "wall", "broken")


def pocketed(engine: Engine, side: str, kind: str, rng: np.random.Generator) -> Engine:
    """The engine with a pocket; beside those of `with_pocket` a wall farther inward, and a crown broken at random."""
    if kind in ("steep", "edge", "two slopes"):
        return with_pocket(engine, side, kind)
    cam = engine.cam(side)
    head, wanted = cam.head, float(engine.drop(side, np.zeros(1))[0])
    out, reach = head.across, head.diameter / 2 * np.cos(np.radians(head.tilt))
    if kind == "wall":
        # The inner edge meets a wall when the head has moved a little more than at TDC.
        foot = out - reach - (wanted + rng.uniform(0.5, 4.0)) * np.sin(np.radians(head.tilt))
        line = [(-100.0, 0.0), (foot - 0.1, 0.0), (foot, -6.0), (100.0, -6.0)]
    else:
        across = np.sort(rng.uniform(out - 1.4 * reach, out + 1.1 * reach, 5))
        heights = np.cumsum(rng.uniform(-1.5, 1.5, 5))
        line = [(-100.0, heights[0]), *zip(across, heights, strict=True), (100.0, heights[-1])]
    line = [(float(x), float(y) - 10.0) for x, y in line]
    moved, room = Crown(tuple(line)).room(head)
    lower = float(np.interp(wanted, moved, room))
    # At TDC no piston stands in the plane of the closed valve's head: it would meet the chamber's roof.
    roof = np.tan(np.radians(head.tilt))
    points = tuple((x, min(y + lower, head.height - (x - out) * roof - 0.3)) for x, y in line)
    return replace(engine, **{side: replace(cam, piston=Crown(points))})
