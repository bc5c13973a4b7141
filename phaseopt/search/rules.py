"""The hard rules of a project's search, by the names that a builder reads: lock, overlap caps, pinned cells, slew.

A mask is a boolean array that broadcasts to (speeds, loads, intake phases, exhaust phases); True = allowed.
"""

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.clearance.overlap_caps import caps, overlaps, within
from phaseopt.clearance.safe_set import EDGES
from phaseopt.project import SIDES, Cap, Cost, Pin, Project, Side, Weight
from phaseopt.project.cross_checks import require_slew
from phaseopt.search.problem import GRID_TOLERANCE
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError, Mistake

PINNED = "pinned cell"
OVERLAP_CAP = "overlap cap"


def hard_rules_of(project: Project, limits: Limits) -> dict[str, BoolArray]:
    """Each rule's mask over (R, L, A, B), or one that broadcasts to it; B is 1 where one phaser moves both cams.

    Raises `InputError` naming every pinned cell whose phases no table can hold: not a step of the resolution, outside
    every safe box, or two different ones for tied cams.
    """
    model, intake = limits.contact, limits.phases_intake
    exhaust = np.zeros(1) if model.tied else limits.phases_exhaust
    rpm, load, rest = np.array(project.tables.rpm), np.array(project.tables.load), np.zeros(1)
    rules: dict[str, BoolArray] = {}
    for side in SIDES:
        phaser = project.phaser_of(side)
        if phaser is not None and phaser.rest_until > 0:
            labels = (intake, rest) if side == "intake" or model.tied else (rest, exhaust)
            rules[f"{side} lock at low speed"] = lock_mask(rpm, phaser.rest_until, *labels)
    if project.search.overlap_cap:
        most = caps(project, rpm, load)
        rules[OVERLAP_CAP] = overlaps(model, intake, exhaust)[None, None] <= most[:, :, None, None]
    if project.search.pinned:
        _refuse_unsafe_pins(project, limits)
        rules[PINNED] = _pins(project, model, intake, exhaust)
    return rules


def lock_mask(rpm: FloatArray, rest_until: float, intake: FloatArray, exhaust: FloatArray) -> BoolArray:
    """At and below `rest_until` [rpm] oil pressure cannot be trusted to move a phaser: only rest is allowed.

    Returns a mask of shape (speeds, 1, intake phases, exhaust phases).

    >>> lock_mask(np.array([800.0, 2000.0]), 1200.0, np.array([0.0, 1.0]), np.array([0.0]))[:, 0, :, 0].tolist()
    [[True, False], [True, True]]
    """
    rest = (np.abs(intake)[:, None] < GRID_TOLERANCE) & (np.abs(exhaust)[None, :] < GRID_TOLERANCE)
    mask: BoolArray = rest[None, None] | (rpm > rest_until)[:, None, None, None]
    return mask


def slew_caps(project: Project, side: Side) -> FloatArray:
    """Least and greatest change of phase from one speed to the next that the phaser can follow, both ways.

    While the engine crosses the step upwards the phaser must make the change, while it crosses downwards the opposite
    one, so the slower of its two directions counts: ± min(advance, retard) Δ / crossing, Δ the step in rpm.

    Parameters
    ----------
    project : Project
        Its phasers' rates are slowest hot-oil values [crank deg/s]; `search.crossing` is the fastest change of engine
        speed [rpm/s].
    side : "intake" or "exhaust"

    Returns
    -------
    array (R - 1, 2)
        [crank deg]; infinite where the cam is fixed.

    Raises
    ------
    InputError
        Naming each phaser whose slew is left out.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> project.tables.rpm[:2], slew_caps(project, "intake")[0].round(1).tolist()
    ((1000.0, 1500.0), [-13.3, 13.3])
    """
    require_slew(project)
    phaser, step = project.phaser_of(side), np.diff(project.tables.rpm)
    slowest = np.inf if phaser is None else min(phaser.rates.advance, phaser.rates.retard)
    most = slowest * step / project.search.crossing
    return np.stack([-most, most], axis=1)


def band_cells(project: Project, band: Weight | Pin | Cap | Cost) -> BoolArray:
    """(R, L) the cells of the tables that a band holds."""
    rpm, load = np.array(project.tables.rpm), np.array(project.tables.load)
    return np.outer(within(rpm, band.rpm), within(load, band.load))


def _pins(project: Project, model: ContactModel, intake: FloatArray, exhaust: FloatArray) -> BoolArray:
    """(R, L, A, B) labels that the pinned cells leave; the first band that holds a cell decides."""
    shape = (len(project.tables.rpm), len(project.tables.load))
    allowed = np.ones((*shape, intake.size, exhaust.size), dtype=np.bool_)
    for pin in reversed(project.search.pinned):
        free_a = np.ones(intake.size, dtype=np.bool_) if pin.intake is None else _is(intake, pin.intake)
        free_b = np.ones(exhaust.size, dtype=np.bool_)
        if model.tied:
            free_a &= free_a if pin.exhaust is None else _is(intake, pin.exhaust)
        elif pin.exhaust is not None:
            free_b = _is(exhaust, pin.exhaust)
        allowed[band_cells(project, pin)] = free_a[:, None] & free_b[None, :]
    return allowed


def _is(labels: FloatArray, phase: float) -> BoolArray:
    same: BoolArray = np.abs(labels - phase) < 1e-6
    return same


def _refuse_unsafe_pins(project: Project, limits: Limits) -> None:
    mistakes = [
        Mistake(problem, hint, project.file, f"search.pinned (entry {number})")
        for number, pin in enumerate(project.search.pinned, start=1)
        if (found := _why_not(limits, pin, project))
        for problem, hint in (found,)
    ]
    if mistakes:
        raise InputError(mistakes)


def _why_not(limits: Limits, pin: Pin, project: Project) -> tuple[str, str] | None:
    """What is wrong with a pin, and the fix; None where nothing is."""
    if not band_cells(project, pin).any():
        return "no cell of the tables is in this band", "give spans that hold a breakpoint of both axes"
    phases = {"intake": pin.intake, "exhaust": pin.exhaust}
    labels = {"intake": limits.phases_intake, "exhaust": limits.phases_exhaust}
    for side in SIDES:
        phase = phases[side]
        if phase is not None and not _is(labels[side], phase).any():
            least, most = labels[side][0], labels[side][-1]
            problem = f"no cell can hold an {side} phase of {phase:g}°"
            return problem, f"give a step of the resolution from {least:g} to {most:g}°"
    if limits.contact.tied and None not in phases.values() and pin.intake != pin.exhaust:
        return "one phaser moves both cams, so they cannot hold two phases", "give one phase"
    if project.gap.between != BY_NAME and not any(_holds(box, phases) for box in limits.boxes):
        return _outside(limits, phases)
    return None


def _holds(box: object, phases: dict[str, float | None]) -> bool:
    return all(
        phase is None or getattr(box, f"{side}_from") <= phase <= getattr(box, f"{side}_to")
        for side, phase in phases.items()
    )


def _outside(limits: Limits, phases: dict[str, float | None]) -> tuple[str, str]:
    """Words for phases outside every safe box: what refuses them at the top speed."""
    at = {f"{side}_phase": 0.0 if phase is None else phase for side, phase in phases.items()}
    edge = int(limits.safe["edge"].isel(rpm=-1).sel(at, method="nearest"))
    named = " with ".join(f"{side} {phase:g}°" for side, phase in phases.items() if phase is not None)
    why = f"refused by {EDGES[edge]}" if edge else "safe by itself, but not with all phases between it and rest"
    spans = "; or ".join(
        f"intake {box.intake_from:g} to {box.intake_to:g}°, exhaust {box.exhaust_from:g} to {box.exhaust_to:g}°"
        for box in limits.boxes
    )
    return f"{named} is outside the safe box ({why})", f"pin it within {spans}"
