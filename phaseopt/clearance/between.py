"""Which cells break a box that no cell breaks: one brings the intake phase, the other the exhaust phase."""

import numpy as np

from phaseopt.clearance.contacts import sides_of
from phaseopt.clearance.model import COLUMNS, ContactModel, PhaseBox
from phaseopt.clearance.rules import least_sentence, margins, running_gaps
from phaseopt.project import SIDES, Side
from phaseopt.tables import PhaseTables
from phaseopt.values.arrays import FloatArray


def breaking_cells(model: ContactModel, tables: PhaseTables, box: PhaseBox, top: float) -> str:
    """The cells, or rest, whose phases bring the limiting contact of a box nearest, in a sentence.

    The phase of one cam is chosen against all phases that the other may hold, then the other's against it; where the
    contact depends on one cam alone, its cell alone is named.

    Parameters: `tables`; `box` that holds all their phases and rest; `top`, the speed it is judged up to, rpm.
    """
    contact = int(_margin(model, model.pieces(box), top).min(axis=0).argmin())
    sides: tuple[Side, ...] = SIDES[:1] if model.tied else sides_of(model.contacts[contact])
    chosen = np.zeros(4) if len(sides) == 1 else np.array(box)
    for side in sides:
        phases = np.unique(np.append(tables.of_side(side).to_numpy(), 0.0))
        trials = np.repeat(chosen[np.newaxis], phases.size, axis=0)
        trials[:, slice(None) if model.tied else COLUMNS[side]] = phases[:, np.newaxis]
        chosen = trials[_margin(model, trials, top)[:, contact].argmin()]
    named = " with ".join(_cell(tables, side, float(chosen[COLUMNS[side]][0])) for side in sides)
    if _margin(model, chosen, top)[0, contact] >= 0:
        return f"only phases between those of cells break it; nearest is {named}"
    return f"{named}, up to {top:.0f} rpm: {least_sentence(model, model.gaps(chosen), top)}"


def _margin(model: ContactModel, boxes: FloatArray, top: float) -> FloatArray:
    """(n, c) above the nearer of both rules, mm."""
    gaps = model.gaps(boxes)
    return np.asarray(margins(model, gaps.static, running_gaps(model, gaps, top)).min(axis=-2))


def _cell(tables: PhaseTables, side: Side, phase: float) -> str:
    """A phase, and the first cell that holds it."""
    found = np.argwhere(tables.of_side(side).to_numpy() == phase)
    if not len(found):
        return f"{side} at rest"
    r, load = found[0]
    return f"{side} {phase:g}° of {tables.rpm[r]:.0f} rpm, load {tables.load[load]:g}"
