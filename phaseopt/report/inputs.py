"""What went into a build, as the report shows it."""

from phaseopt.clearance.full_travel import offset_words
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.overlap_caps import caps_words
from phaseopt.cycle.from_project import ambient
from phaseopt.engine.valve_control import ValveControl
from phaseopt.project import SIDES, Cam, Cycle, ExhaustPart, IntakePart, Phaser, Pin, Project, Taper, Tract
from phaseopt.report.document import Row, Table
from phaseopt.report.simulation_facts import phasing_text
from phaseopt.report.supplied_grid import grid_table
from phaseopt.search.part_load import cost_words, costs, level
from phaseopt.values.display_units import DisplayUnits, Unit


def input_tables(project: Project, model: ContactModel) -> tuple[Table, ...]:
    """Engine, cams, rules, search, pulls or torque grid and, where it is simulated, the engine's pipes and ports."""
    tables = [_engine(project), _cams(project, model), _rules(project), _search(project)]
    if project.has_pulls:
        tables.append(_pulls(project))
    if project.torque_grid is not None:
        tables.append(grid_table(project, project.torque_grid))
    elif project.cycle is not None and (
        project.torque is None or not project.has_pulls or project.torque.prior is not None
    ):
        tables += [_tracts(project, project.cycle), _burn(project, project.cycle)]
    return tuple(tables)


def _engine(project: Project) -> Table:
    crank, size = project.crank, project.display_units.size
    ratio = "not given" if crank.compression_ratio is None else f"{crank.compression_ratio:g}"
    rows = (
        Row("bore × stroke", (f"{size.plain(crank.bore)} × {size.stated(crank.stroke)}",)),
        Row("rod, gudgeon-pin offset", (f"{size.stated(crank.rod)}, {size.stated(crank.pin_offset)}",)),
        Row("cylinders, compression ratio", (f"{project.cylinders}, {ratio}",)),
        Row("redline, checked up to at least", (f"{crank.redline:g} rpm, {crank.top_speed:g} rpm",)),
    )
    return Table("Engine", ("", "value"), rows)


def _cams(project: Project, model: ContactModel) -> Table:
    rows: dict[str, list[str]] = {}
    units = project.display_units
    for side in SIDES:
        cam, stands, phaser = project.cam(side), model.engine.cam(side), project.phaser_of(side)
        for label, value in (
            ("peak lift at the valve", units.size.text(stands.lobe.peak)),
            ("lobe", "measured" if cam.lobe is not None else "from a cam card"),
            (
                "lift known to",
                units.gap.stated(cam.lobe_error) if cam.lobe is not None else "what fits the card",
            ),
            ("lash, cold", units.gap.stated(cam.lash)),
            ("nominal centreline", f"{cam.centreline:g}° {'ATDC' if side == 'intake' else 'BTDC'}"),
            ("fitted", f"{offset_words(cam.offset)} from it, known to {cam.centreline_error:g}°"),
            *(
                ()
                if not project.intake.spread + project.exhaust.spread
                else (("cylinders stand from it", _spread(cam)),)
            ),
            ("true centreline at rest", f"{float(stands.true_centreline(0.0)):g}°"),
            ("valve head, tilt", f"{_given(cam.head_diameter, units.size)}, {cam.tilt:g}°"),
            ("phaser", "none, the cam is fixed" if phaser is None else _phaser(phaser)),
            ("valve spring", _spring(stands.control, cam)),
        ):
            rows.setdefault(label, []).append(value)
    shared = " (one phaser moves both)" if project.arrangement == "together" else ""
    body = tuple(Row(label, tuple(values)) for label, values in rows.items())
    return Table(f"Camshafts{shared}", ("", *SIDES), body)


def _spread(cam: Cam) -> str:
    return ", ".join(f"{each:+g}°" for each in cam.spread) or "alike"


def _given(value: float | None, unit: Unit) -> str:
    return "not given" if value is None else unit.stated(value)


def _phaser(phaser: Phaser) -> str:
    least, most = phaser.travel
    slew = phaser.slew
    slowest = "speed not given"
    if slew is not None:
        slowest = f"slowest {slew.advance:g} (advance) and {slew.retard:g}°/s (retard)"
    return (
        f"travel {least:g} to {most:g}°, at rest to {phaser.rest_until:g} rpm, holds to {phaser.error:g}°, overshoots "
        f"by {phaser.overshoot:g}°, ages by {phaser.ageing:g}°, "
        f"{slowest}, "
        f"{phaser.delay:g} s late, step {phaser.resolution:g}°"
    )


def _spring(control: ValveControl | None, cam: Cam) -> str:
    if control is None or cam.spring is None:
        return "not given"
    full = float(control.spring.force(control.spring.full_lift))
    return (
        f"{control.spring.seat_force:.0f} N on the seat, {full:.0f} N at full lift, {control.mass:.0f} g moving, "
        f"fitted at {cam.spring.fitted_height:g} mm, {cam.spring.train}"
    )


def _rules(project: Project) -> Table:
    static, running, gap = project.gap.static, project.gap.running, project.display_units.gap
    loft = "none stated"
    if running.loft is not None:
        loft = f"{gap.stated(running.loft.rate)} each 500 rpm above {running.loft.above:g}"
    given = [side for side in SIDES if project.cam(side).spring is not None]
    if given:
        loft = f"{loft}; from the {' and '.join(given)} springs where that is more"
    rod = running.rod
    rows = (
        Row(
            "static: intake, exhaust, valves",
            (", ".join(gap.stated(each) for each in (static.intake, static.exhaust, static.valves)),),
        ),
        Row("running reserve", (gap.stated(running.reserve),)),
        Row(
            "reciprocating mass, rod section",
            (f"{rod.reciprocating_mass:g} g, {_area(project.display_units.size, rod.section)}",),
        ),
        Row("modulus, structure factor", (f"{rod.modulus:g} GPa, {rod.structure:g}",)),
        Row("play, growth", (f"{gap.stated(running.play)}, {gap.stated(running.growth)}",)),
        Row("chain or belt error", (f"{running.chain:g}° either way",)),
        Row("valve-train loft", (loft,)),
        Row("tables as the only guard", ("accepted" if project.gap.tables_only_guard else "not accepted",)),
        Row("phases that may meet between cells", (project.gap.between,)),
        Row("fastest change of engine speed", (f"{project.gap.fastest_crossing:g} rpm a second",)),
    )
    return Table("Rules for contact", ("", "value"), rows)


def _area(size: Unit, value: float) -> str:
    """An area documented in mm² in the square of a unit of length."""
    return f"{size.plain(value / size.size)} {size.name}²"


def _search(project: Project) -> Table:
    search, torque = project.search, project.display_units.torque
    bands = [f"{w.weight:g} at {_band(w.rpm, 'rpm')}, {_band(w.load, 'kPa')}" for w in search.weights]
    pins = [f"{_phases(p)} at {_band(p.rpm, 'rpm')}, {_band(p.load, 'kPa')}" for p in search.pinned]
    charged = [f"{cost_words(c, torque)} at {_band(c.rpm, 'rpm')}, {_band(c.load, 'kPa')}" for c in costs(project)]
    capped = [
        f"{c.of} at most {level(c.of, c.most)} at {_band(c.rpm, 'rpm')}, {_band(c.load, 'kPa')}" for c in search.caps
    ]
    rows = [
        Row("caution", (f"{search.caution:g} standard deviation{'s' * (search.caution != 1)} taken off",)),
        Row("roughness", (f"{torque.stated(search.roughness)} per (degree per 500 rpm or 10 kPa)²",)),
        Row("crossing the table", (f"{search.crossing:g} rpm a second",)),
        Row("cells count in full from", (f"{search.full_load_from:g} kPa",)),
        Row("other weights", ("; ".join(bands) or "none",)),
        Row(f"overlap caps at {project.display_units.gap.stated(project.tables.check_lift)}", (caps_words(project),)),
        Row("pinned cells", ("; ".join(pins) or "none",)),
    ]
    if charged or capped:
        rows += [
            Row("part load", (search.part_load,)),
            Row("costs of simulated quantities", ("; ".join(charged) or "none",)),
            Row("caps on simulated quantities", ("; ".join(capped) or "none",)),
        ]
    return Table("Search", ("", "value"), tuple(rows))


def _band(span: tuple[float, float], unit: str) -> str:
    return f"{span[0]:g} to {span[1]:g} {unit}"


def _pulls(project: Project) -> Table:
    assert project.torque is not None
    rows, units = [], project.display_units
    for pull in project.torque.pulls:
        air = pull.air
        words = "" if air is None else _air(units, air.pressure, air.temperature) + f", {100 * air.humidity:.0f} %"
        began = "" if pull.time is None else f"{pull.time:%H:%M}, "
        offsets = [
            f"{value:+g}°" if value is not None else "as now" for value in (pull.offsets.intake, pull.offsets.exhaust)
        ]
        rows.append(Row(pull.name or pull.files[0], (pull.kind, ", ".join(pull.files), *offsets, f"{began}{words}")))
    head = ("pull", "kind", "files", "intake offset", "exhaust offset", "air")
    return Table(f"Pulls, torque corrected to: {project.torque.correction}", head, tuple(rows))


def _air(units: DisplayUnits, pressure: float, temperature: float) -> str:
    return f"{units.pressure.text(pressure)}, {units.temperature(temperature)}"


def _phases(pin: Pin) -> str:
    held = (("intake", pin.intake), ("exhaust", pin.exhaust))
    return ", ".join(f"{side} {phase:g}°" for side, phase in held if phase is not None)


def _tracts(project: Project, cycle: Cycle) -> Table:
    """Ports and pipes that the simulation was given."""
    intake, exhaust, size = cycle.intake, cycle.exhaust, project.display_units.size
    degrees = project.display_units.temperature
    rows = (
        Row("throat, stem, seat", tuple(_seat(tract, size) for tract in (intake, exhaust))),
        Row("port flow", tuple(_flow(tract) for tract in (intake, exhaust))),
        Row("port", (_pipe(intake.port, size), _pipe(exhaust.port, size))),
        *_usual_pipes(cycle, size),
        *(Row(part.name, (_part(part, size), "")) for part in intake.parts),
        *(Row(part.name, ("", _part(part, size))) for part in exhaust.parts),
        Row(
            "walls",
            (degrees(intake.wall), ", ".join(map(degrees, (exhaust.wall, exhaust.secondary_wall, exhaust.tail_wall)))),
        ),
    )
    return Table(f"Ports and pipes as simulated: lengths and diameters ({size.name})", ("", *SIDES), rows)


def _usual_pipes(cycle: Cycle, size: Unit) -> list[Row]:
    """Pipes and volumes of the sides that are no list of parts."""
    intake, exhaust = cycle.intake, cycle.exhaust
    plenum = "one throttle per cylinder" if cycle.plenum_volume is None else f"plenum {cycle.plenum_volume:g} l"
    collector = "meet in a point" if not exhaust.collector_volume else f"collector {exhaust.collector_volume:g} l"
    runner, primary, secondary, tail = (
        "" if pieces is None else _pipe(pieces, size)
        for pieces in (intake.runner, exhaust.primary, exhaust.secondary, exhaust.tail)
    )
    if exhaust.parts:
        return [] if intake.parts else [Row("runner", (runner, "")), Row("volume", (plenum, ""))]
    return [
        Row("runner, primary", (runner, primary)),
        Row("secondary", ("", secondary or "none")),
        Row("tail", ("", tail)),
        Row("volume", ("" if intake.parts else plenum, collector)),
    ]


def _part(part: IntakePart | ExhaustPart, size: Unit) -> str:
    """A part of a list: what it is and its measures."""
    way = [f"{word} {', '.join(names)}" for word, names in (("from", part.starts), ("to", part.to)) if names]
    measures = [_pipe(part.pieces, size)] if part.pieces else []
    if part.volume is not None:
        measures.append(f"{part.volume:g} l")
    if isinstance(part, ExhaustPart) and part.length is not None and part.diameter is not None:
        measures.append(f"{size.plain(part.length)} × ⌀{size.plain(part.diameter)}")
    return "; ".join([part.part, *way, *measures])


def _seat(tract: Tract, size: Unit) -> str:
    lengths = [size.stated(each) for each in (tract.throat, tract.stem, tract.seat_width)]
    return f"{', '.join(lengths)} at {tract.seat_angle:g}°"


def _flow(tract: Tract) -> str:
    if tract.bench is not None:
        return f"flow bench at {tract.bench.depression:.3g} kPa, {len(tract.bench.rows)} lifts"
    return "coefficients given" if tract.inward or tract.outward else "a good port's coefficients"


def _pipe(pieces: tuple[Taper, ...], size: Unit) -> str:
    """A pipe's pieces: length and inner diameters."""
    return ", ".join(
        f"{size.plain(p.length)} × ⌀{size.plain(p.start)}"
        + ("" if p.end is None or p.end == p.start else f" to {size.plain(p.end)}")
        for p in pieces
    )


def _factors(cycle: Cycle) -> str:
    return ", ".join(f"{name} × {value:g}" for name, value in cycle.factors.named.items()) or "none"


def _depression(project: Project, cycle: Cycle) -> str:
    """What full throttle takes from the air outside, and who says so."""
    given, unit = cycle.full_throttle_depression, project.display_units.pressure
    ends = sorted({float(cycle.depression_at(rpm)) for rpm in (project.tables.rpm[0], project.tables.rpm[-1])})
    stated = " to ".join(unit.text(kpa) for kpa in ends) + ("" if given is not None else ", as usual")
    return f"{stated}; as logged where pulls show it" if project.has_pulls and cycle.one_plenum else stated


def _burn(project: Project, cycle: Cycle) -> Table:
    pressure, temperature = ambient(project)
    units = project.display_units
    law = cycle.friction
    mixture = f"{cycle.fuel}, lambda {cycle.excess_air:g}" if cycle.excess_air is not None else cycle.fuel
    if cycle.air_fuel_ratio is not None:
        mixture = f"{cycle.fuel}, air to fuel {cycle.air_fuel_ratio:g}"
    mixture += f", {cycle.injection} injection" if cycle.injection != "upstream" else ", fuel upstream of the intake"
    rows = (
        Row("dry air outside", (_air(units, pressure, temperature),)),
        *([] if cycle.in_line else [Row("full throttle below it by", (_depression(project, cycle),))]),
        Row("mixture", (mixture,)),
        Row("half burned, burn duration", (f"{phasing_text(project)}; {cycle.burn_duration:g}° at 4000 rpm",)),
        Row("effective factors carried over", (_factors(cycle),)),
        Row("chamber wall", (units.temperature(cycle.chamber_wall),)),
        Row(
            "friction, Chen and Flynn, bar",
            (f"{law.constant:g} + {law.pressure:g} pmax + {law.speed:g} Sp + {law.speed_squared:g} Sp²",),
        ),
    )
    return Table("Air, mixture, burn and friction as simulated", ("", "value"), rows)
