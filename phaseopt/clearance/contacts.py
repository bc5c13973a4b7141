"""What can touch what: the contacts that are computed, the words for them, and what is never covered."""

from phaseopt.engine.lobe_file import from_any_zero
from phaseopt.project import SIDES, Project, Side

CONTACTS = ("intake_piston", "exhaust_piston", "valve_valve")
WORDS = {
    "intake_piston": "intake to piston",
    "exhaust_piston": "exhaust to piston",
    "valve_valve": "valve to valve",
}
NEVER_COVERED = (
    "radial clearance in the valve pocket",
    "valve to bore",
    "piston to head",
)


def contacts_of(project: Project) -> tuple[str, ...]:
    """The contacts a project gives the geometry for."""
    return CONTACTS if project.seats is not None else CONTACTS[:2]


def sides_of(contact: str) -> tuple[Side, ...]:
    """The cams whose timing a contact depends on.

    >>> sides_of("valve_valve")
    ('intake', 'exhaust')
    """
    if contact == "valve_valve":
        return ("intake", "exhaust")
    return ("intake",) if contact == "intake_piston" else ("exhaust",)


def not_covered(project: Project, timed: tuple[Side, ...] = ()) -> tuple[str, ...]:
    """What nothing here looks at, in words: always to be shown beside a verdict.

    `timed` are the cams whose timing readings on the engine tell.
    """
    valves = _valves_not_covered(project)
    third = any(cam.valves > 2 for cam in (project.intake, project.exhaust))
    middle = (
        ("a third valve of a kind to the piston, where its tilt, drop or lobe differs from the others'",)
        if third
        else ()
    )
    unread = [side for side in SIDES if side not in timed]
    which = "cam" if len(unread) == len(SIDES) else f"{''.join(unread)} cam"
    timing: tuple[str, ...] = (f"{which} timing (not checked on the engine)",) if unread else ()
    timing += tuple(
        f"which way the {side} cam turned on the bench (bench_deg; [{side}.degree_in] shows it)"
        for side in unread
        if from_any_zero(project.cam(side))
    )
    return timing + NEVER_COVERED + _springs_not_covered(project) + valves + middle


def _springs_not_covered(project: Project) -> tuple[str, ...]:
    """What of springs nobody gave: float, coil bind, retainer to seal."""
    missing = [side for side in SIDES if project.cam(side).spring is None]
    which = "" if len(missing) == len(SIDES) else f"{''.join(missing)} "
    found = [f"{which}valve springs (not given)", "coil bind"] if missing else []
    springs = (project.cam(side).spring for side in SIDES)
    sealed = all(spring is not None and spring.retainer_to_seal is not None for spring in springs)
    return (*found, *(() if sealed else ("retainer to seal",)))


def _valves_not_covered(project: Project) -> tuple[str, ...]:
    if project.seats is None:
        return ("valve to valve (the project gives no seats)",)
    many = [side for side in SIDES if project.cam(side).valves > 1]
    unplaced = any(seat.along is None for side in SIDES for seat in project.seats.of(side))
    known = bool(project.seats.intake) and not unplaced
    return () if known else tuple(f"{side} valve to {side} valve (no seat gives along)" for side in many)
