"""What went into a build, as the report shows it."""

from phaseopt.clearance.full_travel import offset_words
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.overlap_caps import caps_words
from phaseopt.cycle.from_project import ambient
from phaseopt.project import SIDES, Cycle, Phaser, Pin, Project, Taper, Tract
from phaseopt.report.given import grid_table
from phaseopt.report.layout import Row, Table
from phaseopt.search.part_load import cost_words, costs, level


def input_tables(project: Project, model: ContactModel) -> tuple[Table, ...]:
    """Engine, cams, rules, search, pulls or torque grid and, where it is simulated, the engine's pipes and ports."""
    tables = [_engine(project), _cams(project, model), _rules(project), _search(project)]
    if project.torque is not None:
        tables.append(_pulls(project))
    if project.torque_grid is not None:
        tables.append(grid_table(project, project.torque_grid))
    elif project.cycle is not None and (project.torque is None or project.torque.prior is not None):
        tables += [_tracts(project.cycle), _burn(project, project.cycle)]
    return tuple(tables)


def _engine(project: Project) -> Table:
    crank = project.crank
    rows = (
        Row("bore × stroke", (f"{crank.bore:g} × {crank.stroke:g} mm",)),
        Row("rod, gudgeon-pin offset", (f"{crank.rod:g} mm, {crank.pin_offset:g} mm",)),
        Row("cylinders, compression ratio", (f"{project.cylinders}, {crank.compression_ratio:g}",)),
        Row("redline, checked up to at least", (f"{crank.redline:g} rpm, {crank.top_speed:g} rpm",)),
    )
    return Table("Engine", ("", "value"), rows)


def _cams(project: Project, model: ContactModel) -> Table:
    rows: dict[str, list[str]] = {}
    for side in SIDES:
        cam, stands, phaser = project.cam(side), model.engine.cam(side), project.phaser_of(side)
        for label, value in (
            ("peak lift at the valve", f"{stands.lobe.peak:.2f} mm"),
            ("lobe", "measured" if cam.lobe is not None else "from a cam card"),
            ("lift known to", f"{cam.lobe_error:g} mm" if cam.lobe is not None else "what fits the card"),
            ("lash, cold", f"{cam.lash:g} mm"),
            ("nominal centreline", f"{cam.centreline:g}° {'ATDC' if side == 'intake' else 'BTDC'}"),
            ("fitted", f"{offset_words(cam.offset)} from it, known to {cam.centreline_error:g}°"),
            ("true centreline at rest", f"{float(stands.true_centreline(0.0)):g}°"),
            ("valve head, tilt", f"{cam.head_diameter:g} mm, {cam.tilt:g}°"),
            ("phaser", "none, the cam is fixed" if phaser is None else _phaser(phaser)),
        ):
            rows.setdefault(label, []).append(value)
    shared = " (one phaser moves both)" if project.arrangement == "together" else ""
    body = tuple(Row(label, tuple(values)) for label, values in rows.items())
    return Table(f"Camshafts{shared}", ("", *SIDES), body)


def _phaser(phaser: Phaser) -> str:
    least, most = phaser.travel
    return (
        f"travel {least:g} to {most:g}°, at rest to {phaser.rest_until:g} rpm, holds to {phaser.error:g}°, overshoots "
        f"by {phaser.overshoot:g}°, ages by {phaser.ageing:g}°, "
        f"slowest {phaser.slew.advance:g} (advance) and {phaser.slew.retard:g}°/s (retard), "
        f"step {phaser.resolution:g}°"
    )


def _rules(project: Project) -> Table:
    static, running = project.gap.static, project.gap.running
    loft = (
        "none stated" if running.loft is None else f"{running.loft.rate:g} mm each 500 rpm above {running.loft.above:g}"
    )
    rod = running.rod
    rows = (
        Row("static: intake, exhaust, valves", (f"{static.intake:g}, {static.exhaust:g}, {static.valves:g} mm",)),
        Row("running reserve", (f"{running.reserve:g} mm",)),
        Row("reciprocating mass, rod section", (f"{rod.reciprocating_mass:g} g, {rod.section:g} mm²",)),
        Row("modulus, structure factor", (f"{rod.modulus:g} GPa, {rod.structure:g}",)),
        Row("play, growth", (f"{running.play:g} mm, {running.growth:g} mm",)),
        Row("chain or belt error", (f"{running.chain:g}° either way",)),
        Row("valve-train loft", (loft,)),
        Row("tables as the only guard", ("accepted" if project.gap.tables_only_guard else "not accepted",)),
    )
    return Table("Rules for contact", ("", "value"), rows)


def _search(project: Project) -> Table:
    search = project.search
    bands = [f"{w.weight:g} at {_band(w.rpm, 'rpm')}, {_band(w.load, 'kPa')}" for w in search.weights]
    pins = [f"{_phases(p)} at {_band(p.rpm, 'rpm')}, {_band(p.load, 'kPa')}" for p in search.pinned]
    charged = [f"{cost_words(c)} at {_band(c.rpm, 'rpm')}, {_band(c.load, 'kPa')}" for c in costs(project)]
    capped = [
        f"{c.of} at most {level(c.of, c.most)} at {_band(c.rpm, 'rpm')}, {_band(c.load, 'kPa')}" for c in search.caps
    ]
    rows = [
        Row("caution", (f"{search.caution:g} standard deviations taken off",)),
        Row("roughness", (f"{search.roughness:g} N·m per (degree per 500 rpm or 10 kPa)²",)),
        Row("crossing the table", (f"{search.crossing:g} rpm a second",)),
        Row("cells count in full from", (f"{search.full_load_from:g} kPa",)),
        Row("other weights", ("; ".join(bands) or "none",)),
        Row(f"overlap caps at {project.tables.check_lift:g} mm", (caps_words(project),)),
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
    rows = []
    for pull in project.torque.pulls:
        air = pull.weather
        words = "" if air is None else f"{air.pressure:g} kPa, {air.temperature:g} °C, {100 * air.humidity:.0f} %"
        offsets = [
            f"{value:+g}°" if value is not None else "as now" for value in (pull.offsets.intake, pull.offsets.exhaust)
        ]
        rows.append(Row(pull.name or pull.files[0], (pull.kind, ", ".join(pull.files), *offsets, words)))
    head = ("pull", "kind", "files", "intake offset", "exhaust offset", "air")
    return Table(f"Pulls, torque corrected to: {project.torque.correction}", head, tuple(rows))


def _phases(pin: Pin) -> str:
    held = (("intake", pin.intake), ("exhaust", pin.exhaust))
    return ", ".join(f"{side} {phase:g}°" for side, phase in held if phase is not None)


def _tracts(cycle: Cycle) -> Table:
    """Ports and pipes that the simulation was given."""
    intake, exhaust = cycle.intake, cycle.exhaust
    plenum = "one throttle per cylinder" if cycle.plenum_volume is None else f"plenum {cycle.plenum_volume:g} l"
    collector = "meet in a point" if not exhaust.collector_volume else f"collector {exhaust.collector_volume:g} l"
    rows = (
        Row("throat, stem, seat", tuple(_seat(tract) for tract in (intake, exhaust))),
        Row("port flow", tuple(_flow(tract) for tract in (intake, exhaust))),
        Row("port", (_pipe(intake.port), _pipe(exhaust.port))),
        Row("runner, primary", (_pipe(intake.runner), _pipe(exhaust.primary))),
        Row("secondary", ("", "none" if exhaust.secondary is None else _pipe(exhaust.secondary))),
        Row("tail", ("", _pipe(exhaust.tail))),
        Row("volume", (plenum, collector)),
        Row(
            "walls",
            (f"{intake.wall:g} °C", f"{exhaust.wall:g}, {exhaust.secondary_wall:g}, {exhaust.tail_wall:g} °C"),
        ),
    )
    return Table("Ports and pipes as simulated, lengths and diameters in mm", ("", *SIDES), rows)


def _seat(tract: Tract) -> str:
    return f"{tract.throat:g} mm, {tract.stem:g} mm, {tract.seat_width:g} mm at {tract.seat_angle:g}°"


def _flow(tract: Tract) -> str:
    if tract.bench is not None:
        return f"flow bench at {tract.bench.depression:.3g} kPa, {len(tract.bench.rows)} lifts"
    return "coefficients given" if tract.inward or tract.outward else "a good port's coefficients"


def _pipe(pieces: tuple[Taper, ...]) -> str:
    """A pipe's pieces: length and inner diameters."""
    return ", ".join(
        f"{p.length:g} × ⌀{p.start:g}" if p.end in (None, p.start) else f"{p.length:g} × ⌀{p.start:g} to {p.end:g}"
        for p in pieces
    )


def _burn(project: Project, cycle: Cycle) -> Table:
    pressure, temperature = ambient(project)
    law = cycle.friction
    mixture = f"{cycle.fuel}, lambda {cycle.excess_air:g}" if cycle.excess_air is not None else cycle.fuel
    if cycle.air_fuel_ratio is not None:
        mixture = f"{cycle.fuel}, air to fuel {cycle.air_fuel_ratio:g}"
    rows = (
        Row("dry air outside", (f"{pressure:g} kPa, {temperature:g} °C",)),
        Row("full throttle below it by", (f"{cycle.full_throttle_depression:g} kPa",)),
        Row("mixture", (mixture,)),
        Row("half burned, burn duration", (f"{cycle.half_burned:g}° after TDC, {cycle.burn_duration:g}° at 4000 rpm",)),
        Row("chamber wall", (f"{cycle.chamber_wall:g} °C",)),
        Row(
            "friction, Chen and Flynn, bar",
            (f"{law.constant:g} + {law.pressure:g} pmax + {law.speed:g} Sp + {law.speed_squared:g} Sp²",),
        ),
    )
    return Table("Air, mixture, burn and friction as simulated", ("", "value"), rows)
