"""Every pair of phases at every speed: its gaps and margins, and what refuses it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.model import ContactModel
from phaseopt.clearance.overlap_caps import capped_everywhere
from phaseopt.clearance.phase_grid import PhaseGrid
from phaseopt.values.arrays import BoolArray, FloatArray

if TYPE_CHECKING:
    import xarray as xr


EDGES = ("safe", "intake to piston", "exhaust to piston", "valve to valve", "travel", "overlap cap")
CAPPED = EDGES.index("overlap cap")  # a clear pair with more overlap than any load of a speed allows
TRAVEL = EDGES.index("travel")  # a pair that the hardware cannot take, or the end of what a phaser can reach


@dataclass(frozen=True, eq=False)
class SafePairs:
    """Pairs of labels (a, b) of both cams, at r speeds [rpm], for c contacts.

    `static` and `swept` (a, b, c) gaps [mm], the latter before what speed takes in mm; `margin` (r, a, b, 2, c) above
    each rule [mm]; `edge` (r, a, b) the number in `EDGES` of what refuses a pair: of safe ones an overlap cap, which
    clamps and boxes do not keep (`overlap_caps.py`). Pairs that tied cams cannot take have no gaps and the edge
    "travel".
    """

    contacts: tuple[str, ...]
    speeds: FloatArray
    intake: FloatArray
    exhaust: FloatArray
    static: FloatArray
    swept: FloatArray
    margin: FloatArray
    edge: npt.NDArray[np.int8]

    @classmethod
    def of(
        cls, model: ContactModel, labels: tuple[FloatArray, FloatArray], phases: PhaseGrid, speeds: FloatArray,
        margin: FloatArray, ok: BoolArray,
    ) -> "SafePairs":  # fmt: skip
        """Of the places of a lattice, with their margins (r, a, b, 2, c) and whether they keep both rules (r, a, b)."""
        own = margin[:, ::2, ::2]
        refused = (own.min(axis=3).argmin(axis=-1) + 1).astype(np.int8)
        capped = capped_everywhere(model, speeds, *labels)
        edge = np.where(ok[:, ::2, ::2], np.where(capped, np.int8(CAPPED), np.int8(0)), refused)
        static, swept = phases.gaps.static[::2, ::2], phases.gaps.swept[::2, ::2]
        if model.tied:
            static, swept = (_on_diagonal(gaps, np.nan, axis=0) for gaps in (static, swept))
            own, edge = _on_diagonal(own, np.nan, axis=1), _on_diagonal(edge, TRAVEL, axis=1)
        return cls(model.contacts, speeds, *labels, static, swept, own, edge)

    def dataset(self) -> "xr.Dataset":
        """The same with dims rpm, intake_phase, exhaust_phase and contact."""
        import xarray as xr  # half a second, and `phaseopt limits` does not ask for it

        contact, mm = ("intake_phase", "exhaust_phase", "contact"), {"units": "mm"}
        static_margin, running_margin = self.margin[0, :, :, 0], self.margin[:, :, :, 1]
        safe = (self.edge == 0) | (self.edge == CAPPED)
        codes = {
            "long_name": "what refuses it",
            "flag_values": np.arange(len(EDGES), dtype=np.int8),
            "flag_meanings": " ".join(edge.replace(" ", "_") for edge in EDGES),
        }
        degrees = {"units": "degree"}
        return xr.Dataset(
            {
                "safe": (("rpm", *contact[:2]), safe, {"long_name": "both rules hold for this pair"}),
                "edge": (("rpm", *contact[:2]), self.edge, codes),
                "static": (contact, self.static, mm | {"long_name": "least static clearance, worst case"}),
                "swept": (contact, self.swept, mm | {"long_name": "least clearance with running timing errors"}),
                "static_margin": (contact, static_margin, mm | {"long_name": "static clearance above the minimum"}),
                "running_margin": (
                    ("rpm", *contact), running_margin, mm | {"long_name": "running clearance above the reserve"}
                ),
            },
            {
                "rpm": ("rpm", self.speeds, {"units": "rpm", "long_name": "engine speed"}),
                "intake_phase": (
                    "intake_phase", self.intake, degrees | {"long_name": "intake phase, + = advanced"}
                ),
                "exhaust_phase": (
                    "exhaust_phase", self.exhaust, degrees | {"long_name": "exhaust phase, + = advanced"}
                ),
                "contact": list(self.contacts),
            },
        )  # fmt: skip


def _on_diagonal(values: npt.NDArray[Any], fill: float, axis: int) -> Any:
    """Values along one line (n, 1) at two adjacent axes, on the diagonal of (n, n)."""
    line = np.moveaxis(values, (axis, axis + 1), (0, 1))[:, 0]
    n = len(line)
    square = np.full((n, n, *line.shape[1:]), fill, dtype=values.dtype)
    square[np.arange(n), np.arange(n)] = line
    return np.moveaxis(square, (0, 1), (axis, axis + 1))
