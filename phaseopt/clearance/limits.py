"""Which phases are safe: pair by pair, as clamps by engine speed, and as safe boxes.

Limits keep `IN_HAND` more than the rules ask, a little over how closely gaps are found: what they call safe, a
check with bounds of its own calls clear.
"""

from dataclasses import astuple, dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.bounds import IN_HAND
from phaseopt.clearance.faults import Fault, faults
from phaseopt.clearance.full_travel import FullTravel, full_travel
from phaseopt.clearance.model import ContactModel, PhaseBox, contact_model
from phaseopt.clearance.phase_grid import (
    PhaseGrid,
    Places,
    boxes_around,
    largest_boxes,
    phase_grid_of,
    run_around,
)
from phaseopt.clearance.rest_unsafe import rest_unsafe
from phaseopt.clearance.rules import margins
from phaseopt.clearance.safe_set import EDGES, TRAVEL, SafePairs
from phaseopt.engine.phaser import phase_grid
from phaseopt.project import SIDES, Cam, Project
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.errors import InputError
from phaseopt.values.repr import ShowsItself

if TYPE_CHECKING:
    import xarray as xr


ENDS = ("intake_from", "intake_to", "exhaust_from", "exhaust_to")


@dataclass(frozen=True)
class SafeBox:
    """Phases that are safe in any combination at any speed.

    Attributes
    ----------
    intake_from, intake_to, exhaust_from, exhaust_to : float
        Most retarded and most advanced phase of both cams [crank degrees]. Where one phaser moves both, the phases it
        may take: the same span for both.

    Examples
    --------
    >>> SafeBox(0.0, 20.0, -10.0, 0.0).holds([5.0, 25.0], -3.0).tolist()
    [True, False]
    """

    intake_from: float
    intake_to: float
    exhaust_from: float
    exhaust_to: float

    @property
    def size(self) -> float:
        """How much timing it leaves, for choosing among boxes: (span + 1) × (span + 1), degrees squared."""
        return (self.intake_to - self.intake_from + 1) * (self.exhaust_to - self.exhaust_from + 1)

    def holds(self, intake: npt.ArrayLike, exhaust: npt.ArrayLike) -> BoolArray:
        """Whether phases lie in it; crank degrees, any shapes that broadcast."""
        a, b = np.asarray(intake), np.asarray(exhaust)
        inside = (a >= self.intake_from) & (a <= self.intake_to) & (b >= self.exhaust_from) & (b <= self.exhaust_to)
        return np.asarray(inside, dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class SpeedLimits:
    """How far each phaser may go by engine speed.

    Attributes
    ----------
    rpm : array (r,)
        Engine speeds.
    intake_from, intake_to, exhaust_from, exhaust_to : array (r,)
        Most retarded and most advanced phase of both cams [crank degrees].
    intake_limited_by, exhaust_limited_by : tuple of r str
        What limits further advance of the intake cam, and further retard of the exhaust cam: words in `EDGES`.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> clamps = phase_limits(model).together
    >>> clamps.rpm.shape == clamps.intake_to.shape, bool((clamps.intake_to >= clamps.intake_from).all())
    (True, True)
    """

    rpm: FloatArray
    intake_from: FloatArray
    intake_to: FloatArray
    exhaust_from: FloatArray
    exhaust_to: FloatArray
    intake_limited_by: tuple[str, ...]
    exhaust_limited_by: tuple[str, ...]

    @classmethod
    def of(cls, rpm: FloatArray, clamps: "list[_Clamp]") -> "SpeedLimits":
        """From a clamp for each speed."""
        ends = np.array([astuple(box) for box, _, _ in clamps])
        return cls(
            rpm,
            intake_from=ends[:, 0],
            intake_to=ends[:, 1],
            exhaust_from=ends[:, 2],
            exhaust_to=ends[:, 3],
            intake_limited_by=tuple(EDGES[advance] for _, advance, _ in clamps),
            exhaust_limited_by=tuple(EDGES[retard] for _, _, retard in clamps),
        )


@dataclass(frozen=True, eq=False, repr=False)
class Limits(ShowsItself):
    """What timings the rules leave.

    Attributes
    ----------
    contact : ContactModel
        What they were computed from: the engine, its valve drops and heads, and the project's rules.
    phases_intake, phases_exhaust : array (a,), (b,)
        Labels [crank degrees of phase]; [0] for a fixed cam.
    boxes : tuple of SafeBox
        The largest boxes around rest that are safe in any combination up to the top speed, errors and overshoot of the
        phasers added. None is inside another. One, unless valve to valve couples the cams.
    pairs : SafePairs
        Every pair of labels at every speed, and what refuses it; `safe` has the same with labelled axes.
    alone, together : SpeedLimits
        Clamps by speed. Alone: the other cam at rest. Together: the largest box at that speed.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> model = contact_model(load_project("examples/intake_only/project.toml"))
    >>> limits = phase_limits(model)
    >>> limits.phases_exhaust.tolist(), limits.boxes[0].exhaust_to  # a fixed cam
    ([0.0], 0.0)
    """

    contact: ContactModel
    phases_intake: FloatArray
    phases_exhaust: FloatArray
    boxes: tuple[SafeBox, ...]
    pairs: SafePairs
    alone: SpeedLimits
    together: SpeedLimits

    @property
    def project(self) -> Project:
        """Whose limits they are, as it was read."""
        return self.contact.project_as_read

    @cached_property
    def full_travel(self) -> FullTravel:
        """What the whole travel would do."""
        return full_travel(self.contact)

    @cached_property
    def faults(self) -> tuple[Fault, ...]:
        """What each fault of a phaser would do, the other one anywhere in the boxes."""
        return faults(self.contact, _hull(self.boxes), self.contact.top_speed, "its clamps")

    @cached_property
    def unchecked(self) -> "SafeBox | None":
        """The largest safe box had the cam timing not been checked on the engine; None where it was not, or where the
        engine would not be safe at rest."""
        project = self.contact.as_stated
        if project is None or all(project.cam(side).degree_in is None for side in SIDES):
            return None
        cams: dict[str, Cam] = {side: project.cam(side).model_copy(update={"degree_in": None}) for side in SIDES}
        boxes = _safe_boxes(contact_model(project.model_copy(update=cams)))
        return max(boxes, key=lambda box: box.size, default=None)

    @cached_property
    def safe(self) -> "xr.Dataset":
        """The pairs with dims rpm, intake_phase, exhaust_phase (and contact): `safe`, `static` and `swept` gap,
        `static_margin`, `running_margin` [mm], and `edge`, the number in `EDGES` of what refuses a pair."""
        return self.pairs.dataset()


def phase_limits(model: ContactModel) -> Limits:
    """What timings the rules leave on an engine.

    Parameters
    ----------
    model : ContactModel

    Returns
    -------
    Limits

    Raises
    ------
    InputError
        Where the engine is not safe with its phasers at rest: there is then no safe table. It names what comes too
        near, and the installed offset that opens it. Where the top speed is beyond valve control: which spring, and
        what would hold.

    Notes
    -----
    Every gap is a lower bound over the whole cycle and over the intervals between labels (`gaps.py`, `valves.py`), so
    what is called safe is safe at any timing in between.

    Examples
    --------
    >>> from phaseopt.clearance.model import contact_model
    >>> from phaseopt.project.load import load_project
    >>> found = phase_limits(contact_model(load_project("examples/intake_only/project.toml")))
    >>> len(found.boxes), found.together.intake_limited_by[-1]
    (1, 'travel')
    """
    beyond = model.not_held()
    if beyond:
        raise InputError(beyond)
    labels_i, labels_e = (phase_grid(model.project.phaser_of(side)) for side in SIDES)
    grid_of_phases = phase_grid_of(model, labels_i, labels_e)
    speeds = np.unique(np.r_[model.project.tables.rpm, model.top_speed])
    margin = _margins(model, grid_of_phases, speeds)
    ok = _keeps(margin)
    if not ok[-1][grid_of_phases.rest]:
        held = speeds[ok[(slice(None), *grid_of_phases.rest)]]
        raise rest_unsafe(model, float(held[-1]) if held.size else None)
    boxes = tuple(_box(grid_of_phases, found) for found in largest_boxes(ok[-1], grid_of_phases.rest))
    alone = [_alone(grid_of_phases, ok[r], margin[r]) for r in range(len(speeds))]
    together = [_together(grid_of_phases, ok[r], margin[r]) for r in range(len(speeds))]
    return Limits(
        model,
        labels_i,
        labels_e,
        boxes,
        SafePairs.of(model, (labels_i, labels_e), grid_of_phases, speeds, margin, ok),
        SpeedLimits.of(speeds, alone),
        SpeedLimits.of(speeds, together),
    )


def _safe_boxes(model: ContactModel) -> list[SafeBox]:
    """The largest safe boxes up to the top speed alone; none where the engine is not safe at rest."""
    grid = phase_grid_of(model, *(phase_grid(model.project.phaser_of(side)) for side in SIDES))
    ok = _keeps(_margins(model, grid, np.array([model.top_speed])))[0]
    return [_box(grid, found) for found in largest_boxes(ok, grid.rest)] if ok[grid.rest] else []


def safe_places(
    model: ContactModel, grid_of_phases: PhaseGrid, speeds: FloatArray, more: FloatArray | float = 0.0
) -> BoolArray:
    """(r, a, b) the places of a lattice that keep both rules at each speed, rpm.

    `more` (c,) mm that each gap would be greater with, of what is only asked and never written: a deeper pocket adds
    its depth along the valve to both gaps at every crank angle, a smaller required gap its difference to both margins.
    """
    return _keeps(_margins(model, grid_of_phases, speeds) + more)


def _keeps(margin: FloatArray) -> BoolArray:
    return np.asarray((margin >= IN_HAND).all(axis=(-2, -1)))


def _margins(model: ContactModel, grid_of_phases: PhaseGrid, speeds: FloatArray) -> FloatArray:
    """(r, a, b, 2, c) above each rule, mm."""
    taken = model.running_mm(speeds)[:, None, None]
    swept = grid_of_phases.gaps.swept[None] - taken
    return margins(model, np.broadcast_to(grid_of_phases.gaps.static, swept.shape), swept)


def _hull(boxes: tuple[SafeBox, ...]) -> PhaseBox:
    """The span of all boxes of a family."""
    ends = np.array([astuple(box) for box in boxes])
    (a, _, c, _), (_, b, _, d) = ends.min(axis=0).tolist(), ends.max(axis=0).tolist()
    return a, b, c, d


def _box(grid_of_phases: PhaseGrid, found: Places) -> SafeBox:
    start, end = grid_of_phases.boxes[found[0], found[2]], grid_of_phases.boxes[found[1], found[3]]
    return SafeBox(float(start[0]), float(end[1]), float(start[2]), float(end[3]))


_Clamp = tuple[SafeBox, int, int]  # with the edge of further advance of the intake, of further retard of the exhaust


def _alone(grid_of_phases: PhaseGrid, ok: BoolArray, margin: FloatArray) -> _Clamp:
    """Clamps of each cam with the other at rest; for tied cams, of both."""
    a, b = grid_of_phases.rest
    first, last = run_around(ok[:, b], a)
    if ok.shape[1] == 1:
        box = _box(grid_of_phases, (first, last, b, b))
        return box, _edge(margin[last + 1 :, b]), _edge(margin[first - 1 : first, b] if first else margin[:0, b])
    back, forth = run_around(ok[a], b)
    intake, exhaust = _box(grid_of_phases, (first, last, b, b)), _box(grid_of_phases, (a, a, back, forth))
    box = SafeBox(intake.intake_from, intake.intake_to, exhaust.exhaust_from, exhaust.exhaust_to)
    return box, _edge(margin[last + 1 :, b]), _edge(margin[a, back - 1 : back] if back else margin[a, :0])


def _together(grid_of_phases: PhaseGrid, ok: BoolArray, margin: FloatArray) -> _Clamp:
    """The largest box at a speed, the first of them where several are as large."""
    found = max(boxes_around(ok, grid_of_phases.rest), key=lambda box: _box(grid_of_phases, box).size)
    first, last, back, forth = found
    if ok.shape[1] == 1:
        return _alone(grid_of_phases, ok, margin)
    beyond = margin[last + 1 : last + 2, back : forth + 1].min(axis=1)
    behind = margin[first : last + 1, max(back - 1, 0) : back].min(axis=0)
    return _box(grid_of_phases, found), _edge(beyond), _edge(behind)


def _edge(beyond: FloatArray) -> int:
    """What refuses the next place (first of (n, 2, c) margins), or travel where there is none."""
    return int(beyond[0].min(axis=0).argmin()) + 1 if len(beyond) else TRAVEL
