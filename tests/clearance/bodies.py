"""Valve heads as bodies in space for comparison, written apart from the package.

Where they stand is worked out from a project's numbers by rotations of `trimesh`; distances are those of `python-fcl`,
between meshes or between its own cylinders. Heads count with what they have swept since their seats: a cylinder longer
by the lift.
"""

from dataclasses import dataclass
from itertools import product
from typing import Any

import fcl
import numpy as np
import trimesh
from trimesh.transformations import rotation_matrix

from clearance import brute
from phaseopt.project import Project

SIDES = ("intake", "exhaust")


@dataclass(frozen=True)
class Body:
    """A head: `place` turns and moves an upright cylinder, its lower face at z = 0, to its seat."""

    radius: float
    margin: float
    place: np.ndarray

    def _moved(self, upwards: float) -> np.ndarray:
        return self.place @ trimesh.transformations.translation_matrix([0, 0, upwards])

    def mesh(self, lift: float, sections: int = 360) -> trimesh.Trimesh:
        """The swept head as a mesh inscribed in it."""
        mesh = trimesh.creation.cylinder(self.radius, self.margin + lift, sections=sections)
        return mesh.apply_transform(self._moved((self.margin - lift) / 2))

    def solid(self, lift: float) -> fcl.CollisionObject:
        """The swept head as a cylinder of `fcl`."""
        at = self._moved((self.margin - lift) / 2)
        return fcl.CollisionObject(fcl.Cylinder(self.radius, self.margin + lift), fcl.Transform(at[:3, :3], at[:3, 3]))


def body(project: Project, side: str, seat: Any, along: float) -> Body:
    """The head on a seat. Seen from the side its stem leans by `tilt_along`; its whole angle is the valve's tilt."""
    cam = project.cam(side)
    tilt = cam.tilt if seat.tilt is None else seat.tilt
    away = -1.0 if along < 0 else 1.0
    # Lean along the crank first, then across it until the stem's angle to the cylinder axis is the whole tilt:
    # its height is cos(lean) cos(roll), and what shows from the side is tan(tilt_along) times that.
    up = np.cos(np.radians(tilt))
    lean = np.arcsin(np.tan(np.radians(seat.tilt_along)) * up)
    roll = np.arccos(np.clip(up / np.cos(lean), -1.0, 1.0))
    turned = rotation_matrix(roll if side == "intake" else -roll, [0, 1, 0]) @ rotation_matrix(-away * lean, [1, 0, 0])
    return Body(
        cam.head_diameter / 2,
        seat.margin,
        trimesh.transformations.translation_matrix([seat.across, along, seat.height]) @ turned,
    )


def bodies(project: Project, side: str) -> list[Body]:
    """Every head of a kind; one entry for two valves is taken with its image."""
    seats = project.seats.of(side)
    found = [body(project, side, seat, seat.along or 0.0) for seat in seats]
    if len(seats) < project.cam(side).valves:
        found += [body(project, side, seat, -seat.along) for seat in seats if seat.along]
    return found


def mesh_distance(one: trimesh.Trimesh, other: trimesh.Trimesh) -> float:
    """Least distance between two meshes by `trimesh` (which asks `python-fcl`), 0 where they meet."""
    manager = trimesh.collision.CollisionManager()
    manager.add_object("one", one)
    return max(float(manager.min_distance_single(other)), 0.0)


def solid_distance(one: fcl.CollisionObject, other: fcl.CollisionObject) -> float:
    """Least distance between two cylinders by `fcl`, 0 where they meet."""
    return max(float(fcl.distance(one, other, fcl.DistanceRequest(), fcl.DistanceResult())), 0.0)


def nearest(project: Project, lift_i: float, lift_e: float) -> float:
    """Least distance of any intake head to any exhaust head at two lifts."""
    each = [[one.solid(lift) for one in bodies(project, s)] for s, lift in zip(SIDES, (lift_i, lift_e), strict=True)]
    return min(solid_distance(one, other) for one, other in product(*each))


def valve_gap(project: Project, box: tuple[float, float, float, float], running: bool) -> float:
    """Least gap between the valves, seats' error off: every 2°, then nearer around the least five times over."""
    lifts = [
        brute.lift(project, side, *brute.centres(project, side, *span, brute.errors(project, side)[running]))
        for side, span in (("intake", box[:2]), ("exhaust", box[2:]))
    ]
    at, step = np.arange(0, brute.THETA.size, 200), 200
    while True:
        found = [nearest(project, lifts[0][j], lifts[1][j]) for j in at % brute.THETA.size]
        if step == 1:
            return min(found) - project.seats.error
        best, wide = at[int(np.argmin(found))], 2 * step
        step = max(step // 8, 1)
        at = np.arange(best - wide, best + wide + 1, step)


# Heads of three, four and five valves, and of two on one camshaft.
LAYOUTS = ("two", "three", "four", "five")


def random_heads(rng: np.random.Generator, layout: str) -> dict[str, Any]:
    """Changes to a project: valves, diameters, tilts and seats of an invented head for a bore of 92 mm."""
    draw = rng.uniform
    margin = {"margin": draw(0.8, 1.8)}

    def seat(across: float, along: float, **more: float) -> dict[str, float]:
        return {"across": across, "along": along, "height": draw(-0.5, 0.5), **margin, **more}

    if layout == "two":
        wide, count, tilts = (draw(36, 40), draw(31, 34)), (1, 1), (draw(0, 20), draw(0, 20))
        seats = [seat(draw(19, 21), draw(-4, 4))], [seat(-draw(19, 21), draw(-4, 4))]
    elif layout == "three":
        wide, count, tilts = (draw(27, 29), draw(31, 34)), (2, 1), (draw(8, 20), draw(1, 20))
        seats = (
            [seat(draw(15, 17), draw(15.5, 18), tilt_along=draw(-4, 6))],
            [seat(-draw(17, 20), draw(-3, 3), tilt_along=draw(-0.1, 0.1))],
        )
    elif layout == "four":
        wide, count, tilts = (draw(30, 33), draw(25, 28)), (2, 2), (draw(9, 20), draw(9, 20))
        seats = (
            [seat(draw(16, 18), draw(17.5, 19.5), tilt_along=draw(-4, 8))],
            [seat(-draw(16, 18), draw(15, 18), tilt_along=draw(-4, 8))],
        )
    else:
        wide, count, tilts = (draw(24, 25.5), draw(26, 29)), (3, 2), (draw(9, 20), draw(9, 20))
        seats = (
            [seat(draw(11, 13), draw(20, 22), tilt_along=draw(0, 8)), seat(draw(29, 30), 0.0, tilt=draw(8, 15))],
            [seat(-draw(16, 18), draw(15, 18), tilt_along=draw(-4, 8))],
        )
    return {
        "crank": {"bore": 92.0},
        "seats": {"intake": seats[0], "exhaust": seats[1], "error": f"{draw(0.0, 0.4)} mm"},
        "intake": {"valves": count[0], "head_diameter": wide[0], "tilt": tilts[0]},
        "exhaust": {"valves": count[1], "head_diameter": wide[1], "tilt": tilts[1]},
    }
