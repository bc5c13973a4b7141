"""A bound on the gap between two valves from lifts at which they were seen to touch, without their seats.

Taken to hold: the two heads stand opposite each other across the crank, off it by no more than a fifth of the sum of
their radii, so that where they touch the common normal leans along the crank by no more than 11.5°; they are convex;
more lift on either brings them nearer (the back of a valve counts as if its head filled the space it has swept). Tilts
are those of the project.

At a touch, let the normal from intake to exhaust point φ below the level. A mm of intake lift then closes
p = ν sin(τi + φ) mm, a mm of exhaust lift q = ν sin(τe - φ), ν the cosine of the normal's lean along the crank, and φ
lies from -τi to τe, for neither opens. The two planes
across that normal part the bodies at all smaller lifts, so that

    gap ≥ p (touch's intake lift - intake lift) + q (touch's exhaust lift - exhaust lift)

for the true φ, whichever it is. Other contacts narrow it: the plane must not part the heads where they were seen to
touch. As a function of φ the right side is a sine, and where it is above zero at both ends of the interval its least is
at an end. So each touch gives two planes, the lower one bounds the gap, and the best touch counts. From one touch
that is ν sin(τi + τe) times the lesser of the two lifts that are left.
"""

import math

import numpy as np

from phaseopt.project import Project
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

_LEAN = 0.98  # ν at its least: the cosine of 11.5°, whose sine is a fifth


def touch_planes(project: Project) -> FloatArray:
    """(n, 6) two planes c - p × intake lift - q × exhaust lift for each touch, mm.

    Lifts in `contact_lifts` may each be off by `contact_lift_error`: contact may come that much earlier on both valves.

    Raises
    ------
    InputError
        A head of three or five valves, where no intake valve need stand opposite an exhaust valve. Contacts that
        contradict each other: more lift on both, or a line of three that no two convex heads make.
    """
    seats = project.seats
    assert seats is not None
    lifts, error = np.array(seats.contact_lifts), seats.contact_lift_error
    lean_i, lean_e = (math.radians(tilt) for tilt in (project.intake.tilt, project.exhaust.tilt))
    if project.intake.valves != project.exhaust.valves:
        problem = f"{project.intake.valves} intake and {project.exhaust.valves} exhaust valves do not stand opposite"
        raise _mistake(project, 1, problem, "give the seats of both kinds; contact_lifts then check them")
    if lean_i + lean_e == 0.0:
        raise _mistake(project, 1, "valves that stand parallel do not come nearer as they open", "check tilt")
    rows: list[list[float]] = []
    for entry, (lift_i, lift_e) in enumerate(lifts, start=1):
        least, most = _slopes(lifts - (lift_i, lift_e), 2.0 * error)
        low, high = (_below_level(slope, lean_i, lean_e) for slope in (least, most))
        if low > high:
            raise _mistake(
                project,
                entry,
                f"the touch at {lift_i:g} and {lift_e:g} mm of lift contradicts the others",
                "more lift on one valve means contact at less on the other: read again, or give contact_lift_error",
            )
        rows.append([])
        for below in (low, high):
            p, q = _LEAN * math.sin(lean_i + below), _LEAN * math.sin(lean_e - below)
            rows[-1] += [p * (lift_i - error) + q * (lift_e - error), p, q]
    return np.array(rows)


def _slopes(others: FloatArray, error: float) -> tuple[float, float]:
    """Least and greatest p / q at a touch so that no other (intake lift, exhaust lift from here) is parted: there
    p × intake lift + q × exhaust lift is not below zero, to `error` in each."""
    least, most = 0.0, math.inf
    for further_i, further_e in others:
        up_i, up_e = further_i + error, further_e + error
        if up_i < 0.0 and up_e < 0.0:
            return 1.0, 0.0
        if up_i > 0.0 > up_e:
            least = max(least, -up_e / up_i)
        if up_e > 0.0 > up_i:
            most = min(most, -up_e / up_i)
    return least, most


def _below_level(slope: float, lean_i: float, lean_e: float) -> float:
    """φ, radians, at which sin(τi + φ) / sin(τe - φ) is a given slope.

    >>> round(math.degrees(_below_level(1.0, math.radians(12), math.radians(13))), 9)
    0.5
    """
    if math.isinf(slope):
        return lean_e
    return math.atan2(slope * math.sin(lean_e) - math.sin(lean_i), math.cos(lean_i) + slope * math.cos(lean_e))


def _mistake(project: Project, entry: int, problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint, file=project.file, where=f"seats.contact_lifts (entry {entry})")
