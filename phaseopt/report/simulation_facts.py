"""What a simulated grid says at a glance: full throttle over speed, what did not settle, which timings are of use."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import xarray as xr

from phaseopt.cycle.config import CycleConfig, KnockLaw
from phaseopt.cycle.from_project import cycle_config, cycle_section, full_throttle_pressure
from phaseopt.cycle.knock_heard import KnockLimit, knock_limits
from phaseopt.cycle.scattered import CountProgress
from phaseopt.cycle.torque_grid import TIMING_STEP
from phaseopt.engine.camshaft import engine_of
from phaseopt.project import SIDES, Project, Side
from phaseopt.surrogate import GridPrior
from phaseopt.values.arrays import FloatArray

DIP = 1.0  # N·m; what is less deep is no dip, and what gains less no gain
LOW = 0.3  # of the redline; a dip below that is of no use to know


class NotablePoint(NamedTuple):
    """A speed [rpm] worth a look at full throttle [kPa], with its best timing: what it is, true centrelines [deg]."""

    what: str
    rpm: float
    pressure: float
    icl: float
    ecl: float


@dataclass(frozen=True, eq=False)
class FullThrottle:
    """Full throttle over speed; arrays over `rpm`.

    `pressure` is what was simulated [kPa]: in the plenum, with throttles in line outside. `rest` is torque with the
    cams at rest, `best` the greatest at simulated timings that the phasers reach and both contact rules allow at that
    speed [N·m]; `intake_phase`, `exhaust_phase` [crank degrees], `icl`, `ecl` [deg] and `filling` (volumetric
    efficiency) are those of `best`. NaN where nothing settled.
    """

    rpm: FloatArray
    pressure: FloatArray
    rest: FloatArray
    best: FloatArray
    intake_phase: FloatArray
    exhaust_phase: FloatArray
    icl: FloatArray
    ecl: FloatArray
    filling: FloatArray

    def point(self, what: str, place: int) -> NotablePoint:
        """One of the speeds."""
        at = (values[place] for values in (self.rpm, self.pressure, self.icl, self.ecl))
        return NotablePoint(what, *map(float, at))


def phases(project: Project, grid: xr.Dataset) -> tuple[FloatArray, FloatArray]:
    """Phases [crank degrees] of both cams, as fitted, at the centrelines of the grid."""
    intake, exhaust = project.intake, project.exhaust
    at_intake = intake.centreline - intake.offset - grid["icl"].to_numpy()
    return at_intake, grid["ecl"].to_numpy() - exhaust.centreline - exhaust.offset


def of_use(project: Project, grid: xr.Dataset) -> xr.DataArray:
    """Timings (rpm, icl, ecl) that the phasers reach and both contact rules allow."""
    inside = []
    for side, phase in zip(SIDES, phases(project, grid), strict=True):
        phaser = project.phaser_of(side)
        least, most = (0.0, 0.0) if phaser is None else phaser.travel
        inside.append((phase >= least - 1e-9) & (phase <= most + 1e-9))
    reached = inside[0][:, None] & inside[1][None, :]
    if project.arrangement == "together":
        intake, exhaust = phases(project, grid)
        reached &= np.abs(intake[:, None] - exhaust[None, :]) <= TIMING_STEP / 2
    return (grid["contact"] == 0) & xr.DataArray(reached, dims=("icl", "ecl"))


def full_throttle(project: Project, grid: xr.Dataset) -> FullThrottle:
    """Full throttle over speed."""
    row, engine = grid.isel(load=-1), engine_of(project)
    rpm = row["rpm"].to_numpy()
    shape = (len(rpm), -1)
    torque = row["torque"].where(of_use(project, grid)).transpose("rpm", "icl", "ecl").to_numpy()
    flat = np.where(np.isfinite(torque), torque, -np.inf).reshape(shape)
    place = flat.argmax(axis=1)
    known = np.isfinite(flat.max(axis=1))
    a, b = np.unravel_index(place, torque.shape[1:])
    filling = row["volumetric_efficiency"].transpose("rpm", "icl", "ecl").to_numpy()
    at_rest = [float(engine.cam(side).true_centreline(0.0)) for side in SIDES]
    points = np.column_stack([rpm, np.full(len(rpm), float(row["load"])), *(np.full(len(rpm), v) for v in at_rest)])
    best = (
        torque.reshape(shape)[np.arange(len(rpm)), place],
        phases(project, grid)[0][a],
        phases(project, grid)[1][b],
        row["icl"].to_numpy()[a],
        row["ecl"].to_numpy()[b],
        filling.reshape(shape)[np.arange(len(rpm)), place],
    )
    pressure, rest = row["plenum_pressure"].to_numpy(), GridPrior(grid).at(points)
    return FullThrottle(rpm, pressure, rest, *(np.where(known, values, np.nan) for values in best))


def phasing_text(project: Project) -> str:
    """When half the charge is burned, and who says so."""
    given = cycle_section(project).half_burned
    if isinstance(given, float):
        return f"{given:g}° after TDC"
    phasing, ends = cycle_config(project).phasing, (project.tables.rpm[0], project.tables.rpm[-1])
    assert phasing is not None
    found = zip(ends, full_throttle_pressure(project, ends).tolist(), strict=True)
    span = " and ".join(f"{phasing.at(rpm, full):g}° after TDC at {rpm:g} rpm" for rpm, full in found)
    return f"{span}, by your table" if isinstance(given, tuple) else f"for best torque: at full throttle {span}"


def full_throttle_knock(
    project: Project, config: CycleConfig, full: FullThrottle, progress: CountProgress | None = None
) -> KnockLimit | None:
    """Knock at the best timing of each speed; None where nothing is known of the fuel."""
    known = cycle_section(project).knock
    if known is None:
        return None
    points = np.column_stack([full.rpm, full.pressure, full.icl, full.ecl])
    return knock_limits(config, points, config.knock or KnockLaw(known.octane), progress)


def notable_points(project: Project, full: FullThrottle) -> list[NotablePoint]:
    """Where a look at the waves shows most: peak of torque, deepest dip, most gained by timing, redline."""
    known = np.flatnonzero(np.isfinite(full.best))
    if not known.size:
        return []
    found = [full.point("peak", int(known[np.argmax(full.best[known])]))]
    best = full.best[known]
    depth = np.minimum(np.maximum.accumulate(best), np.maximum.accumulate(best[::-1])[::-1]) - best
    depth[full.rpm[known] < LOW * project.crank.redline] = 0.0
    if depth.max() > DIP:
        found.append(full.point("dip", int(known[np.argmax(depth)])))
    gain = np.nan_to_num((full.best - full.rest)[known])
    if gain.max() > DIP:
        found.append(full.point("most gain", int(known[np.argmax(gain)])))
    below = known[full.rpm[known] <= project.crank.redline]
    found.append(full.point("top speed", int(below[-1] if below.size else known[0])))
    speeds = [point.rpm for point in found]
    return [point for place, point in enumerate(found) if point.rpm not in speeds[:place]]


def moving_sides(project: Project) -> tuple[Side, ...]:
    """The cams that a phaser moves."""
    return tuple(side for side in SIDES if project.phaser_of(side) is not None)


def spread_cost(project: Project, grid: xr.Dataset) -> FloatArray | None:
    """What timing spread between cylinders takes at full throttle, at the best timing of each speed: (rpm,) [N·m].

    The mean of what the engine would make if all its cylinders stood where each does, less torque as simulated with all
    alike. What a cylinder does to the others is left out: within 0.1 N·m on a four with 4 degrees either way, 0.5 on a
    twin of uneven firing (`tests/report/test_spread_cost.py`). None without a spread.
    """
    if not (project.intake.spread or project.exhaust.spread):
        return None
    full, prior = full_throttle(project, grid), GridPrior(grid)
    none = (0.0,) * project.cylinders
    load = np.full(len(full.rpm), float(grid["load"][-1]))

    def torque(intake: float, exhaust: float) -> FloatArray:
        at = np.column_stack([full.rpm, load, full.icl - intake, full.ecl + exhaust])
        found, known = np.full(len(at), np.nan), np.isfinite(at).all(axis=1)
        found[known] = prior.at(at[known])
        return found

    each = zip(project.intake.spread or none, project.exhaust.spread or none, strict=True)
    return np.asarray(torque(0.0, 0.0) - np.mean([torque(*shift) for shift in each], axis=0))
