"""The files of `limits`: clamps to enter, limits by speed, the safe set, and the sheet that verifies them.

Phases are crank degrees from rest, + = advanced, as in every table of ours; `check` reads the clamps back.
"""

from collections.abc import Sequence

import numpy as np

from phaseopt.clearance.limits import ENDS, Limits, SafeBox
from phaseopt.clearance.rules import RULES
from phaseopt.clearance.safe_set import EDGES, SafePairs
from phaseopt.output.columns import Column, csv_text
from phaseopt.output.directory import RECORD, record_of
from phaseopt.output.metadata import records_metadata
from phaseopt.project import SIDES, Side
from phaseopt.report.cautions import BEFORE_TURNING
from phaseopt.report.page import page
from phaseopt.report.subjects.limits import limits_document
from phaseopt.report.subjects.sheet import limits_sheet, sheet_page
from phaseopt.values.rounding import rounded_down

_WORDS = dict(
    zip(
        ENDS,
        ("most retarded intake phase", "most advanced intake phase", "most retarded exhaust phase",
         "most advanced exhaust phase"),
        strict=True,
    )
)  # fmt: skip


def limits_files(limits: Limits) -> dict[str, str]:
    """Every file of `limits` by name.

    Returns `intake_clamps.csv` and `exhaust_clamps.csv` of the cams that move: the largest safe box, the same at each
    speed, for only that holds while engine speed changes faster than a phaser moves; `limits.csv`, every box, and what
    is safe alone and together by speed; `safe_set.csv`; CSV-on-the-Web metadata of each; `limits.html`;
    `measuring_sheet.html`; and the record of what was written.
    """
    model = limits.contact
    box = max(limits.boxes, key=lambda box: box.size)
    rpm = limits.alone.rpm
    sides = [side for side in SIDES if model.project.phaser_of(side) is not None]
    records = [
        (f"{side}_clamps.csv", f"Clamps of the {side} phase, safe in any combination", _clamp_columns(box, side, rpm))
        for side in sides
    ]
    records += [
        ("limits.csv", "Safe boxes, and limits by speed alone and together", limit_columns(limits, limits.boxes, rpm)),
        ("safe_set.csv", "Every pair of phases at every speed, and what refuses it", _safe_columns(limits.pairs)),
    ]
    files: dict[str, str] = {}
    notes = (BEFORE_TURNING, f"Not covered: {', '.join(model.not_covered)}.")
    for name, title, columns in records:
        files[name] = csv_text(columns)
        files[f"{name}-metadata.json"] = records_metadata(name, title, columns, notes)
    files["limits.html"] = page(limits_document(limits), "phaseopt limits")
    files["measuring_sheet.html"] = sheet_page(limits_sheet(limits))
    files[RECORD] = record_of(files)
    return files


def limit_columns(limits: Limits, boxes: Sequence[SafeBox], rpm: np.ndarray, safe: bool = True) -> list[Column]:
    """Boxes to enter as clamps first, good up to the last speed, then each speed alone and together.

    Not `safe`: the boxes are but the span of tables that keep the looser rule between cells, and are called so.
    """
    kinds, rows, edges = [], [], []
    for box in boxes:
        kinds.append("box" if safe else "span")
        rows.append([float(rpm[-1]), *(getattr(box, end) for end in ENDS)])
        edges.append(["", ""])
    for kind, found in (("alone", limits.alone), ("together", limits.together)):
        for r, speed in enumerate(found.rpm):
            kinds.append(kind)
            rows.append([float(speed), *(float(getattr(found, end)[r]) for end in ENDS)])
            edges.append([getattr(found, f"{side}_limited_by")[r] for side in SIDES])
    numbers = np.array(rows)
    return [
        Column(
            "kind",
            "box: safe in any combination, the clamps to enter; span: of the tables, not safe so; alone: safe with the "
            "other cam at rest; together: safe with each other at this speed",
            kinds,
        ),
        Column("rpm", "for a box up to this speed, else at it", numbers[:, 0], "rpm"),
        *(Column(end, _WORDS[end], numbers[:, 1 + k], "degree", 3) for k, end in enumerate(ENDS)),
        Column("intake_limited_by", "what limits further intake advance", [row[0] for row in edges]),
        Column("exhaust_limited_by", "what limits further exhaust retard", [row[1] for row in edges]),
    ]


def _clamp_columns(box: SafeBox, side: Side, rpm: np.ndarray) -> list[Column]:
    low, high = (getattr(box, f"{side}_{end}") for end in ("from", "to"))
    return [
        Column("rpm", "engine speed", rpm, "rpm"),
        Column("from", _WORDS[f"{side}_from"], np.full(rpm.size, low), "degree", 3),
        Column("to", _WORDS[f"{side}_to"], np.full(rpm.size, high), "degree", 3),
    ]


def _safe_columns(pairs: SafePairs) -> list[Column]:
    """A row for each pair that the hardware can take; margins rounded down."""
    keep = ~np.isnan(pairs.static[..., 0])
    axes = np.meshgrid(pairs.speeds, pairs.intake, pairs.exhaust, indexing="ij")
    listed = np.broadcast_to(keep, axes[0].shape)
    columns = [
        Column("rpm", "engine speed", axes[0][listed], "rpm"),
        Column("intake_phase", "intake phase", axes[1][listed], "degree", 3),
        Column("exhaust_phase", "exhaust phase", axes[2][listed], "degree", 3),
        Column("edge", "safe, or what refuses the pair", [EDGES[code] for code in pairs.edge[listed]]),
    ]
    for c, contact in enumerate(pairs.contacts):
        words = contact.replace("_", " to ")
        for r, rule in enumerate(RULES):
            down = rounded_down(pairs.margin[..., r, c][listed])
            columns.append(
                Column(f"{contact}_{rule}_margin", f"{words}: clearance above the {rule} rule", down, "mm", 3)
            )
    return columns
