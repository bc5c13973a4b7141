"""Rows of a pull -> its torque points: which groups of rows are points, and the torque of each."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from phaseopt.project import PullKind
from phaseopt.torque.curve import Sweep, sweep_means, sweep_of
from phaseopt.torque.means import correlated_means
from phaseopt.torque.stretches import (
    LEAST_ROWS,
    LOAD_SPREAD,
    PHASE_SPREAD,
    RPM_SPREAD,
    group_means,
    split_groups,
    steady_groups,
    sweep_groups,
)
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

Points = dict[str, npt.NDArray[Any]]
ASIDE = {
    "mixture": ("1", "mean mixture, lambda"),
    "spark_retard": ("degree", "mean spark retard, crank degrees"),
    "spark": ("degree", "mean ignition advance, crank degrees before TDC"),
    "knock": ("1", "mean of the knock flag or count"),
    "exhaust_temperature": ("degC", "mean exhaust gas temperature"),
    "depression": ("kPa", "mean manifold pressure below the barometer, at full throttle"),
}
VARIABLES = {
    "rpm": ("rpm", "mean engine speed"),
    "load": ("kPa", "mean manifold absolute pressure; at full throttle the top of the load axis"),
    "icl": ("degree", "true intake centreline after gas-exchange TDC, crank degrees"),
    "ecl": ("degree", "true exhaust centreline before gas-exchange TDC, crank degrees"),
    "torque": ("N m", "torque at the mean speed, corrected"),
    "scatter": ("N m", "standard error of torque, serial correlation counted"),
    "samples": ("1", "logged rows in the point"),
    "full_throttle": ("1", "whether the point is at full throttle"),
    "pull": ("1", "index of the pull"),
}
_OVERRUN = "no torque made (overrun)"
_GROUPS = {True: "stretches", False: "speed bins"}


@dataclass(frozen=True)
class Rejected:
    """Stretches of a pull that gave no point.

    Parameters
    ----------
    pull
        Its name.
    reason
        Why, in words.
    count
        How many stretches.
    rpm_from, rpm_to
        The speeds between which they lie.

    Examples
    --------
    >>> Rejected("steady-35", "intake phase moves", 4, 1500.0, 3200.0).count
    4
    """

    pull: str
    reason: str
    count: int
    rpm_from: float
    rpm_to: float


@dataclass(frozen=True, eq=False)
class Rows:
    """All rows of a pull, in the program's units; phases in crank degrees from rest.

    `factor` is what torque is multiplied by for the day's air; `late` what one deviation of the dyno's lag changes in
    torque; `step` the seconds from row to row, None where no time is logged; `autocovariance` how the noise of
    differentiated speed repeats from block to block, None where torque was logged. `aside` has mixture and spark retard
    by `ASIDE` name, NaN where not logged.
    """

    file: IntArray
    rpm: FloatArray
    load: FloatArray
    torque: FloatArray
    full: BoolArray
    intake: FloatArray
    exhaust: FloatArray
    factor: FloatArray
    late: FloatArray
    step: float | None = None
    autocovariance: FloatArray | None = None
    aside: Mapping[str, FloatArray] = field(default_factory=dict)

    def subset(self, keep: BoolArray) -> "Rows":
        """The rows where `keep` (n,) is true."""
        return Rows(
            **{
                f.name: getattr(self, f.name)[keep]
                for f in fields(self)
                if f.name not in ("step", "autocovariance", "aside")
            },
            step=self.step,
            autocovariance=self.autocovariance,
            aside={name: values[keep] for name, values in self.aside.items()},
        )


@dataclass(frozen=True, eq=False)
class Draft:
    """The points of a pull; those of a sweep wait for what all sweeps together show of their noise.

    `points` holds `rpm`, `load`, `intake`, `exhaust`, corrected `torque`, `scatter`, `samples` and `full_throttle`,
    (points,) each; `notes` state what was left out, `rejected` the same with one entry a reason. `sweep` is None for
    steady points, whose scatter is known already.
    """

    points: Points
    notes: list[str]
    rejected: list[Rejected]
    sweep: Sweep | None = None


def draft(rows: Rows, kind: PullKind, width: float, name: str) -> Draft:
    """Points of a pull.

    Parameters: `rows`; `kind` of pull; `width` of a speed bin in rpm; `name` of the pull.
    """
    steady = kind == "steady"
    if steady:
        channels = np.stack([rows.rpm, rows.load, rows.intake, rows.exhaust], axis=1)
        group = steady_groups(channels, rows.full, rows.file)
        if np.bincount(group).max() < LEAST_ROWS:
            return _single_rows(rows, name)
    else:
        bins, segment = sweep_groups(rows.rpm, rows.full, rows.file, width)
        group = split_groups(bins, rows.rpm, np.stack([rows.intake, rows.exhaust], axis=1), width)
    faults = dict(_faults(rows, group, steady=steady))
    keep = ~np.any(list(faults.values()), axis=0)
    count = np.count_nonzero(keep)
    torque, scatter, sweep = np.zeros(count), np.zeros(count), None
    point = np.where(keep, np.cumsum(keep) - 1, -1)[group]
    corrected = rows.torque * rows.factor
    if count and steady:
        torque, scatter, _ = correlated_means(corrected, point)
    elif count:
        sweep = sweep_of(corrected, rows.rpm, point, segment, width, rows.step, rows.autocovariance)
    points: Points = {
        name: group_means(getattr(rows, name), group)[0][keep] for name in ("rpm", "load", "intake", "exhaust")
    }
    points |= {"torque": torque, "scatter": scatter, "samples": np.bincount(group)[keep]}
    points["full_throttle"] = group_means(rows.full.astype(np.float64), group)[0][keep] > 0.5
    points["late"] = group_means(rows.late * rows.factor, group)[0][keep]
    points |= {name: group_means(values, group)[0][keep] for name, values in rows.aside.items()}
    left_out = [f"{what} ({np.count_nonzero(bad)})" for what, bad in faults.items() if bad.any()]
    notes = (
        [f"{len(keep) - count} of {len(keep)} {_GROUPS[steady]} left out: {', '.join(left_out)}"] if left_out else []
    )
    if not steady and group.max() > bins.max():
        notes.append("where a phase moves with speed, bins are narrower, each at its own mean phase")
    rejected = [
        _rejected(name, reason, rows.rpm[bad[group]], int(bad.sum())) for reason, bad in faults.items() if bad.any()
    ]
    return Draft(points, notes, rejected, sweep)


def finish(drafts: Sequence[Draft]) -> None:
    """Fill in torque and scatter of sweeps: those on a brake share one noise, those on a roller another."""
    for differentiated in (False, True):
        waiting = [
            (each.points, each.sweep)
            for each in drafts
            if each.sweep is not None and (len(each.sweep.autocovariance) > 1) == differentiated
        ]
        if not waiting:
            continue
        for (points, _), means in zip(waiting, sweep_means([sweep for _, sweep in waiting]), strict=True):
            points["torque"], points["scatter"] = means.torque, np.hypot(means.error, points["late"])


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


def _single_rows(rows: Rows, name: str) -> Draft:
    """A steady log in which nothing holds for a few rows: every row is a point that is averaged already."""
    made = rows.torque > 0
    points: Points = {name: getattr(rows, name)[made] for name in ("rpm", "load", "intake", "exhaust")}
    torque = (rows.torque * rows.factor)[made]
    points |= {"torque": torque, "scatter": np.zeros_like(torque), "samples": np.ones(len(torque), dtype=np.int64)}
    points["full_throttle"] = rows.full[made]
    points |= {name: values[made] for name, values in rows.aside.items()}
    notes = [f"{len(torque)} single rows count as points already averaged, with no scatter of their own"]
    rejected = []
    if not made.all():
        notes.append(f"{np.count_nonzero(~made)} rows left out: {_OVERRUN}")
        rejected.append(_rejected(name, _OVERRUN, rows.rpm[~made], int(np.count_nonzero(~made))))
    return Draft(points, notes, rejected)


def dataset_of(points: Points, names: list[str], correction: str) -> xr.Dataset:
    """Points as a data set over `point`; `names` of the pulls."""
    variables = {
        key: ("point", points[key], {"units": units, "long_name": long_name})
        for key, (units, long_name) in VARIABLES.items()
    }
    aside = {
        key: ("point", points[key], {"units": units, "long_name": long_name})
        for key, (units, long_name) in ASIDE.items()
    }
    return xr.Dataset(
        variables,
        coords={
            "pull_name": ("pull_index", np.array(names, dtype=np.str_), {"long_name": "name of the pull"}),
            **aside,
        },
        attrs={"title": "torque points", "correction": correction},
    )
