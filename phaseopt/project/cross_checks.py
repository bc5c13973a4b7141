"""What no single section of a project file can show: sections that contradict each other.

Each check names the sections it needs and runs where those are valid by themselves, so that one pass over a file
reports these mistakes beside the others.
"""

import math
from collections.abc import Iterator

from phaseopt.project import (
    SIDES,
    Cam,
    Cap,
    Cost,
    Project,
    Seat,
    Seats,
    Torque,
    simulation_checks,
    torque_checks,
)
from phaseopt.project.checks import HEAD, Checks, Contradiction, Sections, left_out, phaser_of, phasers
from phaseopt.values.errors import InputError, Mistake

CHECKS = Checks()


@CHECKS.of("intake", "exhaust", "phaser")
def _phasers(s: Sections) -> Iterator[Contradiction]:
    own = [side for side in SIDES if s[side].phaser is not None]
    if s["phaser"] is not None and own:
        yield "phaser", f"one phaser moves both cams, but {own[0]}.phaser is given too", "keep one of the two"
    if s["phaser"] is None and not own:
        yield (
            "intake.phaser",
            "no cam has a phaser, so there is no table to make",
            "describe the phaser that moves a cam",
        )


@CHECKS.of("intake", "exhaust", "drop")
def _heads_for_geometry(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        if getattr(s["drop"], side).geometry is not None and s[side].head_diameter is None:
            yield left_out(f"{side}.head_diameter", f"drop.{side}.geometry", HEAD)


@CHECKS.of("intake", "exhaust", "phaser", "gap")
def _slew_for_the_looser_rule(s: Sections) -> Iterator[Contradiction]:
    if s["gap"].between == "neighbouring cells":
        yield from phasers_without_slew(s, "gap.between")


def phasers_without_slew(s: Sections, needed_by: str) -> Iterator[Contradiction]:
    """Each phaser whose speed is left out, where something needs it."""
    for key, phaser in phasers(s).items():
        if phaser.slew is None:
            yield left_out(
                f"{key}.slew",
                needed_by,
                "give slew = { advance = 90, retard = 60 }, the slowest with hot oil, crank degrees a second",
            )


def require_slew(project: Project) -> None:
    """Refuse a project that leaves a phaser's speed out, for what fills in tables. Raises `InputError`."""
    left = phasers_without_slew({name: getattr(project, name) for name in ("phaser", *SIDES)}, "a search for tables")
    if mistakes := [Mistake(problem, hint, project.file, key) for key, problem, hint in left]:
        raise InputError(mistakes)


@CHECKS.of("cylinders", "firing_order")
def _firing_order(s: Sections) -> Iterator[Contradiction]:
    order = s["firing_order"]
    if order is not None and (len(order) != s["cylinders"] or sorted(order) != list(range(1, len(order) + 1))):
        yield (
            "firing_order",
            f"{list(order)} does not name each of {s['cylinders']} cylinders once",
            "give each cylinder once, as in [1, 3, 4, 2]",
        )


@CHECKS.of("cylinders", "intake", "exhaust")
def _degreed_cylinder(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        read = s[side].degree_in
        if read is not None and read.cylinder > s["cylinders"]:
            problem = f"cylinder {read.cylinder} of an engine with {s['cylinders']}"
            yield f"{side}.degree_in.cylinder", problem, "number cylinders from 1"


@CHECKS.of("cylinders", "intake", "exhaust")
def _spread_of_all_cylinders(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        spread, read, cylinders = s[side].spread, s[side].degree_in, s["cylinders"]
        if len(spread) not in (0, cylinders):
            problem = f"{len(spread)} value{'s' * (len(spread) != 1)} for {cylinders} cylinders"
            yield (
                f"{side}.spread",
                problem,
                "give one for each cylinder, from cylinder 1; 0 where the cam was dialled in",
            )
        elif spread and read is not None and read.cylinder <= cylinders and spread[read.cylinder - 1] != 0.0:
            yield (
                f"{side}.spread",
                f"{spread[read.cylinder - 1]:+g} for cylinder {read.cylinder}, on which the cam was degreed in",
                "count the others from that cylinder, and give 0 for it: its readings show where the cam stands",
            )


@CHECKS.of("drop", "intake", "exhaust")
def _wheel_of_the_drop(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        read, drop = s[side].degree_in, getattr(s["drop"], side)
        if read is not None and read.same_wheel and not drop.readings and not drop.around_tdc:
            yield (
                f"{side}.degree_in.same_wheel",
                f"no {side} drop was read at angles on a wheel, so no zero cancels",
                f"take same_wheel out, or give drop.{side}.readings or around_tdc",
            )


@CHECKS.of("drop", "intake", "exhaust")
def _one_lobe_for_clay(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        if len(s[side].lobe_column) > 1 and getattr(s["drop"], side).clay is not None:
            problem = f"{len(s[side].lobe_column)} lobes, and clay that was squeezed by one of them"
            yield f"{side}.lobe_column", problem, "name the lobe of the cylinder that the clay was in, alone"


@CHECKS.of("crank", "intake", "exhaust")
def _heads_fit(s: Sections) -> Iterator[Contradiction]:
    bore = s["crank"].bore
    for side in SIDES:
        cam: Cam = s[side]
        if cam.head_diameter is not None and cam.head_diameter * min(cam.valves, 2) >= bore:
            many = (
                f"{cam.valves} heads of {cam.head_diameter:g} mm"
                if cam.valves > 1
                else f"a head of {cam.head_diameter:g} mm"
            )
            yield (
                f"{side}.head_diameter",
                f"the bore of {bore:g} mm has no room for {many}",
                "measure heads and bore in mm",
            )


@CHECKS.of("crank", "intake", "exhaust", given="seats")
def _seats_fit(s: Sections) -> Iterator[Contradiction]:
    seats: Seats = s["seats"]
    if not seats.intake:
        return
    for side in SIDES:
        cam: Cam = s[side]
        if cam.head_diameter is None:
            yield left_out(f"{side}.head_diameter", "[seats]", HEAD)
            return
        try:
            seats.all_of(side, cam.valves)
        except ValueError as error:
            yield f"seats.{side}", str(error), "give one table a valve, or one for each pair mirrored along the crank"
        for entry, seat in enumerate(seats.of(side), start=1):
            key = f"seats.{side}" if len(seats.of(side)) == 1 else f"seats.{side} (entry {entry})"
            yield from ((key, *found) for found in _seat_fits(seat, cam, s["crank"].bore))
    apart = min(seat.across for seat in seats.intake) - max(seat.across for seat in seats.exhaust)
    beside = {seat.along for side in SIDES for seat in seats.of(side)}
    if apart < 0 or (apart == 0 and len(beside) == 1):
        yield (
            "seats.intake.across",
            "the intake seat is not on the + side of the exhaust seat",
            "count across + towards the intake side",
        )


def _seat_fits(seat: Seat, cam: Cam, bore: float) -> Iterator[tuple[str, str]]:
    along, tilt = seat.along or 0.0, seat.tilt if seat.tilt is not None else cam.tilt
    if abs(seat.tilt_along) > tilt:
        yield (
            f"tilt_along {seat.tilt_along:g}° is more than the valve's whole tilt, {tilt:g}°",
            "give tilt between valve and cylinder axis in space, and tilt_along as seen from the side",
        )
    off = math.hypot(seat.across, along)
    # How far the rim reaches in the direction in which the head is off the cylinder axis.
    lean_x, lean_y = math.tan(math.radians(tilt)) ** 2, math.tan(math.radians(seat.tilt_along))
    lean_x = math.sqrt(max(lean_x - lean_y**2, 0.0))
    outward = (abs(seat.across) * lean_x + abs(along) * lean_y) / off if off else 0.0
    reach = off + cam.head / 2 * math.sqrt(max(1.0 - outward**2 / (1.0 + lean_x**2 + lean_y**2), 0.0))
    if reach > bore / 2:
        yield (
            f"the valve head does not fit the bore: it reaches {reach:.1f} mm from the cylinder axis, the bore "
            f"{bore / 2:.1f} mm",
            "measure across and along to the centre of the head",
        )
    if seat.margin >= cam.head / 2 or abs(seat.height) >= bore / 2:
        yield (
            f"margin {seat.margin:g} mm or height {seat.height:g} mm is too large for a head and a chamber",
            "give the thickness of the head's rim, and the height of its lower face above the joint face, in mm",
        )


@CHECKS.of("search", "tables")
def _weights(s: Sections) -> Iterator[Contradiction]:
    bands = s["search"].weights

    def counts(rpm: float, load: float) -> bool:
        held = (b for b in bands if b.rpm[0] <= rpm <= b.rpm[1] and b.load[0] <= load <= b.load[1])
        band = next(held, None)  # the first match wins
        return band is None or band.weight > 0

    if not any(counts(rpm, load) for rpm in s["tables"].rpm for load in s["tables"].load):
        yield "search.weights", "every cell has weight 0", "give at least one band a weight above 0"


@CHECKS.of("crank", "tables")
def _covered_speeds(s: Sections) -> Iterator[Contradiction]:
    last, top = s["tables"].rpm[-1], s["crank"].top_speed
    if last > top:
        yield (
            "tables.rpm",
            f"the last speed {last:g} rpm is above the {top:g} rpm up to which contact is checked",
            "raise crank.overspeed to the highest speed it could ever see, or end the table below it",
        )


@CHECKS.of("intake", "exhaust", "phaser", "tables")
def _baseline(s: Sections) -> Iterator[Contradiction]:
    pair = s["tables"].baseline
    for side in SIDES:
        if pair is not None and phaser_of(s, side) is not None and getattr(pair, side) is None:
            yield (f"tables.baseline.{side}", "left out, but this cam has a phaser", f"name the {side} phase CSV")


@CHECKS.of("intake", "exhaust", "phaser", "tables")
def _phaser_step(s: Sections) -> Iterator[Contradiction]:
    for key, phaser in phasers(s).items():
        if phaser.rest_until >= s["tables"].rpm[-1]:
            yield (
                f"{key}.rest_until",
                "the phaser rests at every speed of the tables",
                "give rest_until below the last table speed",
            )


@CHECKS.of("search", "torque", "torque_grid", "cycle", "tables")
def _part_load(s: Sections) -> Iterator[Contradiction]:
    search, torque, rpm, load = s["search"], s["torque"], s["tables"].rpm, s["tables"].load
    asked = {"caps": search.caps, "costs": search.costs, "part_load": search.part_load != "torque"}
    simulated = s["cycle"] is not None and s["torque_grid"] is None and (torque is None or torque.prior is not None)
    for key in (key for key, wanted in asked.items() if wanted and not simulated):
        yield (
            f"search.{key}",
            "residual gas, fuel and pressure need a simulation",
            "describe the engine under [cycle] (with pulls also [torque.prior]), or leave it out",
        )
    banded: tuple[tuple[str, tuple[Cap | Cost, ...]], ...] = (("caps", search.caps), ("costs", search.costs))
    for key, bands in banded:
        for number, band in enumerate(bands, start=1):
            spans = ((rpm, band.rpm), (load[:-1], band.load))
            if not all(any(low <= value <= high for value in axis) for axis, (low, high) in spans):
                yield (
                    f"search.{key} (entry {number})",
                    "no cell below full load is in this band",
                    "give spans that hold a breakpoint of both axes; the top load is full throttle and does not count",
                )


@CHECKS.of("torque", "cycle")
def _prior_has_a_simulation(s: Sections) -> Iterator[Contradiction]:
    torque: Torque | None = s["torque"]
    if torque is not None and torque.prior is not None and s["cycle"] is None:
        yield (
            "torque.prior",
            "there is no [cycle] to simulate",
            "describe the engine under [cycle], or take torque.prior out",
        )
    if torque is not None and torque.prior is not None and s["cycle"] is not None and s["cycle"].factors.named:
        yield (
            "cycle.factors",
            "the pulls calibrate the same factors",
            "take the factors out: they are for an engine without pulls",
        )


def contradictions(sections: Sections) -> list[Contradiction]:
    """Every contradiction between the sections that are there.

    Parameters: `sections`, valid sections by key (those that failed by themselves are left out).
    Returns (key, problem, hint) for each.
    """
    subjects = (CHECKS, torque_checks.CHECKS, simulation_checks.CHECKS)
    return [found for checks in subjects for found in checks.found(sections)]
