"""What no single section of a project file can show: sections that contradict each other.

Each check names the sections it needs and runs where those are valid by themselves, so that one pass over a file
reports these mistakes beside the others.
"""

import json
import math
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from phaseopt.project import (
    SIDES,
    Cam,
    Cap,
    Cost,
    Cycle,
    ExhaustTract,
    IntakeTract,
    Phaser,
    Project,
    Seat,
    Seats,
    Torque,
    TorqueGrid,
)  # fmt: skip
from phaseopt.project.network import network_faults, snorkel_loss
from phaseopt.project.standards import named_standards
from phaseopt.values.errors import InputError, Mistake

Contradiction = tuple[str, str, str]  # key, problem, hint
Sections = dict[str, Any]
Check = Callable[[Sections], Iterator[Contradiction]]

_HEAD = "give the valve head's diameter, mm"

_CHECKS: list[tuple[tuple[str, ...], str, Check]] = []


def _check(*needs: str, given: str = "") -> Callable[[Check], Check]:
    """A check that runs where the sections it needs are valid, and where the one that it is about is `given`."""

    def added(check: Check) -> Check:
        _CHECKS.append(((*needs, given) if given else needs, given, check))
        return check

    return added


@_check("intake", "exhaust", "phaser")
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


def _left_out(key: str, needed_by: str, hint: str) -> Contradiction:
    return key, f"left out, but {needed_by} needs it", hint


@_check("intake", "exhaust", "drop")
def _heads_for_geometry(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        if getattr(s["drop"], side).geometry is not None and s[side].head_diameter is None:
            yield _left_out(f"{side}.head_diameter", f"drop.{side}.geometry", _HEAD)


@_check("intake", "exhaust", "phaser", "gap")
def _slew_for_the_looser_rule(s: Sections) -> Iterator[Contradiction]:
    if s["gap"].between == "neighbouring cells":
        yield from phasers_without_slew(s, "gap.between")


def phasers_without_slew(s: Sections, needed_by: str) -> Iterator[Contradiction]:
    """Each phaser whose speed is left out, where something needs it."""
    phasers = {"phaser": s["phaser"], **{f"{side}.phaser": s[side].phaser for side in SIDES}}
    for key, phaser in phasers.items():
        if phaser is not None and phaser.slew is None:
            yield _left_out(
                f"{key}.slew",
                needed_by,
                "give slew = { advance = 90, retard = 60 }, the slowest with hot oil, crank degrees a second",
            )


def require_slew(project: Project) -> None:
    """Refuse a project that leaves a phaser's speed out, for what fills in tables. Raises `InputError`."""
    left = phasers_without_slew({name: getattr(project, name) for name in ("phaser", *SIDES)}, "a search for tables")
    if mistakes := [Mistake(problem, hint, project.file, key) for key, problem, hint in left]:
        raise InputError(mistakes)


@_check("cylinders", "firing_order")
def _firing_order(s: Sections) -> Iterator[Contradiction]:
    order = s["firing_order"]
    if order is not None and (len(order) != s["cylinders"] or sorted(order) != list(range(1, len(order) + 1))):
        yield (
            "firing_order",
            f"{list(order)} does not name each of {s['cylinders']} cylinders once",
            "give each cylinder once, as in [1, 3, 4, 2]",
        )


@_check("cylinders", "intake", "exhaust")
def _degreed_cylinder(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        read = s[side].degree_in
        if read is not None and read.cylinder > s["cylinders"]:
            problem = f"cylinder {read.cylinder} of an engine with {s['cylinders']}"
            yield f"{side}.degree_in.cylinder", problem, "number cylinders from 1"


@_check("drop", "intake", "exhaust")
def _one_lobe_for_clay(s: Sections) -> Iterator[Contradiction]:
    for side in SIDES:
        if len(s[side].lobe_column) > 1 and getattr(s["drop"], side).clay is not None:
            problem = f"{len(s[side].lobe_column)} lobes, and clay that was squeezed by one of them"
            yield f"{side}.lobe_column", problem, "name the lobe of the cylinder that the clay was in, alone"


@_check("crank", "intake", "exhaust")
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


@_check("crank", "intake", "exhaust", given="seats")
def _seats_fit(s: Sections) -> Iterator[Contradiction]:
    seats: Seats = s["seats"]
    if not seats.intake:
        return
    for side in SIDES:
        cam: Cam = s[side]
        if cam.head_diameter is None:
            yield _left_out(f"{side}.head_diameter", "[seats]", _HEAD)
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


@_check("intake", "exhaust", "phaser", given="torque")
def _logged_phases(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    for side in SIDES:
        if s["phaser"] is None and s[side].phaser is None:
            continue
        columns = torque.columns
        measured, command = getattr(columns, f"{side}_phase"), getattr(columns, f"{side}_command")
        if measured is None and command is None:
            yield (
                f"torque.columns.{side}_phase",
                f"no column has the {side} phase",
                "name the measured or the commanded column",
            )
        if getattr(torque.phases, side) is None:
            yield (
                f"torque.phases.{side}",
                f"how the logged {side} phase counts is not stated",
                f'give {side} = {{ sign = 1, zero = 0.0, in = "crank deg" }}, as your controller logs it',
            )


@_check(given="torque")
def _torque_column(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    if torque.columns.torque is None and any(pull.kind != "inertia sweep" for pull in torque.pulls):
        yield "torque.columns.torque", "left out, but the pulls need it", "name the torque column"


def _keys(torque: Torque, numbers: list[int], of_the_day: str) -> list[str]:
    """Where pulls lack something: each entry that does, and once what is stated of the day for those of the folder."""
    keys = [torque.pull_key(number) for number in numbers]
    return list(dict.fromkeys(of_the_day if key.startswith("torque.logs") else key for key in keys))


@_check(given="torque")
def _weather(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    marks = torque.full_throttle
    needs = torque.correction if torque.correction != "none" else "full_throttle.depression_below"
    wanting = [(number, pull) for number, pull in enumerate(torque.pulls, start=1) if torque.needs_air(pull)]
    if wanting:
        lacking = [number for number, pull in wanting if pull.weather is None]
        for key in _keys(torque, lacking, "torque"):
            yield (
                f"{key}.weather",
                f"left out, but {needs} needs the air of the day",
                'give weather = { pressure = "98.7 kPa", temperature = "18 degC", humidity = 0.55 }',
            )
        for number, pull in wanting:
            if pull.weather is not None and pull.air is None:
                yield (
                    f"{torque.pull_key(number)}.time",
                    f"the weather is by the clock, but {pull.files[0]} does not show when it was made",
                    f'give time = "14:05" in an entry with files = ["{Path(pull.files[0]).name}"]',
                )
    if marks.throttle_above is not None and torque.columns.throttle is None:
        yield (
            "torque.columns.throttle",
            "left out, but full_throttle.throttle_above needs it",
            "name the throttle column",
        )


# Torque behind the gearbox, as logs name it in English, German, French, Italian, Spanish and Swedish: common practice,
# no source. A flywheel is no wheel.
_AT_WHEEL = re.compile(
    r"(?<!fly)(?<!fly[ _-])wheel|\broller|\bhubs?\b|\br?w(?:hp|tq)\b"
    r"|\b(?:hinter|vorder|antriebs)?rad(?:dreh)?(?:moment|leistung)?\b|\broues?\b|\bruot[ae]\b|\bruedas?\b|\b(?:driv|bak|fram)?hjul",
    re.IGNORECASE,
)


@_check(given="torque")
def _where_measured(s: Sections) -> Iterator[Contradiction]:
    """Torque at the wheels must not count as the flywheel's because nobody said where it was measured."""
    torque: Torque = s["torque"]
    column = torque.columns.torque
    if column is None or "at" in torque.dyno.model_fields_set:
        return
    spun = "inertia sweep" in (torque.kind, *(pull.kind for pull in torque.pulls))
    geared = "torque.dyno.ratio" if torque.dyno.ratio is not None else "torque.columns.roller"
    if not spun and (torque.dyno.ratio is not None or torque.columns.roller is not None):
        yield (
            "torque.dyno.at",
            f"left out, but {geared} is given, as where torque is measured behind the gearbox",
            'give at = "wheel", "hub" or "flywheel" under [torque.dyno]',
        )
    elif _AT_WHEEL.search(column.replace("_", " ")):
        yield (
            "torque.dyno.at",
            f"left out, but the torque column {column!r} is named as if measured at wheels, hubs or rollers",
            'give at = "wheel" (or "hub") and ratio under [torque.dyno]; at = "flywheel" if it is the flywheel\'s',
        )


@_check(given="torque")
def _corrected_already(s: Sections) -> Iterator[Contradiction]:
    """Torque that a sheet has corrected must not be corrected again, or by the factor of another standard."""
    torque: Torque = s["torque"]
    named = named_standards(torque.columns.torque or "")
    stated = torque.already_corrected
    if named and "already_corrected" not in torque.model_fields_set:
        yield (
            "torque.already_corrected",
            f"left out, but the torque column {torque.columns.torque!r} is named as if corrected for weather",
            f'give already_corrected = {" or ".join(map(json.dumps, named))}, as the sheet says; or "none"',
        )
    elif named and stated not in ("none", *named):
        yield (
            "torque.already_corrected",
            f"{stated}, but the torque column {torque.columns.torque!r} is named as {named[0]}",
            "check the standard on the sheet",
        )
    for number, pull in enumerate(torque.pulls, start=1):
        already = torque.corrected_to(pull)
        if torque.correction == "none" and already != "none":
            key = "torque" if pull.already_corrected is None else torque.pull_key(number)
            yield (
                "torque.correction",
                f'"none", but {key}.already_corrected says that torque was corrected to {already}',
                f'give correction = "{already}"',
            )
            return


@_check(given="torque")
def _dyno(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    dyno, columns = torque.dyno, torque.columns
    spun = [(n, pull) for n, pull in enumerate(torque.pulls, start=1) if pull.kind == "inertia sweep"]
    lacking = [number for number, pull in spun if (pull.ratio, dyno.ratio, columns.roller) == (None, None, None)]
    for key in _keys(torque, lacking, "torque.dyno"):
        yield (
            f"{key}.ratio",
            "left out, but an inertia sweep needs the engine's turns for one turn of the roller",
            "give the overall ratio of the gear that was driven, as in ratio = 4.1",
        )
    if spun and dyno.roller_inertia is None:
        yield "torque.dyno.roller_inertia", "left out, but an inertia sweep needs it", "give kg m² of roller and wheels"
    if (spun or dyno.engine_inertia or dyno.roller_inertia) and columns.time is None:
        yield "torque.columns.time", "left out, but the torque of acceleration needs it", "name the time column"
    braked = [pull for pull in torque.pulls if pull.kind != "inertia sweep"]
    turns = not dyno.divided or dyno.roller_inertia is not None or bool(dyno.coastdown)
    known = dyno.ratio is not None or columns.roller is not None or all(pull.ratio is not None for pull in braked)
    if dyno.at != "flywheel" and turns and not known:
        yield (
            "torque.dyno.ratio",
            f"left out, but torque at the {dyno.at} needs it",
            "give engine turns for one turn of hub or roller, or name the roller's speed column; divided = true where "
            "logged torque is divided by it already",
        )
    rolls = spun or torque.kind == "inertia sweep"
    if dyno.at == "flywheel" and not rolls and (dyno.driveline or dyno.coastdown or dyno.divided):
        key = "driveline" if dyno.driveline else "coastdown" if dyno.coastdown else "divided"
        yield f"torque.dyno.{key}", "torque at the flywheel passes no driveline or roller", 'give at = "hub" or "wheel"'
    if dyno.coastdown and (dyno.roller_inertia is None or columns.roller is None):
        key = "torque.columns.roller" if columns.roller is None else "torque.dyno.roller_inertia"
        yield key, "left out, but torque.dyno.coastdown needs it", "name the roller's speed column and its inertia"


@_check(given="torque")
def _gates(s: Sections) -> Iterator[Contradiction]:
    torque: Torque = s["torque"]
    for name, limit in torque.gates:
        if limit is not None and getattr(torque.columns, name) is None:
            yield f"torque.columns.{name}", f"left out, but torque.gates.{name} needs it", f"name the column of {name}"


@_check("search", "tables")
def _weights(s: Sections) -> Iterator[Contradiction]:
    bands = s["search"].weights

    def counts(rpm: float, load: float) -> bool:
        held = (b for b in bands if b.rpm[0] <= rpm <= b.rpm[1] and b.load[0] <= load <= b.load[1])
        band = next(held, None)  # the first match wins
        return band is None or band.weight > 0

    if not any(counts(rpm, load) for rpm in s["tables"].rpm for load in s["tables"].load):
        yield "search.weights", "every cell has weight 0", "give at least one band a weight above 0"


@_check("crank", "tables")
def _covered_speeds(s: Sections) -> Iterator[Contradiction]:
    last, top = s["tables"].rpm[-1], s["crank"].top_speed
    if last > top:
        yield (
            "tables.rpm",
            f"the last speed {last:g} rpm is above the {top:g} rpm up to which contact is checked",
            "raise crank.overspeed to the highest speed it could ever see, or end the table below it",
        )


@_check("intake", "exhaust", "phaser", "tables")
def _baseline(s: Sections) -> Iterator[Contradiction]:
    pair = s["tables"].baseline
    for side in SIDES:
        moves = s["phaser"] is not None or s[side].phaser is not None
        if pair is not None and moves and getattr(pair, side) is None:
            yield (f"tables.baseline.{side}", "left out, but this cam has a phaser", f"name the {side} phase CSV")


@_check("intake", "exhaust", "phaser", "tables")
def _phaser_step(s: Sections) -> Iterator[Contradiction]:
    for side in ("phaser", *SIDES):
        phaser: Phaser | None = s[side] if side == "phaser" else s[side].phaser
        key = side if side == "phaser" else f"{side}.phaser"
        if phaser is not None and phaser.rest_until >= s["tables"].rpm[-1]:
            yield (
                f"{key}.rest_until",
                "the phaser rests at every speed of the tables",
                "give rest_until below the last table speed",
            )


@_check("cylinders", "firing_order", "crank", "intake", "exhaust", given="cycle")
def _simulated_engine(s: Sections) -> Iterator[Contradiction]:
    cycle: Cycle = s["cycle"]
    if s["firing_order"] is None and s["cylinders"] > 1:
        yield "firing_order", "left out, but [cycle] needs it", "give it, as in firing_order = [1, 3, 4, 2]"
    if cycle.exhaust.secondary is not None and s["cylinders"] % 2:
        yield (
            "cycle.exhaust.secondary",
            "primaries cannot meet in pairs with an odd number of cylinders",
            "leave the secondary out",
        )
    yield from _pipes(cycle, s["cylinders"])
    if s["crank"].compression_ratio is None:
        yield _left_out("crank.compression_ratio", "[cycle]", "give the geometric compression ratio")
    elif not 4.0 <= s["crank"].compression_ratio <= 25.0:
        yield (
            "crank.compression_ratio",
            f"{s['crank'].compression_ratio:g} cannot be simulated",
            "give the geometric compression ratio, 4 to 25",
        )
    for side in SIDES:
        tract, head = getattr(cycle, side), s[side].head_diameter
        if head is None:
            yield _left_out(f"{side}.head_diameter", "[cycle]", _HEAD)
        elif tract.throat >= head - tract.seat_width:
            yield (
                f"cycle.{side}.throat",
                f"a throat of {tract.throat:g} mm leaves no seat {tract.seat_width:g} mm wide under a head of "
                f"{head:g} mm",
                "give diameters of throat and head, and width of the seat, in mm",
            )


@_check("crank", "intake", "exhaust", "phaser", given="cycle")
def _knock_heard(s: Sections) -> Iterator[Contradiction]:
    """Knock that cannot have been heard would set the scale of all knock that is simulated."""
    cycle: Cycle = s["cycle"]
    for number, one in enumerate(cycle.knock.heard if cycle.knock is not None else (), start=1):
        key, top = f"cycle.knock.heard (entry {number})", s["crank"].top_speed
        if one.rpm > top:
            yield f"{key}.rpm", f"{one.rpm:g} rpm is above the engine's {top:g} rpm", "give the speed at which it began"
        for side in SIDES:
            phaser: Phaser | None = s["phaser"] if s["phaser"] is not None else s[side].phaser
            least, most = phaser.travel if phaser is not None else (0.0, 0.0)
            phase = getattr(one, side)
            if not least <= phase <= most:
                yield (
                    f"{key}.{side}",
                    f"{phase:g}° is outside the {side} cam's travel, {least:g} to {most:g}°",
                    "give the phase as it was then, crank degrees from rest",
                )


@_check("cylinders", "crank", "tables", given="cycle")
def _snorkel(s: Sections) -> Iterator[Contradiction]:
    """Throttles behind the snorkel hold full throttle, so it must leave them something to take."""
    cycle, crank, rpm = s["cycle"], s["crank"], s["tables"].rpm[-1]
    if next(network_faults(cycle.intake.parts, True, s["cylinders"]), None) is not None:
        return
    swept = math.pi / 4 * crank.bore**2 * crank.stroke * s["cylinders"] * 1e-9
    lost = snorkel_loss(cycle.intake.parts, s["cylinders"], swept * rpm / 120.0)
    if lost >= cycle.full_throttle_depression:
        yield (
            "cycle.full_throttle_depression",
            f"{cycle.full_throttle_depression:g} kPa is less than the about {lost:.1f} kPa that the snorkel takes at "
            f"{rpm:g} rpm",
            "measure it behind the open throttles, or check the snorkel's diameter",
        )


_USUAL = {"intake": ("runner",), "exhaust": ("primary", "tail")}
_NOT_BOTH = {"intake": ("runner",), "exhaust": ("primary", "secondary", "collector_volume", "tail")}


def _pipes(cycle: Cycle, cylinders: int) -> Iterator[Contradiction]:
    """Pipes of each side: the usual ones, or a list of parts that makes a network."""
    for side in SIDES:
        tract: IntakeTract | ExhaustTract = getattr(cycle, side)
        if not tract.parts:
            for name in _USUAL[side]:
                if getattr(tract, name) is None:
                    yield (
                        f"cycle.{side}.{name}",
                        "must be given",
                        f"give its pieces, or describe all of it as {side}.parts",
                    )
            continue
        for name in _NOT_BOTH[side]:
            if name in tract.model_fields_set:
                yield f"cycle.{side}.{name}", f"{side}.parts describes this too", f"leave {name} out"
        for key, problem, hint in network_faults(tract.parts, side == "intake", cylinders):
            yield f"cycle.{side}.parts{' ' if key else ''}{key}", problem, hint


@_check("search", "torque", "torque_grid", "cycle", "tables")
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


@_check("torque", "cycle")
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


@_check("torque", "torque_grid")
def _torque_once(s: Sections) -> Iterator[Contradiction]:
    if s["torque"] is not None and s["torque_grid"] is not None:
        yield (
            "torque_grid",
            "torque is given twice: by the pulls under [torque], and by this grid",
            "keep one: take [torque_grid] out to learn from the pulls, or [torque] to build on the grid",
        )


@_check("intake", "exhaust", "phaser", given="torque_grid")
def _grid_timings(s: Sections) -> Iterator[Contradiction]:
    grid: TorqueGrid = s["torque_grid"]
    for side, centre in zip(SIDES, ("icl", "ecl"), strict=True):
        phase = getattr(grid.columns, f"{side}_phase")
        if phase is not None and getattr(grid.offsets, side) is None:
            yield (
                f"torque_grid.offsets.{side}",
                f"left out, but the grid's {side} phases depend on how the cam was fitted",
                "give the installed offset that the grid was made with, crank degrees, + = advanced",
            )
        moves = s["phaser"] is not None or s[side].phaser is not None
        if moves and phase is None and getattr(grid.columns, centre) is None:
            yield (
                f"torque_grid.columns.{centre}",
                f"no column has the {side} timing",
                f"name the column of true centrelines ({centre}), or of phases ({side}_phase)",
            )


def contradictions(sections: Sections) -> list[Contradiction]:
    """Every contradiction between the sections that are there.

    Parameters: `sections`, valid sections by key (those that failed by themselves are left out).
    Returns (key, problem, hint) for each.
    """
    checks = (
        check
        for needs, given, check in _CHECKS
        if all(each in sections for each in needs) and not (given and sections[given] is None)
    )
    return [found for check in checks for found in check(sections)]
