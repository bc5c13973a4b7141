"""What a simulation that took part in a build says: notes that every output bears, calibration and air."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from phaseopt.cycle.calibrate import Calibration
from phaseopt.report.document import Row, ShadedCell, ShadedTable, Swatch, Table
from phaseopt.report.palette import TORQUE, tint_of
from phaseopt.report.subjects.simulate import carried_lines, contact_line, points_line, settled_line
from phaseopt.report.words import sentence
from phaseopt.tables import number_text
from phaseopt.torque.depression import UNLIKE
from phaseopt.values.display_units import Unit
from phaseopt.values.interval import INTERVAL
from phaseopt.values.units import ZERO_CELSIUS

if TYPE_CHECKING:
    from phaseopt.job.build import Build
    from phaseopt.torque_model import Simulated
    from phaseopt.torque_model.model import LearnedPart

ONLY_SIMULATED = "outside the tested range: their torque is from simulation"


def notes(build: "Build") -> tuple[str, ...]:
    """What every output of a build says of its torque where it is given or a simulation took part; else nothing."""
    if build.model.supplied_grid is not None:
        return (build.model.supplied_grid.notes,)
    return () if build.model.simulation is None else build.model.simulation.notes


def alone(build: "Build") -> bool:
    """Whether torque is from simulation alone."""
    return build.model.simulation is not None and build.model.simulation.alone


def beyond(build: "Build") -> tuple[str, str]:
    """Where cells are that the torque model does not speak of, and what that means for them, in words."""
    if build.model.simulation is None:
        return "outside the tested range", "they take the nearest tested timing, and their torque is a guess"
    return "where the simulation did not settle", "their timing follows their neighbours, and their torque is not known"


def on_simulation_only(build: "Build") -> NDArray[np.bool_]:
    """(R, L) cells that the measured points do not reach, so that their torque rests on the simulation.

    Nothing to tell apart, and so none, where no simulation took part or nothing was measured.
    """
    known = build.torque["in_reach"].to_numpy()
    if build.model.simulation is None or build.model.simulation.alone:
        return np.zeros_like(known)
    return np.asarray(known & ~build.torque["measured"].to_numpy())


def untested(build: "Build") -> NDArray[np.bool_]:
    """(R, L) cells whose torque no pull shows."""
    return np.asarray(~build.torque["in_reach"].to_numpy() | on_simulation_only(build))


def untested_lines(build: "Build") -> list[str]:
    """How many cells' torque is not shown by a pull, and where it is from."""
    outside = {
        "; ".join(beyond(build)): ~build.torque["in_reach"].to_numpy(),
        ONLY_SIMULATED: on_simulation_only(build),
    }
    return [f"{int(at.sum())} of {at.size} cells are {words}." for words, at in outside.items() if at.any()]


def grid_lines(build: "Build", simulation: "Simulated") -> list[str]:
    """What was simulated, what did not settle, and which timings would hit."""
    grid = simulation.grid
    return [
        f"Simulated at {points_line(build.project, grid)}.",
        *carried_lines(build.project),
        f"Settled: {settled_line(grid)}.",
        sentence(contact_line(grid)),
    ]


def calibration_line(calibration: Calibration, unit: Unit) -> str:
    """What calibration did to the error, in one line."""
    lost = f" {calibration.left_out} measured points could not be simulated." if calibration.left_out else ""
    if not calibration.factors:
        why = "the data determine none of the factors" if calibration.refused else "the project asks for none"
        off = f"simulated torque is {unit.text(calibration.before)} (rms) off the measured points"
        return f"Not calibrated ({why}): {off}.{lost}"
    return (
        f"Calibrated by effective factors on {', '.join(calibration.factors)}: simulated torque was "
        f"{unit.text(calibration.before)} (rms) off the measured points before, {unit.text(calibration.after)} after. "
        f"The torque model takes up what is left.{lost}"
    )


def calibration_table(calibration: Calibration) -> Table:
    """Factors with their ±, and why others were refused."""
    rows = [
        Row(name, (f"{value:.3f}", f"± {INTERVAL * calibration.errors[name]:.3f}", _fitted(calibration, name)))
        for name, value in calibration.factors.items()
    ]
    rows += [Row(name, ("1", "", f"refused: {why}")) for name, why in calibration.refused.items()]
    head = ("factor on", "value", "±", "")
    return Table(
        "Calibration: effective factors, by which the simulated engine meets the measured points. They also make up "
        "for pipes and walls that differ, so they are no measurement of the part",
        head,
        tuple(rows),
    )


def parts_table(parts: "tuple[LearnedPart, ...]") -> Table:
    """What the pulls make of each part of the description."""
    rows = tuple(
        Row(part.name, (f"{part.factor:.3f}", f"± {INTERVAL * part.deviation:.3f}", f"± {INTERVAL * part.before:.3f}"))
        for part in parts
    )
    return Table(
        "What the pulls make of the description, all parts at once: 1 is as described. To another engine carry these "
        "factors, with the parts they go with",
        ("factor on", "value", "±", "before the pulls"),
        rows,
    )


def far_off(simulation: "Simulated | None", unit: Unit) -> tuple[str, ...]:
    """The caution that a simulation asks for which was far from the pulls before it was fitted to them; or none."""
    if simulation is None or simulation.calibration is None or not simulation.far_off:
        return ()
    off = f"{unit.of(simulation.calibration.before):.0f} {unit.name}"
    return (
        f"Simulation: as described it is {off} (rms) off your pulls. Check pipes, valves, mixture and units under "
        "[cycle]. Until that is found, trust no timing far from a pull.",
    )


def depression_lines(build: "Build") -> list[str]:
    """What full throttle was simulated at, where pulls were looked at for it."""
    simulation = build.model.simulation
    found = None if simulation is None else simulation.depression
    if found is None or build.project.cycle is None:
        return []
    unit, cycle = build.project.display_units.pressure, build.project.cycle
    if found.used:  # as a person writes speeds: to 100 rpm, inside what was logged
        rpm = np.array([np.ceil(found.span[0] / 100), np.floor(found.span[1] / 100)]) * 100
    else:
        rpm = np.array([build.tables.rpm[0], build.tables.rpm[-1]])
    stated = [unit.text(kpa) for kpa in cycle.depression_at(rpm)]
    if not found.used:
        at = " to ".join(dict.fromkeys(stated))
        return [f"Full throttle counts as {at} below the barometer, not as logged: {found.refused}."]
    lost = found.held_at(rpm)
    lines = [
        f"Full throttle is simulated at the pressure you logged: {unit.text(lost[0])} below the barometer at "
        f"{rpm[0]:.0f} rpm, {unit.text(lost[1])} at {rpm[1]:.0f}, ± {unit.text(INTERVAL * found.scatter)}."
    ]
    away = float(np.abs(lost - cycle.depression_at(rpm)).max())
    if cycle.full_throttle_depression is not None and away > UNLIKE:
        lines.append(f"The project states {' to '.join(dict.fromkeys(stated))}. What you logged counts.")
    if found.taken_off:
        lines.append(
            f"At no flow the sensor would read {unit.text(abs(found.taken_off))} "
            f"{'below' if found.taken_off > 0 else 'above'} the barometer. That counts as its error: compare both with "
            "the engine stopped."
        )
    return lines


def _fitted(calibration: Calibration, name: str) -> str:
    if name not in calibration.at_bound:
        return "fitted"
    return "at the end of its range: the engine differs from [cycle] in more than these factors"


def air_words(build: "Build") -> str:
    """What the air of a build is, and for which air outside: it goes with the density of the air outside."""
    assert build.model.simulation is not None  # asked for only where a simulation took part
    outside = build.model.simulation.config
    return (
        "Expected air a cycle and cylinder, simulated, a start for mapping fuel, with dry air of "
        f"{outside.ambient_pressure:g} kPa and {outside.ambient_temperature - ZERO_CELSIUS:.0f} °C outside"
    )


def air_table(build: "Build") -> ShadedTable:
    """Expected cylinder air of the tables over that of the baseline, cell by cell."""
    assert build.comparison.airflow is not None  # asked for only where a simulation took part
    ratio = build.comparison.airflow["ratio"].to_numpy()
    known = ratio[np.isfinite(ratio)]
    low, high = (float(known.min()), float(known.max())) if known.size else (1.0, 1.0)
    rows = []
    for rpm, row, airs in zip(build.tables.rpm, ratio, build.comparison.airflow["air"].to_numpy(), strict=True):
        cells = []
        for load, value, air in zip(build.tables.load, row, airs, strict=True):
            at = f"{rpm:g} rpm, {load:g} kPa"
            if np.isfinite(value):
                shade = f"t{tint_of(value, low, high)}"
                cells.append(ShadedCell(f"{value:.3f}", shade, "", f"{at}: {air:.0f} mg a cycle and cylinder"))
            else:
                cells.append(ShadedCell("", "", "", f"{at}: not simulated"))
        rows.append((number_text(rpm), tuple(cells)))
    legend = tuple(Swatch(f"{v:.3f}", f"t{n}") for n, v in enumerate(np.linspace(low, high, len(TORQUE))))
    return ShadedTable(
        f"{air_words(build)}: these tables over {build.baseline.name}",
        tuple(map(number_text, build.tables.load)),
        tuple(rows),
        legend,
    )
