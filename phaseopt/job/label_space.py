"""The labels that a search may be made over again: today's, and some beyond an end of travel that limits the tables."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.limits import Limits, safe_places
from phaseopt.clearance.phase_grid import PhaseGrid, largest_boxes, phase_grid_of
from phaseopt.job.stages import BestTables
from phaseopt.project import SIDES
from phaseopt.search.objective import TorqueMap, torque_of
from phaseopt.search.problem import Box
from phaseopt.surrogate import TorqueSurface
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

BEYOND_TRAVEL = 10.0  # crank degrees of labels beyond an end of travel that limits the tables
BOX_ENDS = {"intake retard": (0, -1), "intake advance": (1, 1), "exhaust retard": (2, -1), "exhaust advance": (3, 1)}


@dataclass(frozen=True, eq=False)
class LabelSpace:
    """Labels of both cams, wider than those of a build where travel limits its tables.

    `limits` with the wider labels; `first` (2,) how many of them come before today's; `travel` those that the phasers
    reach; `rest` the label of rest; `top` (1,) the speed up to which boxes are safe, rpm.
    """

    limits: Limits
    phases: PhaseGrid
    first: tuple[int, int]
    travel: Box
    rest: tuple[int, int]
    top: FloatArray

    @classmethod
    def around(cls, best: BestTables) -> "LabelSpace":
        """Those of the best tables, widened by `BEYOND_TRAVEL` where travel limits them."""
        limits, tied = best.limits, best.limits.contact.tied
        limited_by = {name for row in best.search.limited_by for names in row for name in names}
        axes, before = [], []
        for side, labels in zip(SIDES, (limits.phases_intake, limits.phases_exhaust), strict=True):
            cam = "intake" if tied else side
            ends = [f"travel {cam} {way}" in limited_by and labels.size > 1 for way in ("retard", "advance")]
            below, axis = _wider(labels, *ends)
            axes.append(axis)
            before.append(below)
        a, b = best.labels.torque.shape[2:]
        first = (before[0], 0 if tied else before[1])
        phases = phase_grid_of(limits.contact, *axes)
        return cls(
            limits=replace(limits, phases_intake=axes[0], phases_exhaust=axes[1]),
            phases=phases,
            first=first,
            travel=Box(first[0], first[0] + a - 1, first[1], first[1] + b - 1),
            rest=(phases.rest[0] // 2, phases.rest[1] // 2),
            top=np.array([max(limits.contact.top_speed, limits.project.tables.rpm[-1])]),
        )

    @property
    def shape(self) -> tuple[int, int]:
        """How many labels each cam has; the exhaust 1 where one phaser moves both."""
        return self.limits.phases_intake.size, 1 if self.limits.contact.tied else self.limits.phases_exhaust.size

    def boxes(
        self,
        contact: Mapping[str, int] | None = None,
        travel: Mapping[str, int] | None = None,
        more: FloatArray | float = 0.0,
    ) -> list[Box]:
        """The largest safe boxes within travel, as labels.

        Parameters: by how many labels outwards each end (`BOX_ENDS`) is moved of the boxes (`contact`) and of the
        `travel`; `more` (c,) mm of clearance.
        """
        safe = safe_places(self.limits.contact, self.phases, self.top, more)[0]
        if not safe[self.phases.rest]:
            raise InputError.one("rest would not be safe", hint="leave more clearance")
        found = [Box(*(place // 2 for place in places)) for places in largest_boxes(safe, self.phases.rest)]
        span = self._moved(self.travel, travel or {})
        return _largest(_common(self._moved(box, contact or {}), span) for box in found)

    def room(self, edge: str, box: Box) -> tuple[int, int]:
        """How many labels an end of a box can be moved inwards to rest, outwards to the end of travel."""
        at, sign = BOX_ENDS[edge]
        return sign * (box[at] - self.rest[at // 2]), sign * (self.travel[at] - box[at])

    def torque(self, today: TorqueMap, surface: TorqueSurface) -> TorqueMap:
        """Torque of every label: today's as known, the others asked of the torque model."""
        inside = np.zeros(self.shape, dtype=np.bool_)
        own = np.s_[self.travel.a_from : self.travel.a_to + 1, self.travel.b_from : self.travel.b_to + 1]
        inside[own] = True
        if inside.all():
            return today
        i, e = np.nonzero(~inside)
        limits = self.limits
        exhaust = limits.phases_exhaust[i if limits.contact.tied else e]
        beyond = torque_of(limits.contact, surface, limits.phases_intake[i], exhaust)

        def filled(old: npt.NDArray[Any], new: Any = np.nan) -> Any:
            whole = np.empty((*old.shape[:2], *self.shape), dtype=old.dtype)
            whole[:, :, ~inside] = new
            whole[(slice(None), slice(None), *own)] = old
            return whole

        names = ("torque", "deviation", "in_reach", "measured")
        return replace(
            today,
            **{name: filled(getattr(today, name), getattr(beyond, name)) for name in names},
            quantities={name: filled(values) for name, values in today.quantities.items()},  # grids end with travel
        )

    def _moved(self, box: Box, steps: Mapping[str, int]) -> Box:
        """A box with ends moved outwards, within the labels and around rest."""
        ends = list(box)
        for edge, count in steps.items():
            at, sign = BOX_ENDS[edge]
            ends[at] += sign * count
        (a, b), (i, e), (low_a, high_a, low_b, high_b) = self.shape, self.rest, ends
        return Box(max(min(low_a, i), 0), min(max(high_a, i), a - 1), max(min(low_b, e), 0), min(max(high_b, e), b - 1))


def _wider(labels: FloatArray, below: bool, above: bool) -> tuple[int, FloatArray]:
    """Labels beyond the ends that limit tables, and how many come before the first of today's."""
    if labels.size < 2:
        return 0, labels
    step = (labels[-1] - labels[0]) / (labels.size - 1)
    more = int(np.ceil(BEYOND_TRAVEL / step))
    low, high = more * below, more * above
    steps = np.arange(-low, labels.size + high)
    return low, np.round(labels[0] + step * steps, 9) + 0.0


def _common(box: Box, span: Box) -> Box:
    return Box(
        max(box.a_from, span.a_from), min(box.a_to, span.a_to), max(box.b_from, span.b_from), min(box.b_to, span.b_to)
    )


def _largest(boxes: Iterable[Box]) -> list[Box]:
    """Those that lie in no other, in order."""
    every = sorted(set(boxes))
    return [box for box in every if not any(other != box and _common(box, other) == box for other in every)]
