"""Rows of a pull -> its torque points: which groups of rows are points, and what each says."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from phaseopt.project import Kind
from phaseopt.torque.means import LEAST_BLOCKS, correlated_means
from phaseopt.torque.stretches import (
    LEAST_ROWS,
    LOAD_SPREAD,
    PHASE_SPREAD,
    RPM_SPREAD,
    group_means,
    steady_groups,
    sweep_groups,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Points = dict[str, npt.NDArray[Any]]
_OVERRUN = "no torque made (overrun)"


@dataclass(frozen=True)
class Rejected:
    """Stretches of a pull that gave no point: how many, why, and between which speeds they lie [rpm]."""

    pull: str
    reason: str
    count: int
    rpm_from: float
    rpm_to: float


@dataclass(frozen=True, eq=False)
class Rows:
    """All rows of a pull, in the program's units; phases in crank degrees from rest."""

    file: IntArray
    rpm: FloatArray
    load: FloatArray
    torque: FloatArray
    full: BoolArray
    intake: FloatArray
    exhaust: FloatArray
    factor: FloatArray


def points_of(rows: Rows, kind: Kind, width: float, name: str) -> tuple[Points, list[str], list[Rejected]]:
    """Points of a pull, in words what was left out, and the same stretch by stretch.

    Parameters: `rows`; `kind` of pull; `width` of a speed bin in rpm; `name` of the pull.
    Returns `rpm`, `load`, `intake`, `exhaust`, corrected `torque`, `scatter`, `samples` and `full_throttle`, (points,)
    each, notes, and what was rejected, one entry a reason.
    """
    wide: IntArray | None = None
    if kind == "sweep":
        group, wide = sweep_groups(rows.rpm, rows.full, rows.file, width)
    else:
        channels = np.stack([rows.rpm, rows.load, rows.intake, rows.exhaust], axis=1)
        group = steady_groups(channels, rows.full, rows.file)
        if np.bincount(group).max() < LEAST_ROWS:
            return _single_rows(rows, name)
    faults = dict(_faults(rows, group, steady=kind == "steady"))
    keep = ~np.any(list(faults.values()), axis=0)
    torque, scatter = np.zeros(len(keep)), np.zeros(len(keep))
    if keep.any():
        number = np.where(keep, np.cumsum(keep) - 1, -1)
        means = correlated_means(rows.torque * rows.factor, rows.rpm, number[group], wide)
        torque[keep], scatter[keep] = means.torque, means.error
        if kind == "sweep":
            short = keep.copy()
            short[keep] = means.blocks < LEAST_BLOCKS
            faults["much shorter than the others"] = short
            keep &= ~short
    points: Points = {
        name: group_means(getattr(rows, name), group)[0][keep] for name in ("rpm", "load", "intake", "exhaust")
    }
    points |= {"torque": torque[keep], "scatter": scatter[keep], "samples": np.bincount(group)[keep]}
    points["full_throttle"] = group_means(rows.full.astype(np.float64), group)[0][keep] > 0.5
    left_out = [f"{np.count_nonzero(bad)}: {what}" for what, bad in faults.items() if bad.any()]
    what = "speed bins" if kind == "sweep" else "stretches"
    said = f"{np.count_nonzero(~keep)} of {len(keep)} {what} left out ({', '.join(left_out)})"
    rejected = [
        _rejected(name, what, rows.rpm[bad[group]], int(bad.sum())) for what, bad in faults.items() if bad.any()
    ]
    return points, [said] if left_out else [], rejected


def _rejected(name: str, reason: str, rpm: FloatArray, count: int) -> Rejected:
    return Rejected(name, reason, count, float(rpm.min()), float(rpm.max()))


def _faults(rows: Rows, group: IntArray, *, steady: bool) -> Iterator[tuple[str, BoolArray]]:
    """Why a group of rows is no point, each group under the first reason that holds."""
    yield f"fewer than {LEAST_ROWS} rows", (found := np.bincount(group) < LEAST_ROWS)
    overrun = (group_means(rows.torque, group)[0] <= 0) & ~found
    found = found | overrun
    yield _OVERRUN, overrun
    part = group_means(rows.full.astype(np.float64), group)[0] < 0.5
    checks = [
        ("intake phase moves", rows.intake, PHASE_SPREAD, np.ones_like(part)),
        ("exhaust phase moves", rows.exhaust, PHASE_SPREAD, np.ones_like(part)),
        ("manifold pressure moves", rows.load, LOAD_SPREAD, part),
    ]
    if steady:
        checks.append(("speed moves", rows.rpm, RPM_SPREAD, np.ones_like(part)))
    for what, values, limit, where in checks:
        moves = (group_means(values, group)[1] > limit) & where & ~found
        found = found | moves
        yield what, moves


def _single_rows(rows: Rows, name: str) -> tuple[Points, list[str], list[Rejected]]:
    """A steady log in which nothing holds for a few rows: every row is a point somebody has averaged already."""
    made = rows.torque > 0
    points: Points = {name: getattr(rows, name)[made] for name in ("rpm", "load", "intake", "exhaust")}
    torque = (rows.torque * rows.factor)[made]
    points |= {"torque": torque, "scatter": np.zeros_like(torque), "samples": np.ones(len(torque), dtype=np.int64)}
    points["full_throttle"] = rows.full[made]
    said = [f"{len(torque)} single rows are taken as points already averaged, their scatter unknown (counted as none)"]
    rejected = []
    if not made.all():
        said.append(f"{np.count_nonzero(~made)} rows left out: {_OVERRUN}")
        rejected.append(_rejected(name, _OVERRUN, rows.rpm[~made], int(np.count_nonzero(~made))))
    return points, said, rejected
