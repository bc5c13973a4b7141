"""The valve heads of one cylinder: where they stand, and which can meet which.

Every valve of a cylinder is looked at with every other. Two of one kind open together: they must stay apart at all
lifts, which is seen once. An intake and an exhaust valve may come near at any pair of lifts. Of those pairs the ones
are kept that could ever be the nearest; of two that are each other's mirror image, one.
"""

import itertools
import math
from dataclasses import dataclass

import numpy as np

from phaseopt.clearance.allowances import MOST_CLOSING, loft
from phaseopt.clearance.discs import TOUCHING, planes_at, swept_distance
from phaseopt.clearance.touches import touch_planes
from phaseopt.project import SIDES, Project, Seat, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import Unit
from phaseopt.values.errors import InputError
from phaseopt.values.numba import njit

_PLANE_LIFTS = (0.0, 2.0, 4.0, 7.0, 11.0)  # mm; where the planes below the distance touch it
_RATE_STEP = 0.002  # mm of lift between two looks at how fast heads close,
_RATE_OVER = 0.1  # of the thinner rim, over which each look takes it: with these a few hundredths too fast


@dataclass(frozen=True, eq=False)
class Heads:
    """Pairs of an intake and an exhaust head, and how near they can come.

    Parameters
    ----------
    intake, exhaust
        (k, 8) the heads of each pair that can be the nearest: centre of the lower face on the seat (across, along,
        height), unit axis up the stem, radius, margin, mm. (1, 8) of no meaning where lifts seen to touch stand in for
        the geometry.
    planes
        (k, r, 6) rows of two planes c - p × intake lift - q × exhaust lift. The lower of the two, for each row, is no
        more than the distance at any pair of lifts.
    solid
        The heads are known as bodies; False where `planes` are all that is known.
    closing
        mm of gap that a mm of lift more on both valves can take, at any lifts.
    covers
        Which pairs, in a few words.
    notes
        What is covered, in sentences.
    """

    intake: FloatArray
    exhaust: FloatArray
    planes: FloatArray
    solid: bool
    closing: float
    covers: str
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Body:
    name: str
    head: FloatArray


def heads_of(project: Project, peaks: dict[Side, float]) -> Heads | None:
    """The heads of a project; None where it says nothing about valve to valve.

    Parameters: `peaks`, the greatest lift of each kind, mm.

    Raises
    ------
    InputError
        Heads that overlap on their seats or do not fit beside each other in the bore; lifts seen to touch that the
        seats do not bear out, or that contradict each other.
    """
    if project.seats is None:
        return None
    if not project.seats.intake:
        planes = touch_planes(project)
        note = (
            "valve to valve rests on lifts seen to touch, for valves that stand opposite each other across the crank "
            "to a fifth of the sum of their radii; more lift on either is taken to bring them nearer"
        )
        closing = float((planes[..., 1::3] + planes[..., 2::3]).max())
        return Heads(np.zeros((1, 8)), np.zeros((1, 8)), planes[None], False, closing, "as seen to touch", (note,))
    bodies = {side: _bodies(project, side) for side in SIDES}
    more = {side: project.cam(side).pump_up + project.cam(side).lift_error for side in SIDES}
    reach = {side: peaks[side] + more[side] + _most_loft(project) for side in SIDES}
    pairs = list(itertools.product(bodies["intake"], bodies["exhaust"]))
    shut = [_refuse_overlap(project, one, other) for one, other in pairs]
    at_reach = [_lower_bound(one.head, reach["intake"], other.head, reach["exhaust"]) for one, other in pairs]
    nearest = min(shut)
    near = [pair for pair, now, least in zip(pairs, shut, at_reach, strict=True) if now == nearest or least < nearest]
    _refuse_unseen_touches(project, near)
    each = _apart_from_images(near)
    heads = np.array([one.head for one, _ in each]), np.array([other.head for _, other in each])
    furthest = np.array([reach["intake"], reach["exhaust"]])
    return Heads(
        *heads,
        _planes_of(*heads),
        True,
        max(
            _closing(one, other, furthest, other[:3].copy(), other[:3].copy())
            for one, other in zip(*heads, strict=True)
        ),
        "intake with exhaust" if len(pairs) == 1 else "every intake with every exhaust valve",
        (_covered(pairs, near, at_reach, project.display_units.gap), *_of_a_kind(project, bodies, reach)),
    )


def _most_loft(project: Project) -> float:
    top = max(project.crank.top_speed, project.tables.rpm[-1])
    return float(loft(project.gap.running.loft, top))


def axis_of(seat: Seat, tilt: float, side: Side) -> tuple[float, float, float]:
    """The unit axis up a stem: `tilt` (degrees) from the cylinder axis in space; `tilt_along` is what shows of it
    from the side. Intake stems lean to the intake side, exhaust stems away from it.

    >>> [round(part, 3) for part in axis_of(Seat(across=17.0, margin=1.2), 30.0, "exhaust")]
    [-0.5, 0.0, 0.866]
    """
    along = math.tan(math.radians(seat.tilt_along))
    across = math.sqrt(max(math.tan(math.radians(seat.tilt if seat.tilt is not None else tilt)) ** 2 - along**2, 0.0))
    up = 1.0 / math.hypot(across, along, 1.0)
    outward = 1.0 if side == "intake" else -1.0
    return outward * across * up, math.copysign(along, along * (seat.along or 1.0)) * up, up


def _bodies(project: Project, side: Side) -> list[_Body]:
    """The heads of a kind, from - to + along the crank."""
    assert project.seats is not None
    cam = project.cam(side)
    seats = project.seats.all_of(side, cam.valves)
    unplaced = any(seat.along is None for kind in SIDES for seat in project.seats.of(kind))
    found = []
    for number, seat in enumerate(seats, start=1):
        centre = seat.across, 0.0 if unplaced else seat.along or 0.0, seat.height
        head = np.array([*centre, *axis_of(seat, cam.tilt, side), cam.head / 2, seat.margin])
        found.append(_Body(f"{side} {number}" if len(seats) > 1 else side, head))
    return found


def _lower_bound(intake: FloatArray, lift_i: float, exhaust: FloatArray, lift_e: float) -> float:
    """No more than the distance at two lifts, mm; below 0 where they overlap, by no less than the push that parts them
    (the best of a few directions)."""
    rows = planes_at(intake, exhaust, np.array([[lift_i, lift_e]]), _plain_normals(intake, exhaust))
    bounds = rows[:, 1] - rows[:, 2] * lift_i - rows[:, 3] * lift_e
    return float(bounds[0] if rows[0, 0] >= TOUCHING else bounds[1:].max())


def _plain_normals(intake: FloatArray, exhaust: FloatArray) -> FloatArray:
    """(n, 3) unit directions along the line of centres, along both axes, and from each side towards the other."""
    line, axes = exhaust[:3] - intake[:3], (intake[3:6], exhaust[3:6])
    faces = [sign * axis for axis in axes for sign in (1.0, -1.0)]
    ways = [line, *faces, *(line - line @ axis * axis for axis in axes)]
    return np.array([way / length for way in ways if (length := float(np.linalg.norm(way))) > 1e-9])


def _planes_of(intake: FloatArray, exhaust: FloatArray) -> FloatArray:
    """(k, r, 6) planes below the distance, those that touch it at a few pairs of lifts among them."""
    lifts, found = np.array(list(itertools.product(_PLANE_LIFTS, _PLANE_LIFTS))), []
    for one, other in zip(intake, exhaust, strict=True):
        rows = planes_at(one, other, lifts, _plain_normals(one, other))
        touching, planes = np.split(rows[:, 1:], [len(lifts)])
        touching[rows[: len(lifts), 0] < TOUCHING] = planes[0]
        found.append(np.tile(np.concatenate([planes, touching]), 2))
    return np.array(found)


@njit
def _closing(intake: FloatArray, exhaust: FloatArray, reach: FloatArray, begin: FloatArray, end: FloatArray) -> float:
    """No less than the mm of gap that a mm more on both valves takes anywhere.

    Distance is convex in both lifts, so along a line of both lifts growing alike it falls fastest where the line
    begins, with one valve shut, and not faster there than over the stretch before (a lift below zero is a thinner rim).
    Between two starts that stretch is bounded by its ends, for distance never grows with lift. `reach` (2,) the
    greatest lifts, `begin` and `end` (3,) points to search from.
    """
    back, rate = _RATE_OVER * min(intake[7], exhaust[7]), 0.0
    for opened in range(2):
        for j in range(int(reach[opened] / _RATE_STEP) + 1):
            one, following = j * _RATE_STEP, (j + 1) * _RATE_STEP
            if opened:
                before = swept_distance(intake, -back, exhaust, one - back, begin)[0]
                apart, c, p, q = swept_distance(intake, 0.0, exhaust, following, end)
                after = c - q * following if apart >= TOUCHING else 0.0
            else:
                before = swept_distance(intake, one - back, exhaust, -back, begin)[0]
                apart, c, p, q = swept_distance(intake, following, exhaust, 0.0, end)
                after = c - p * following if apart >= TOUCHING else 0.0
            rate = max(rate, (before - max(after, 0.0)) / back)
    return min(rate, MOST_CLOSING)


def _apart_from_images(pairs: list[tuple[_Body, _Body]]) -> list[tuple[_Body, _Body]]:
    """The pairs, less those that mirror another along the crank."""
    found: dict[tuple[float, ...], tuple[_Body, _Body]] = {}
    flip = np.array([1.0, -1.0, 1.0])
    for one, other in pairs:
        vectors, sizes = (other.head[:3] - one.head[:3], one.head[3:6], other.head[3:6]), (one.head[6:], other.head[6:])
        images = [
            tuple((np.round(np.concatenate([*(vector * way for vector in vectors), *sizes]), 9) + 0.0).tolist())
            for way in (np.ones(3), flip)
        ]
        found.setdefault(min(images), (one, other))
    return list(found.values())


def _refuse_overlap(project: Project, one: _Body, other: _Body) -> float:
    """Distance with both valves shut, mm; a mistake where there is none."""
    apart = float(planes_at(one.head, other.head, np.zeros((1, 2)))[0, 0])
    if apart < TOUCHING:
        raise InputError.one(
            f"with both valves shut the {one.name} and {other.name} heads would overlap by "
            f"{-min(_lower_bound(one.head, 0.0, other.head, 0.0), 0.0):.2f} mm",
            hint="measure across, along and height to the centre of each head's lower face, and check tilt and "
            "head_diameter",
            file=project.file,
            where="seats",
        )
    return apart


def _of_a_kind(project: Project, bodies: dict[Side, list[_Body]], reach: dict[Side, float]) -> list[str]:
    """How far valves of one kind stay apart, in sentences; a mistake where they do not."""
    words = []
    for side in SIDES:
        if len(bodies[side]) < 2:
            continue
        found = []
        for one, other in itertools.combinations(bodies[side], 2):
            apart = _lower_bound(one.head, reach[side], other.head, reach[side])
            if apart <= 0.0:
                raise InputError.one(
                    f"valve heads that do not fit in the bore: {one.name} and {other.name} would overlap by "
                    f"{-apart:.2f} mm at some lift",
                    hint="measure along and across to the centre of each head, head_diameter, and how the stems lean",
                    file=project.file,
                    where=f"seats.{side}",
                )
            found.append(apart)
        unit = project.display_units.gap
        words.append(f"{side} valves stay {unit.down_text(min(found))} apart or more at all lifts")
    return words


def _covered(
    pairs: list[tuple[_Body, _Body]], near: list[tuple[_Body, _Body]], at_reach: list[float], unit: Unit
) -> str:
    """Which pairs are covered, in a sentence."""

    def named(some: list[tuple[_Body, _Body]]) -> str:
        return ", ".join(f"{one.name} to {other.name}" for one, other in some)

    if len(pairs) == 1:
        return "valve to valve covers intake to exhaust"
    far = [pair for pair in pairs if pair not in near]
    covering = (
        "valve to valve covers every intake valve with every exhaust valve. They are numbered from - to + along the "
        f"crank. Nearest: {named(near)}"
    )
    if not far:
        return covering
    least = min(apart for pair, apart in zip(pairs, at_reach, strict=True) if pair in far)
    return f"{covering}. {unit.down_text(least)} apart or more at all lifts: {named(far)}"


def _refuse_unseen_touches(project: Project, near: list[tuple[_Body, _Body]]) -> None:
    """Lifts seen to touch check the seats: there the heads must be no farther apart than the seats' error."""
    assert project.seats is not None
    for entry, lifts in enumerate(project.seats.contact_lifts, start=1):
        at = [max(lift - project.seats.contact_lift_error, 0.0) for lift in lifts]
        apart = min(_lower_bound(one.head, at[0], other.head, at[1]) for one, other in near)
        if apart > project.seats.error:
            raise InputError.one(
                f"the valves were seen to touch at {lifts[0]:g} and {lifts[1]:g} mm of lift, where by their seats they "
                f"are {apart:.2f} mm apart, more than seats.error {project.seats.error:g} mm",
                hint="measure the seats again, or give the error that they have",
                file=project.file,
                where=f"seats.contact_lifts (entry {entry})",
            )
