"""One combination tried: what its parts leave of timing, the best tables at full throttle inside that, what they make.

Three levels, each with more simulated points than that before (`nodes`). The first two take phasers that reach all
that any installed offset could; the last tries offsets themselves, simulates the very timings of the best tables, and
how torque there answers to all that may be wrong with the description.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from phaseopt.clearance.check import check_tables
from phaseopt.clearance.limits import Limits, phase_limits
from phaseopt.clearance.model import contact_model
from phaseopt.clearance.rules import CLEAR, margins
from phaseopt.cycle.config import CycleConfig, KnockLaw
from phaseopt.cycle.effects import effects_at
from phaseopt.cycle.from_project import cycle_config, cycle_section, full_throttle_pressure
from phaseopt.cycle.tolerances import tolerances
from phaseopt.cycle.version import code_version
from phaseopt.io.cache import cached_arrays
from phaseopt.job.gains import trapezoid_shares
from phaseopt.job.stages import refuse_unguarded, searched
from phaseopt.project import SIDES, Project, Side
from phaseopt.study.offset_range import Offsets, fitted_at
from phaseopt.study.parts.combinations import Fitted
from phaseopt.study.parts.knowledge import Knowledge, changes_by_variable, expected_engine
from phaseopt.study.parts.nodes import PARTS, SimulatedTorque, every_other, nested, simulated_torque
from phaseopt.study.parts.reach import Range, at_full_throttle, reaching_all, windows
from phaseopt.tables import PhaseTables
from phaseopt.torque import LoggedDepression
from phaseopt.torque_model.shared_unknowns import Variable
from phaseopt.torque_model.simulation import as_logged
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent

LEVELS = COARSE, FINE, WHOLE = range(3)


@dataclass(frozen=True, eq=False)
class Base:
    """What all trials of a study share.

    Parameters
    ----------
    project : Project
        The engine as it is.
    knowledge : Knowledge
        What its pulls show of what may be wrong with a description.
    band : tuple of float
        Speeds that count [rpm].
    beyond : array (R,)
        What the pulls show at the speeds of the tables beyond the description [N·m]; every combination gets it.
    knock : KnockLaw or None
        The law that knock heard on the present engine scales.
    depression : LoggedDepression or None
        Full-throttle pressure as logged with the present manifold.
    workers : int or None
        Threads of one simulation.
    cluster : str or None
        Address of a Dask scheduler that simulates instead.
    """

    project: Project
    knowledge: Knowledge
    band: Range
    beyond: FloatArray
    knock: KnockLaw | None = None
    depression: LoggedDepression | None = None
    workers: int | None = None
    cluster: str | None = None

    @property
    def rpm(self) -> tuple[float, ...]:
        """Speeds of the tables."""
        return self.project.tables.rpm


@dataclass(frozen=True, eq=False)
class Outcome:
    """What came of a combination at a level.

    Parameters
    ----------
    level : int
    torque : float
        Mean over the band by area under the curve [N·m].
    rpm, curve : array (r,)
        Torque of the best tables at full throttle [N·m]; nan where nothing settled.
    icl, ecl : array (r,)
        Their true centrelines [deg].
    phases : array (2, r)
        Intake and exhaust phase [crank deg from rest], at `offsets`.
    offsets : tuple of float
        Intake and exhaust [crank deg].
    running, static : dict
        Least clearance of the tables by contact, worst case [mm].
    margin : float
        What the least of them keeps above its rule [mm].
    travel : str
        The verdict on full travel at these offsets; empty before the last level.
    control : dict
        Valve control speed by side [rpm], where springs are given.
    effects : dict
        By name of a variable and its parts, joined by |: mean change over the band by one standard deviation [N·m].
    late : float
        Most crank degrees by which knock makes it burn later than best, over the band; nan where knock is not known.
    """

    level: int
    torque: float
    rpm: FloatArray
    curve: FloatArray
    icl: FloatArray
    ecl: FloatArray
    phases: FloatArray
    offsets: Offsets
    running: dict[str, float]
    static: dict[str, float]
    margin: float
    travel: str
    control: dict[str, float]
    effects: dict[str, float]
    late: float = float("nan")

    @property
    def gap(self) -> float:
        """The least running clearance [mm]."""
        return min(self.running.values())

    @property
    def power(self) -> tuple[float, float]:
        """Peak power [kW] and its speed [rpm], over the speeds of the tables."""
        power = np.nan_to_num(self.curve * self.rpm * (np.pi / 30.0) * 1e-3)
        top = int(power.argmax())
        return float(power[top]), float(self.rpm[top])

    def as_plain(self) -> dict[str, Any]:
        """As JSON holds it; `of_plain` reads it back."""
        found = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return {name: each.tolist() if isinstance(each, np.ndarray) else each for name, each in found.items()}

    @classmethod
    def of_plain(cls, found: Mapping[str, Any]) -> "Outcome":
        """From what `as_plain` gave."""
        arrays = {name: np.array(found[name], dtype=np.float64) for name in ("rpm", "curve", "icl", "ecl", "phases")}
        offsets = float(found["offsets"][0]), float(found["offsets"][1])
        return cls(**(dict(found) | arrays | {"offsets": offsets}))


def tried(base: Base, fitted: Fitted, level: int) -> Outcome:
    """Try a combination. Raises `InputError` where it cannot run safely, or no timing of it settles."""
    project, ranges = as_known(base, fitted), fitted.offset_range or {}
    config, factors = engine_of(base, fitted, project)
    rpm = base.rpm if level > COARSE else every_other(base.rpm)
    everything = reaching_all(at_full_throttle(project, rpm, base.band), ranges)
    limits = phase_limits(contact_model(everything))
    sets = nested(base.rpm, limits, level)
    simulated = simulated_torque(base.project.folder, project, config, sets, base.workers, base.cluster)
    _require_settled(project, simulated)
    best = _best(base, limits, simulated, level)
    if level < WHOLE:
        return best
    used: dict[Side, Range] = {}
    inside = _inside(best.rpm, base.band)
    for side, phases in zip(SIDES, best.phases, strict=True):
        used[side] = float(phases[inside].min()), float(phases[inside].max())
    return _whole(base, fitted, project, config, factors, simulated, used)


def as_known(base: Base, fitted: Fitted) -> Project:
    """The project of a combination, with full-throttle pressure as logged where the manifold is the same."""
    if base.depression is None or "manifolds" in fitted.changed:
        return fitted.project
    return as_logged(fitted.project, base.depression)


def engine_of(base: Base, fitted: Fitted, project: Project) -> tuple[CycleConfig, dict[str, float]]:
    """The engine as it is expected to be, and the factors that make it so of the one described."""
    fuel = cycle_section(project).knock
    law = base.knock if base.knock is None or fuel is None else replace(base.knock, octane=fuel.octane)
    described = replace(cycle_config(project), knock=law)
    return expected_engine(base.knowledge, fitted.kinds_of, described, cycle_section(project).length_error)


def _whole(
    base: Base, fitted: Fitted, project: Project, config: CycleConfig, factors: Mapping[str, float],
    simulated: SimulatedTorque, used: Mapping[Side, Range],
) -> Outcome:  # fmt: skip
    """The best of a few installed offsets, with torque and its effects simulated at the timings of its tables."""
    ranges, best = fitted.offset_range or {}, None
    refusal: InputError | None = None
    full = at_full_throttle(project, base.rpm, base.band)
    for offsets in windows(project, ranges, used):
        try:
            limits = phase_limits(contact_model(fitted_at(full, offsets)))
            refuse_unguarded(limits)
            found = _best(base, limits, simulated, WHOLE)
        except InputError as error:
            refusal = error
            continue
        if best is None or _rank(found) > _rank(best):
            best = found
    if best is None:
        assert refusal is not None
        raise refusal
    return _with_effects(base, fitted, project, config, factors, best)


def _rank(found: Outcome) -> tuple[float, bool, float]:
    """Torque to what no dyno shows; of equal ones with full travel clear, and with more clearance."""
    return round(found.torque, 1), found.travel == CLEAR, found.margin


def _best(base: Base, limits: Limits, simulated: SimulatedTorque, level: int) -> Outcome:
    """The best tables within limits, torque by the nodes."""
    project, model = limits.project, limits.contact
    labels = simulated.of_labels(limits)
    found, tables = searched(project, limits, labels, silent)
    verdict = check_tables(model, tables)
    if not verdict.accepted:
        raise InputError.one(verdict.worst, hint="more clearance, or another part")
    rpm = np.array(project.tables.rpm)
    curve = np.where(labels.in_reach[found.labels], labels.torque[found.labels], np.nan)[:, -1]
    centres = model.engine.centrelines(tables.intake.to_numpy()[:, 0], tables.exhaust.to_numpy()[:, 0])
    gaps = {name: {c: min(getattr(verdict.box, name)[c], float(verdict.cells[name].sel(contact=c).min()))
                   for c in model.contacts} for name in ("running", "static")}  # fmt: skip
    least = [float(verdict.cells[f"{name}_margin"].min()) for name in gaps]
    if verdict.box.verdict == CLEAR:  # else the looser rule between cells holds
        box = [np.array([getattr(verdict.box, name)[c] for c in model.contacts]) for name in ("static", "running")]
        least.append(float(margins(model, box[0], box[1]).min()))
    curve = curve + base.beyond[np.searchsorted(base.rpm, rpm)]
    controls = {side: model.engine.cam(side).control for side in SIDES}
    return Outcome(
        level,
        band_mean(rpm, curve, base.band),
        rpm,
        curve,
        centres[:, 0],
        centres[:, 1],
        np.stack([tables.intake.to_numpy()[:, 0], tables.exhaust.to_numpy()[:, 0]]),
        (project.intake.offset, project.exhaust.offset),
        gaps["running"],
        gaps["static"],
        min(least),
        limits.full_travel.verdict if level == WHOLE else "",
        {side: float(control.speed.rpm) for side, control in controls.items() if control is not None},
        {},
    )


def _with_effects(
    base: Base, fitted: Fitted, project: Project, config: CycleConfig, factors: Mapping[str, float], best: Outcome
) -> Outcome:
    """Torque simulated at the timings of tables, and what each variable changes of its mean over the band."""
    known = tolerances(config, cycle_section(project).length_error)
    points = np.column_stack([best.rpm, full_throttle_pressure(project, best.rpm), best.icl, best.ecl])

    def simulated() -> dict[str, FloatArray]:
        results, found = effects_at(config, known, factors, points, workers=base.workers)
        torque = np.where(results.settled, results.torque, np.nan)
        return found | {TORQUE: torque, LATE: results.half_burned}

    depends_on = code_version(), config, points, tuple(known), tuple(factors.items())
    at = cached_arrays(base.project.folder, f"{PARTS}/effects", simulated, *depends_on)
    curve = np.where(np.isfinite(at[TORQUE]), at[TORQUE] + base.beyond, best.curve)  # one that did not settle: by nodes
    means = {name: band_mean(best.rpm, at[name], base.band) for name in (TORQUE, *known)}
    changes = changes_by_variable(base.knowledge, fitted.kinds_of, means.pop(TORQUE), means)
    late = (
        at[LATE] - cycle_half_burned(config, best.rpm) if config.knock is not None else np.full(len(best.rpm), np.nan)
    )
    inside = _inside(best.rpm, base.band)
    return replace(
        best,
        torque=band_mean(best.rpm, curve, base.band),
        curve=curve,
        effects={_named(each): change for each, change in changes.items()},
        late=float(np.max(late[inside], initial=0.0)) if config.knock is not None else float("nan"),
    )


TORQUE, LATE = "torque", "half burned"


def cycle_half_burned(config: CycleConfig, rpm: FloatArray) -> FloatArray:
    """Where half would be burned without knock, degrees after firing TDC."""
    if config.phasing is None:
        return np.full(len(rpm), config.half_burned)
    return np.array([config.phasing.at(float(n), config.ambient_pressure) for n in rpm])


def band_mean(rpm: FloatArray, values: FloatArray, band: Range) -> float:
    """Mean over the band by area under the curve, of the speeds where it is known; nan where those are less than two.

    >>> band_mean(np.array([1e3, 2e3, 3e3, 4e3]), np.array([0.0, 10.0, 20.0, 90.0]), (2e3, 3e3))
    15.0
    """
    at = _inside(rpm, band) & np.isfinite(values)
    return float(trapezoid_shares(rpm[at]) @ values[at]) if np.count_nonzero(at) > 1 else float("nan")


def _inside(rpm: FloatArray, band: Range) -> BoolArray:
    return np.asarray((rpm >= band[0]) & (rpm <= band[1]))


def _require_settled(project: Project, simulated: SimulatedTorque) -> None:
    if np.isfinite(simulated.torque).mean() < 0.5:
        raise InputError.one(
            "as described it does not run: most of its simulation did not settle",
            hint="check lengths, diameters and flow figures of its parts",
            file=project.file,
            where="cycle",
        )


def _named(each: Variable) -> str:
    """A variable as a key of JSON.

    >>> _named(Variable("flow", ("ported",))), variable_of("flow|ported")
    ('flow|ported', Variable(name='flow', parts=('ported',)))
    """
    return "|".join((each.name, *each.parts))


def variable_of(name: str) -> Variable:
    """The variable of a key of `Outcome.effects`."""
    first, *parts = name.split("|")
    return Variable(first, tuple(parts))


def tables_of(project: Project, outcome: Outcome) -> PhaseTables:
    """The tables of an outcome: one load, full throttle."""
    phases = outcome.phases[:, :, None]
    return PhaseTables.of(outcome.rpm, project.tables.load[-1:], phases[0], phases[1])
