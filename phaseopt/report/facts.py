"""What several parts of a report say of a build: the tightest cell of a contact, the clamps, what limits cells."""

from collections import Counter
from dataclasses import astuple, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from phaseopt.clearance.limits import SafeBox
from phaseopt.clearance.rules import CLEAR
from phaseopt.search.limited_by import ROUGHNESS, UNKNOWN
from phaseopt.values.arrays import FloatArray

if TYPE_CHECKING:
    from phaseopt.job.build import Build


_OF_CELL = ("rpm", "load", "intake_phase", "exhaust_phase", "icl", "ecl", "by_hand", "static", "running", "angle")
_MOST = 0.8  # of the greatest gain: what counts as where most was gained
COSTLY = 0.5  # N·m that smoothness takes from a cell, from which it is shown: the least that a careful dyno shows
_BINDERS = {
    "reach": "the tested range",
    UNKNOWN: "timings where the simulation did not settle",
    "slew": "phaser speed",
    ROUGHNESS: "smoothness towards neighbouring cells",
}


@dataclass(frozen=True)
class Tightest:
    """The cell where a contact has the least margin to its rules: angles in crank degrees, gaps in mm."""

    contact: str
    rpm: float
    load: float
    intake_phase: float
    exhaust_phase: float
    icl: float
    ecl: float
    by_hand: float
    static: float
    running: float
    angle: float
    margin: float


def tightest(build: "Build", contact: str) -> Tightest:
    """The tightest cell of a contact; of several as tight by the static rule, the one with the least running gap."""
    cells = build.verdict.cells.sel(contact=contact)
    static, running = cells["static_margin"].to_numpy(), cells["running_margin"].to_numpy()
    least = np.minimum(static, running)
    row, column = np.unravel_index(int(np.lexsort((running.ravel(), least.ravel()))[0]), least.shape)
    cell = cells.isel(rpm=int(row), load=int(column))
    return Tightest(
        contact,
        **{name: float(cell[name]) for name in _OF_CELL},
        margin=float(least[row, column]),
    )


def closest(build: "Build") -> Tightest:
    """The contact with the least margin to its rules, at its tightest cell.

    Where tables are clear in any combination, or by the looser rule, its clearances are the least of all that may meet:
    phases of different cells meet, and the highest speed is not that of the tightest cell, so a cell alone has more.
    """
    return min((_of_all_that_meet(build, contact) for contact in build.contact.contacts), key=lambda near: near.margin)


def _of_all_that_meet(build: "Build", contact: str) -> Tightest:
    near, model, verdict = tightest(build, contact), build.contact, build.verdict
    meets = verdict.box if verdict.clear or verdict.neighbours is None else verdict.neighbours
    if not verdict.accepted:
        return near
    static, running = min(near.static, meets.static[contact]), min(near.running, meets.running[contact])
    required = float(model.required[model.contacts.index(contact)])
    return replace(near, static=static, running=running, margin=min(static - required, running - model.reserve))


def clamps(build: "Build") -> SafeBox:
    """The largest safe box that the tables were searched in: its edges are the clamps to enter in the controller.

    Tables that keep only the looser rule between cells lie in no safe box: then the span of the tables, with rest.
    """
    labels = build.best.search.box
    ends = [float(build.limits.phases_intake[label]) for label in (labels.a_from, labels.a_to)]
    other = [float(build.limits.phases_exhaust[label]) for label in (labels.b_from, labels.b_to)]
    wanted = SafeBox(*ends, *(ends if build.contact.tied else other))
    boxes = (box for box in build.limits.boxes if np.allclose(astuple(box), astuple(wanted), rtol=0, atol=1e-6))
    return next(boxes, build.verdict.box.range)


def clamps_hold(build: "Build") -> bool:
    """Whether the clamps are safe in any combination; where not, they only keep out what is outside them."""
    return build.verdict.box.verdict == CLEAR


def verdict_word(build: "Build") -> str:
    """The verdict on the tables in a word or two."""
    if build.verdict.clear:
        return "CLEAR"
    return "CLEAR by the looser rule" if build.verdict.accepted else "NOT CLEAR"


def binder_words(name: str) -> str:
    """What limits a cell, in words.

    >>> binder_words("box intake advance"), binder_words("slew"), binder_words("overlap cap")
    ('contact limit (intake advance)', 'phaser speed', 'overlap cap')
    """
    for prefix, words in (("box ", "contact limit"), ("travel ", "end of travel")):
        if name.startswith(prefix):
            return f"{words} ({name.removeprefix(prefix)})"
    return _BINDERS.get(name, name)


def binders(build: "Build") -> list[tuple[str, int]]:
    """What limits cells and how many each limits, most first; a cell may have several limits."""
    counts = Counter(name for row in limits_shown(build) for names in row for name in names)
    return sorted(counts.items(), key=lambda item: (-item[1], item[0]))


def limits_shown(build: "Build") -> list[list[tuple[str, ...]]]:
    """What limits each cell, by speed and load; smoothness only where it costs more than `COSTLY`.

    It is a strength that the project chooses, and some of it is in every step.
    """
    costs = smoothness_costs(build)
    return [
        [tuple(name for name in names if name != ROUGHNESS or costs[r, k] > COSTLY) for k, names in enumerate(row)]
        for r, row in enumerate(build.best.search.limited_by)
    ]


def smoothness_costs(build: "Build") -> FloatArray:
    """(R, L) what smoothness takes from each cell that it limits, N·m; 0 elsewhere.

    The torque, less the uncertainty counted, that the cell's best timing within the clamps has over its own.
    """
    found, torque = build.best.search, build.best.labels
    objective = torque.torque - build.project.search.caution * torque.deviation
    within = np.where(np.isfinite(objective) & torque.in_reach, objective, -np.inf)[found.box.cut]
    known = within.max(axis=(2, 3))
    own = objective[found.labels]
    limits = np.array([[ROUGHNESS in names for names in row] for row in found.limited_by])
    return np.asarray(np.where(limits & np.isfinite(known) & np.isfinite(own), np.maximum(known - own, 0.0), 0.0))


def gained_most(build: "Build") -> tuple[float, float] | None:
    """From and to rpm around the greatest gain at full load; None where none is known to have gained."""
    gain = build.torque["gain"].isel(load=-1).fillna(-np.inf).to_numpy()
    peak = int(gain.argmax())
    if gain[peak] <= 0:
        return None
    low = np.flatnonzero(gain < _MOST * gain[peak])
    first = int(low[low < peak].max(initial=-1)) + 1
    last = int(low[low > peak].min(initial=gain.size)) - 1
    speeds = build.torque["rpm"].to_numpy()
    return float(speeds[first]), float(speeds[last])
