"""Overlap caps: the builder's wish that keeps valve overlap short where idle or light load would suffer from it.

A cap breaks no engine, so clamps do not keep it: the search keeps it cell by cell, and the safe set names it where it
alone refuses a pair of phases at every load of a speed.
"""

import numpy as np

from phaseopt.clearance.model import ContactModel
from phaseopt.engine.valve_events import overlap_degrees
from phaseopt.project import Project
from phaseopt.values.arrays import BoolArray, FloatArray


def overlaps(model: ContactModel, intake: FloatArray, exhaust: FloatArray) -> FloatArray:
    """(A, B) overlap at the check lift, lash as set, of phases (A,) with phases (B,), crank degrees.

    Where one phaser moves both cams there is one line of pairs, (A, 1): both have the intake's phase.
    """
    a = model.engine.intake.centre(intake)[:, None]
    b = model.engine.exhaust.centre(intake[:, None] if model.tied else exhaust[None, :])
    return overlap_degrees(model.engine.intake, model.engine.exhaust, a, b, model.project.tables.check_lift)


def caps(project: Project, rpm: FloatArray, load: FloatArray) -> FloatArray:
    """(R, L) most overlap, crank degrees, infinite where there is none; the first band that holds a cell decides."""
    found = np.full((rpm.size, load.size), np.inf)
    for band in reversed(project.search.overlap_cap):
        found[np.ix_(within(rpm, band.rpm), within(load, band.load))] = band.degrees
    return found


def within(axis: FloatArray, span: tuple[float, float]) -> BoolArray:
    """Which values of an axis lie in a span, its ends too.

    >>> within(np.array([1.0, 2.0, 3.0]), (2.0, 3.0)).tolist()
    [False, True, True]
    """
    inside: BoolArray = (axis >= span[0]) & (axis <= span[1])
    return inside


def capped_everywhere(model: ContactModel, rpm: FloatArray, intake: FloatArray, exhaust: FloatArray) -> BoolArray:
    """(R, A, B) pairs of phases with more overlap than any load of a speed allows; B is 1 for tied cams."""
    if not model.project.search.overlap_cap:
        return np.zeros((rpm.size, intake.size, 1 if model.tied else exhaust.size), dtype=np.bool_)
    most = caps(model.project, rpm, np.array(model.project.tables.load)).max(axis=1)
    over: BoolArray = overlaps(model, intake, exhaust)[None] > most[:, None, None]
    return over


def caps_words(project: Project) -> str:
    """The caps in words, "none" where there are none."""
    bands = [
        f"{cap.degrees:g}° at {cap.rpm[0]:g} to {cap.rpm[1]:g} rpm, {cap.load[0]:g} to {cap.load[1]:g} kPa"
        for cap in project.search.overlap_cap
    ]
    return "; ".join(bands) or "none"
