"""What `phaseopt simulate` says: what was simulated, how far to trust it, and full throttle over speed."""

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.from_project import ambient, cycle_section
from phaseopt.cycle.grid import KNOCK, LESS_SPARK
from phaseopt.cycle.knock_heard import KnockLimit
from phaseopt.cycle.usual_pipework import pipework_of
from phaseopt.job.gains import shares_within
from phaseopt.project import Project
from phaseopt.project.simulation import FACTOR_PARTS
from phaseopt.report.cautions import BEFORE_TURNING, BEFORE_TURNING_SHORT
from phaseopt.report.document import Document, Lines, Section, Table, say, table
from phaseopt.report.simulation_facts import FullThrottle, full_throttle, notable_points, phasing_text, spread_cost
from phaseopt.report.words import capital, sentence, speeds_text
from phaseopt.values.display_units import Unit

NOT_MEASURED = "A simulation is not a measurement: this one has seen no pull of the engine."


def simulation_document(project: Project, grid: xr.Dataset, cached: bool, knock: KnockLimit | None = None) -> Document:
    """Torque by simulation alone: what was simulated, full throttle over speed, and how far to trust it.

    Parameters: `cached`, whether the grid lies beside the project, so that a build need not simulate again; `knock` at
    the best timing of each speed, where the fuel is known.
    """
    full, spread = full_throttle(project, grid), spread_cost(project, grid)
    later = _later(project) if cached else "The grid could not be kept beside the project."
    return Document(
        f"{project.name}: torque by simulation, nothing measured",
        capital(f"{'; '.join(shape_lines(project, full))}."),
        lead=(f"{NOT_MEASURED} {trust_line(project, full)}",),
        sections=(
            Section("Full throttle", (_table(full, project.display_units.torque),)),
            *(() if knock is None else (_knock_section(project, full, knock),)),
            say("Simulated", sentence(points_line(project, grid)), *carried_lines(project), later),
            *(
                ()
                if spread is None
                else (say("Cylinders", spread_line(full.rpm, spread, project.display_units.torque)),)
            ),
            say("Burning", sentence(_burning_line(project))),
            say("Settled", sentence(settled_line(grid))),
            say("Contact", sentence(contact_line(grid))),
        ),
        notes=(KNOCK if knock is None else knock_note(project),),
        cautions=(BEFORE_TURNING,),
        in_short=(BEFORE_TURNING_SHORT,),
    )


def _later(project: Project) -> str:
    """What a build makes of the grid kept: one that learns from pulls simulates the engine that these show, or none."""
    if not project.has_pulls:
        return "The next build uses this grid again."
    if project.torque is not None and project.torque.prior is not None:
        return "A build first fits the engine to your pulls, so it simulates it again."
    return "A build learns from your pulls alone. With [torque.prior] it simulates too."


def knock_note(project: Project) -> str:
    """What the knock figures rest on."""
    known = cycle_section(project).knock
    assert known is not None
    if not known.heard:
        return (
            "Knock is by a published law, which no knock heard on this engine has scaled: it says which speed knocks "
            f"sooner, not where yours begins, and changes no table. {LESS_SPARK}"
        )
    places = ", ".join(f"{one.rpm:g}" for one in known.heard) + " rpm"
    return f"Knock is by a published law, scaled to what was heard at {places}. {LESS_SPARK}"


def _burning_line(project: Project) -> str:
    """When half the charge is burned, and why."""
    cycle = cycle_section(project)
    everywhere = " at every speed and load" if isinstance(cycle.half_burned, float) else ""
    later = ", later where the knock that you heard asks for it" if cycle.knock and cycle.knock.heard else ""
    return f"half the charge is burned {phasing_text(project)}{everywhere}{later}"


def _knock_section(project: Project, full: FullThrottle, knock: KnockLimit) -> Section:
    return Section("Knock", (Lines((knock_line(full.rpm, knock),)), _knock_table(project, full, knock)))


def knock_line(rpm: npt.NDArray[np.float64], knock: KnockLimit) -> str:
    """Where the charge must burn later than the project asks, else where that is nearest."""
    known = np.isfinite(knock.phasing) | np.isposinf(knock.earliest)
    held = known & ~(knock.margin > 0)
    if held.any():
        runs = np.split(rpm[held], np.flatnonzero(np.diff(np.flatnonzero(held)) > 1) + 1)
        where = ", ".join(speeds_text(run.tolist()) for run in runs)
        return f"Knock decides at {where} rpm: there the charge must burn later than half_burned asks."
    free = known & np.isfinite(knock.margin)
    if not free.any():
        return "Knock decides at no speed."
    at = int(np.where(free, knock.margin, np.inf).argmin())
    return f"Knock decides at no speed. It is nearest at {rpm[at]:.0f} rpm, with {knock.margin[at]:.0f}° in hand."


def spread_line(rpm: npt.NDArray[np.float64], cost: npt.NDArray[np.float64], unit: Unit) -> str:
    """What cylinders that stand elsewhere take."""
    known = np.isfinite(cost)
    if not known.any():
        return "What timing spread between cylinders costs is not known: no timing they take has settled."
    at = int(np.where(known, cost, -np.inf).argmax())
    average = float(shares_within(rpm[known], (rpm[0], rpm[-1])) @ cost[known])
    return (
        f"Timing spread between cylinders costs {unit.text(average)} on average at full throttle, "
        f"{unit.text(float(cost[at]))} at {rpm[at]:.0f} rpm. The figures above are without it. Contact "
        "limits count it."
    )


def pipes_document(project: Project, config: CycleConfig) -> Document:
    """What was drawn of the pipes, where nothing is simulated."""
    work = pipework_of(config)
    pipes, volumes = len(work.ducts), len(work.volumes)
    parts = f"{pipes} pipe{'s' * (pipes != 1)} and {volumes} volume{'s' * (volumes != 1)}"
    return Document(
        f"{project.name}: pipes as read",
        f"Drawn: {parts}. Nothing is simulated yet.",
        sections=(say("Next", "Check each length and diameter against the part. Then simulate with --out."),),
    )


def _knock_table(project: Project, full: FullThrottle, knock: KnockLimit) -> Table:
    """By speed: how early the charge may burn, what is in hand, what waiting does to torque, and the spark for it."""
    unit, known = project.display_units.torque, cycle_section(project).knock
    scaled = known is not None and bool(known.heard)  # a spark that no knock has scaled would be read as advice
    rows = []
    for i, rpm in enumerate(full.rpm):
        earliest = knock.earliest[i]
        early = (
            "any"
            if np.isneginf(earliest)
            else "knocks"
            if np.isposinf(earliest)
            else _number(np.ceil(earliest), "+z.0f")
        )
        change = unit.of(knock.torque[i] - knock.best_torque[i])
        margin = knock.margin[i]  # where knock decides 0, or a little less by the steps of the burn
        hand = np.floor(margin) if margin > 0 else np.round(margin)
        row = [f"{rpm:.0f}", early, _number(hand, "z.0f"), _number(change, "+z.1f")]
        rows.append([*row, _number(np.floor(knock.spark[i]), "z.0f")] if scaled else row)
    head = ("rpm", "earliest", "in hand", "torque", *(("spark",) if scaled else ()))
    spark = "; spark: crank degrees before TDC, from what you heard" if scaled else ""
    words = (
        "at the best timing; earliest: crank degrees after TDC at which half the charge may have burned; torque: what "
        f"burning later changes, {unit.name}{spark}"
    )
    return table(words, head, rows)


def _number(value: float, form: str) -> str:
    return f"{value:{form}}" if np.isfinite(value) else ""


def stated_uncertainty(project: Project, full: FullThrottle) -> float:
    """How far simulated torque is taken to be off [N·m]; NaN where none is known."""
    known = full.best[np.isfinite(full.best)]
    return cycle_section(project).uncertainty * float(known.max()) if known.size else float("nan")


def points_line(project: Project, grid: xr.Dataset) -> str:
    """How many points, and over what."""
    kpa, celsius = ambient(project)
    in_line = cycle_section(project).in_line
    full = "open throttles" if in_line else f"{_full_pressure(grid)} in the plenum"
    rpm, load, icl, ecl = (_span(grid[name].to_numpy()) for name in ("rpm", "load", "icl", "ecl"))
    return (
        f"{grid['torque'].size:,} operating points: {_count(grid, 'rpm', 'speed')}, {rpm} rpm; "
        f"{_count(grid, 'load', 'load')}, {load} kPa. The top load is full throttle, "
        f"{full}. "
        f"{_count(grid, 'icl', 'intake centreline')}, {icl}° ATDC; "
        f"{_count(grid, 'ecl', 'exhaust centreline')}, {ecl}° BTDC. Outside air {kpa:.1f} kPa dry, {celsius:.0f} °C"
    )


def carried_lines(project: Project) -> list[str]:
    """Which effective factors are another engine's, and what has to be the same for each."""
    factors = cycle_section(project).factors
    each = [f"{name} × {value:g} (only with the same {FACTOR_PARTS[name]})" for name, value in factors.named.items()]
    if not each:
        return []
    compared = "" if factors.of else " Name its project as cycle.factors.of, and the parts are compared."
    return [f"Effective factors carried over from {factors.of or 'another engine'}: {', '.join(each)}.{compared}"]


def _full_pressure(grid: xr.Dataset) -> str:
    """Mean plenum pressure at full throttle."""
    first, *_, last = (float(kpa) for kpa in grid["plenum_pressure"].isel(load=-1)[[0, 0, -1]])
    rpm = grid["rpm"].to_numpy()
    if f"{first:.1f}" == f"{last:.1f}":
        return f"{first:.1f} kPa"
    return f"{first:.1f} kPa at {rpm[0]:g} rpm and {last:.1f} at {rpm[-1]:g}"


def _count(grid: xr.Dataset, axis: str, what: str) -> str:
    count = grid.sizes[axis]
    return f"{count} {what}{'s' if count > 1 else ''}"


def _span(values: npt.NDArray[np.float64]) -> str:
    """The least and the greatest of some numbers.

    >>> _span(np.array([3.0, 1.0])), _span(np.array([2.0]))
    ('1 to 3', '2')
    """
    least, most = f"{values.min():.0f}", f"{values.max():.0f}"
    return least if least == most else f"{least} to {most}"


def settled_line(grid: xr.Dataset) -> str:
    """How many points did not settle, and where."""
    lost = grid["settled"] < 0.5
    count = int(lost.sum())
    if not count:
        return "all points settled: each cycle repeats the one before"
    by_load = lost.sum(["rpm", "icl", "ecl"])
    most = int(by_load.to_numpy().argmax())
    speeds = lost["rpm"].to_numpy()[lost.any(["load", "icl", "ecl"]).to_numpy()]
    clear = int((lost & (grid["contact"] == 0)).sum())
    return (
        f"all but {count:,} ({100 * count / lost.size:.1f} %), which are left blank. They are at {_span(speeds)} rpm, "
        f"{int(by_load[most]):,} of them at {float(lost['load'][most]):g} kPa, {clear or 'none'} at timings that "
        "keep the contact rules"
    )


def contact_line(grid: xr.Dataset) -> str:
    """How many timings would hit."""
    marks = grid["contact"]
    tight, hits = (int((marks == number).sum()) for number in (1, 2))
    if not tight + hits:
        return "every simulated timing keeps both contact rules, with the cams as fitted"
    return (
        f"with the cams as fitted, {f'{hits:,}' if hits else 'none'} of {marks.size:,} timings by speed HIT and "
        f"{tight:,} are TIGHT. They are simulated and marked in the variable `contact`, but no table takes them"
    )


def shape_lines(project: Project, full: FullThrottle) -> list[str]:
    """The peak of torque, and the dip."""
    points = {point.what: point for point in notable_points(project, full)}
    if "peak" not in points:
        return ["no timing that the phasers reach and the contact rules allow has settled"]
    at = {what: int(np.argmax(full.rpm == point.rpm)) for what, point in points.items()}
    unit = project.display_units.torque
    lines = [f"best {unit.of(full.best[at['peak']]):.0f} {unit.name} at {points['peak'].rpm:.0f} rpm"]
    if "dip" in at:
        best, rest = full.best[at["dip"]], full.rest[at["dip"]]
        timing = f" (cams at rest: {unit.of(rest):.0f})" if best - rest >= 0.5 else ""
        lines[0] += f"; it sags to {unit.of(best):.0f}{timing} at {points['dip'].rpm:.0f} rpm"
    return lines


def trust_line(project: Project, full: FullThrottle) -> str:
    """How far simulated torque may be off."""
    section, unit = cycle_section(project), project.display_units.torque
    return (
        f"It may be off by up to {100 * section.uncertainty:g} % of the best torque "
        f"({unit.of(stated_uncertainty(project, full)):.0f} {unit.name}). That figure is a judgement."
    )


def _table(full: FullThrottle, unit: Unit) -> Table:
    rest, best = unit.of(full.rest), unit.of(full.best)
    columns = (full.rpm, rest, best, best - rest, full.intake_phase, full.exhaust_phase, full.filling)
    forms = (".0f", ".1f", ".1f", "+z.1f", "+z.0f", "+z.0f", ".2f")
    rows = [
        [f"{value:{form}}" if np.isfinite(value) else "" for value, form in zip(values, forms, strict=True)]
        for values in zip(*columns, strict=True)
    ]
    head = ("rpm", "at rest", "best", "gain", "intake", "exhaust", "filling")
    words = f"{unit.name}; phases in crank degrees, + = advanced, of the best simulated timing in reach"
    return table(words, head, rows)
