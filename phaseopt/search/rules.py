"""The hard rules of a project's search, by the names that a builder reads: lock, overlap caps, pinned cells."""

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.limits import EDGES, Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.neighbours import BY_NAME
from phaseopt.clearance.overlap_caps import caps, overlaps, within
from phaseopt.project import SIDES, Pin, Project
from phaseopt.search.labels import BoolArray, FloatArray, lock_mask, overlap_mask
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
        rules[OVERLAP_CAP] = overlap_mask(overlaps(model, intake, exhaust), caps(project, rpm, load))
    if project.search.pinned:
        _refuse_unsafe_pins(project, limits)
        rules[PINNED] = _pins(project, model, intake, exhaust)
    return rules


def _cells(project: Project, rpm: tuple[float, float], load: tuple[float, float]) -> tuple[npt.NDArray[np.intp], ...]:
    """What picks the cells of a band out of (R, L) or more axes."""
    rows = np.flatnonzero(within(np.array(project.tables.rpm), rpm))
    return rows[:, None], np.flatnonzero(within(np.array(project.tables.load), load))[None, :]


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
        allowed[_cells(project, pin.rpm, pin.load)] = free_a[:, None] & free_b[None, :]
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
    """What stands against a pin, and the mend; None where nothing does."""
    if not all(cells.size for cells in _cells(project, pin.rpm, pin.load)):
        return "no cell of the tables lies in it", "give a span that holds a breakpoint of both axes"
    phases = {"intake": pin.intake, "exhaust": pin.exhaust}
    labels = {"intake": limits.phases_intake, "exhaust": limits.phases_exhaust}
    for side in SIDES:
        phase = phases[side]
        if phase is not None and not _is(labels[side], phase).any():
            least, most = labels[side][0], labels[side][-1]
            return f"{side} {phase:g}° is no phase that a cell can hold", (
                f"a step of the resolution from {least:g} to {most:g}°"
            )
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
    told = " and ".join(f"{side} {phase:g}°" for side, phase in phases.items() if phase is not None)
    why = f"refused by {EDGES[edge]}" if edge else "safe by itself, but not with all phases between it and rest"
    spans = "; or ".join(
        f"intake {box.intake_from:g} to {box.intake_to:g}°, exhaust {box.exhaust_from:g} to {box.exhaust_to:g}°"
        for box in limits.boxes
    )
    return f"{told} lies outside the safe box ({why})", f"pin it within {spans}"
