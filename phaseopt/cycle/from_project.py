"""From a project to the simulation's own description of the engine, and from table loads to plenum pressures."""

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from phaseopt.cycle.config import CycleConfig, Lift, Phasing
from phaseopt.cycle.friction import Friction
from phaseopt.cycle.from_parts import CAST, PORT_HEAT, STEEL, exhaust_pipework, intake_pipework, pieces_of, pipe_of
from phaseopt.cycle.gas import FUELS
from phaseopt.cycle.knock_heard import Heard, scaled_law
from phaseopt.cycle.phasing import best_phasing
from phaseopt.cycle.valves import Valve, flow_area
from phaseopt.engine.camshaft import Camshaft, engine_of
from phaseopt.project import Cycle, FlowBench, Project, Side, Tract
from phaseopt.torque import dry_pressure
from phaseopt.torque.weather import STANDARD_CELSIUS, STANDARD_KPA
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.units import ZERO_CELSIUS

FlowCurve = tuple[tuple[float, float], ...]

EXCESS_AIR = 0.88  # at full load, where the best torque lies (common practice, no source)
LIFT_STEP = 1.0  # crank degrees of the lift table

# Discharge coefficients of a good road port over lift/diameter, referred to the least geometric area: high while the
# stream fills the gap, falling as it leaves the seats (common practice, no source).
GOOD_INWARD = (
    (0.0, 0.66),
    (0.05, 0.70),
    (0.10, 0.69),
    (0.15, 0.67),
    (0.20, 0.65),
    (0.25, 0.64),
    (0.35, 0.62),
)
GOOD_OUTWARD = (
    (0.0, 0.68),
    (0.05, 0.73),
    (0.10, 0.71),
    (0.15, 0.68),
    (0.20, 0.66),
    (0.25, 0.65),
    (0.35, 0.63),
)

BENCH_KPA, BENCH_KELVIN = 101.325, 293.15  # air at a flow bench's inlet
BENCH_GAMMA, AIR = 1.4, 287.05


def cycle_section(project: Project) -> Cycle:
    """The project's [cycle].

    Raises `InputError` where there is none.
    """
    if project.cycle is None:
        raise InputError.one(
            "is missing, so there is nothing to simulate",
            hint="describe pipes, ports and valve seats under [cycle]",
            file=project.file,
            where="cycle",
        )
    return project.cycle


def cycle_config(project: Project) -> CycleConfig:
    """The engine of a project as the simulation takes it: nominal lobes, lash as set cold.

    Raises `InputError` for a project without [cycle] and for what cannot be simulated.
    """
    cycle = cycle_section(project)
    engine = engine_of(project)
    intake, exhaust = cycle.intake, cycle.exhaust
    kpa, celsius = ambient(project)
    law = cycle.friction
    try:
        config = CycleConfig(
            bore=project.crank.bore,
            stroke=project.crank.stroke,
            rod=project.crank.rod,
            pin_offset=project.crank.pin_offset,
            compression_ratio=project.crank.compression_ratio or 0.0,  # refused as not believable
            firing_order=project.firing_order or (1,),
            intake_valve=_valve(project, "intake", intake),
            exhaust_valve=_valve(project, "exhaust", exhaust),
            intake_lift=_lift(engine.intake),
            exhaust_lift=_lift(engine.exhaust),
            intake_valves=project.intake.valves,
            exhaust_valves=project.exhaust.valves,
            runner=None
            if intake.runner is None
            else pipe_of((*pieces_of(intake.runner), *pieces_of(intake.port, PORT_HEAT)), intake.wall, CAST),
            primary=None
            if exhaust.primary is None
            else pipe_of((*pieces_of(exhaust.port, PORT_HEAT), *pieces_of(exhaust.primary)), exhaust.wall, STEEL),
            secondary=None
            if exhaust.secondary is None
            else pipe_of(pieces_of(exhaust.secondary), exhaust.secondary_wall, STEEL),
            tail=None if exhaust.tail is None else pipe_of(pieces_of(exhaust.tail), exhaust.tail_wall, STEEL),
            intake_pipework=intake_pipework(intake, project.cylinders) if intake.parts else None,
            exhaust_pipework=exhaust_pipework(exhaust, project.cylinders) if exhaust.parts else None,
            throttles=cycle.throttles,
            throttle_volume=cycle.throttle_volume,
            collector_volume=exhaust.collector_volume,
            plenum_volume=CycleConfig.plenum_volume if cycle.plenum_volume is None else cycle.plenum_volume,
            ambient_pressure=kpa,
            ambient_temperature=celsius + ZERO_CELSIUS,
            fuel=cycle.fuel,
            excess_air=_excess_air(project, cycle),
            injection=cycle.injection,
            burn_duration=cycle.burn_duration,
            wall_temperature=cycle.chamber_wall + ZERO_CELSIUS,
            friction=Friction(law.constant, law.pressure, law.speed, law.speed_squared),
        )
    except InputError as error:
        raise error.located(project.file, "cycle") from error
    return _phased(project, config)


def _phased(project: Project, config: CycleConfig) -> CycleConfig:
    """With combustion phasing as the project has it."""
    given = cycle_section(project).half_burned
    if isinstance(given, float):
        return replace(config, half_burned=given)
    if isinstance(given, tuple):
        rpm, angle = zip(*given, strict=True)
        return replace(config, phasing=Phasing(rpm, (config.ambient_pressure,), tuple((a,) for a in angle)))
    full = full_throttle_pressure(project, project.tables.rpm)
    load = np.unique([*(p for p in project.tables.load[:-1] if p < full.min()), full.min(), full.max()])
    return replace(config, phasing=best_phasing(config, project.tables.rpm, load.tolist()))


def ambient(project: Project) -> tuple[float, float]:
    """Pressure [kPa] and temperature [°C] of the simulated outside air.

    Without the water vapour, which only takes up room: that of [cycle.ambient], else the air that the pulls are
    corrected to, else that of SAE J1349.
    """
    cycle = cycle_section(project)
    if cycle.ambient is not None:
        return dry_pressure(cycle.ambient), cycle.ambient.temperature
    correction = "none" if project.torque is None else project.torque.correction
    standard = correction if correction in STANDARD_KPA else "SAE J1349"
    return STANDARD_KPA[standard], STANDARD_CELSIUS[standard]


def full_throttle_pressure(project: Project, rpm: npt.ArrayLike) -> FloatArray:
    """The load [kPa] that is full throttle at speeds [rpm]: mean plenum pressure, with throttles in line ambient.

    Those are wide open then, and what pressure that leaves behind them is a result.
    """
    outside, cycle = ambient(project)[0], cycle_section(project)
    lost = cycle.depression_at(rpm)
    return outside - (0.0 * lost if cycle.in_line else lost)


def plenum_pressure(project: Project, rpm: npt.ArrayLike, load: npt.ArrayLike) -> FloatArray:
    """Mean plenum pressure [kPa] that is simulated for speeds [rpm] and loads of the tables [kPa], broadcast.

    The top row stands for full throttle under any label; below it a load is the pressure itself, but never more than
    full throttle gives.
    """
    full = full_throttle_pressure(project, rpm)
    at = np.asarray(load, dtype=np.float64)
    return np.where(at >= project.tables.load[-1], full, np.minimum(at, full))


def with_knock(project: Project, config: CycleConfig) -> CycleConfig:
    """The engine burning no earlier than knock allows, where knock was heard; else as it is.

    The scale of the law is the one with which this engine knocks where it was heard. Raises `InputError` where that
    cannot be.
    """
    known = cycle_section(project).knock
    if known is None or not known.heard:
        return config
    engine = engine_of(project)
    heard = [
        Heard(
            one.rpm,
            float(full_throttle_pressure(project, one.rpm)),
            float(engine.intake.true_centreline(one.intake)),
            float(engine.exhaust.true_centreline(one.exhaust)),
            one.spark,
        )
        for one in known.heard
    ]
    try:
        return replace(config, knock=scaled_law(config, heard, known.octane))
    except InputError as error:
        raise error.located(project.file, "cycle.knock.heard") from error


def bench_coefficients(bench: FlowBench, valve: Valve, valves: int) -> FlowCurve:
    """Discharge coefficients over lift/diameter from flow-bench figures.

    ::

        C = Q / (n A(lift) v),   v = a0 √(2/(γ-1) (r^(2/γ) - r^((γ+1)/γ))),   r = (p0 - Δp)/p0

    Q is the flow at the inlet's air (101.325 kPa, 20 °C), A the least geometric area of one valve, n how many stand
    open, a0 the speed of sound at the inlet: the isentropic nozzle that coefficients refer to. The port's own friction
    is part of what the bench saw.

    Raises `InputError` where more flows than an ideal nozzle lets through.
    """
    r = 1.0 - bench.depression / BENCH_KPA
    sound = math.sqrt(BENCH_GAMMA * AIR * BENCH_KELVIN)
    power = r ** (2 / BENCH_GAMMA) - r ** ((BENCH_GAMMA + 1) / BENCH_GAMMA)
    speed = sound * math.sqrt(2 / (BENCH_GAMMA - 1) * power)  # m/s of inlet air through the area
    lift, flow = np.array(bench.rows).T
    found = flow * 1e-3 / (valves * flow_area(valve, lift) * 1e-6 * speed)
    worst = int(np.argmax(found))
    if found[worst] > 1.0:
        raise InputError.one(
            f"{flow[worst]:g} L/s at {lift[worst]:g} mm lift is {found[worst]:.2f} times what an ideal nozzle of the "
            f"valves' area lets through at {bench.depression:g} kPa",
            hint="check depression, unit of flow, throat, and that the port has so many valves",
        )
    return tuple(zip((lift / valve.head).tolist(), found.tolist(), strict=True))


def _valve(project: Project, side: Side, tract: Tract) -> Valve:
    cam = project.cam(side)
    inward, outward = tract.inward or GOOD_INWARD, tract.outward or GOOD_OUTWARD
    if tract.bench is not None:
        bare = Valve(cam.head, tract.throat, tract.stem, tract.seat_width, tract.seat_angle, inward, outward)
        try:
            measured = bench_coefficients(tract.bench, bare, cam.valves)
        except InputError as error:
            raise error.located(project.file, f"cycle.{side}.bench") from error
        inward, outward = (measured, outward) if side == "intake" else (inward, measured)
    return Valve(cam.head, tract.throat, tract.stem, tract.seat_width, tract.seat_angle, inward, outward)


def _lift(cam: Camshaft) -> Lift:
    first, last = float(cam.lobe.breaks[0]), float(cam.lobe.breaks[-1])
    angle = np.linspace(first, last, math.ceil((last - first) / LIFT_STEP) + 1)
    lift = cam.lift(angle, 0.0, cam.lash)
    opened = np.flatnonzero(lift > 0.0)
    part = slice(max(int(opened[0]) - 1, 0), int(opened[-1]) + 2)
    return Lift(angle[part], lift[part])


def _excess_air(project: Project, cycle: Cycle) -> float:
    if cycle.air_fuel_ratio is None:
        return EXCESS_AIR if cycle.excess_air is None else cycle.excess_air
    found = cycle.air_fuel_ratio / FUELS[cycle.fuel].air_fuel_ratio
    if not 0.7 <= found <= 1.3:
        raise InputError.one(
            f"{cycle.air_fuel_ratio:g} is lambda {found:.2f} with {cycle.fuel}, outside 0.7 to 1.3",
            hint=f"mass of air over mass of fuel; {FUELS[cycle.fuel].air_fuel_ratio:.1f} is just enough air",
            file=project.file,
            where="cycle.air_fuel_ratio",
        )
    return found
