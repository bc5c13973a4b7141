"""Two finished builds side by side: what went in, and what came out of it.

Everything is read from what the builds wrote. Torque and tables on unlike axes are read where both speak, between
breakpoints as a controller reads them.
"""

import csv
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from phaseopt.clearance.contacts import CONTACTS
from phaseopt.job.gains import between_curves, shared_axis
from phaseopt.output.read_build import FinishedBuild
from phaseopt.output.records.build import CarriedRecord, DipRecord, RunRecord
from phaseopt.project import SIDES, Side
from phaseopt.report.limit_costs import limit_words
from phaseopt.tables import read_table
from phaseopt.torque_model.shared_unknowns import Unknowns
from phaseopt.values.display_units import INCH, METRIC, DisplayUnits, power_kw
from phaseopt.values.errors import InputError

RULES = ("static", "running")
PeakPower = tuple[float, float, float]  # power in kW, the speed it is at, and the standard deviation of the power
Dips = tuple[list[DipRecord], list[DipRecord], list[tuple[DipRecord, DipRecord]]]


@dataclass(frozen=True)
class Difference:
    """Something that is not the same in both builds; None = it is not there."""

    what: str
    first: Any
    second: Any


@dataclass(frozen=True)
class LeastClearance:
    """The least clearance of a contact over all cells by one rule, and its cell: mm, rpm, load."""

    clearance: float
    rpm: float
    load: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """What changed from a first build to a second.

    Parameters
    ----------
    builds
        Both.
    keys, files
        What changed in the project file, by key, and input files that are not the same or are only in one.
    tables
        By side that both have: dims rpm, load; `first`, `second`, `difference` in crank degrees where both speak.
    clamps
        Edges of the safe box, crank degrees.
    clearances
        By contact and rule: the least clearance in the first and in the second.
    travel
        The verdicts on full travel.
    torque
        Full load, dim rpm, at speeds that were measured where any were: `first`, `second`, `difference` and its
        `deviation`, N·m, as `between_curves` gives them; None where no speed is shared.
    mean
        Mean over the shared speeds by the trapezoid rule: first, second, difference, its deviation.
    dips
        Dips at full load: those only in the first, those only in the second, those in both (first, second).
    prices
        N·m a cell, by limit and what it is per.
    peaks
        Peak power at full throttle of each, kW, its speed and standard deviation, at speeds that were measured where
        any were; None where it is not known.
    old_drops
        Sides whose drop readings are the same in both, though the parts below them are not: `bottom_end` has those.
    undated
        Cams whose installed offset is another in the second, though the same pulls state none: each build counts them
        at its own.
    apart
        What cannot be compared, in words.
    """

    builds: tuple[FinishedBuild, FinishedBuild]
    keys: tuple[Difference, ...]
    files: tuple[Difference, ...]
    tables: dict[Side, xr.Dataset]
    clamps: tuple[Difference, ...]
    clearances: dict[tuple[str, str], tuple[LeastClearance, LeastClearance]]
    travel: tuple[str, str]
    torque: xr.Dataset | None
    mean: tuple[float, float, float, float] | None
    dips: Dips
    limit_costs: tuple[Difference, ...]
    peaks: tuple[PeakPower | None, PeakPower | None]
    old_drops: tuple[Side, ...]
    bottom_end: tuple[Difference, ...]
    undated: tuple[Side, ...]
    apart: tuple[str, ...]

    @property
    def names(self) -> tuple[str, str]:
        """What both builds are called, with their directory where the project's name is the same."""
        found = [build.record.project for build in self.builds]
        if found[0] != found[1]:
            return found[0], found[1]
        return str(self.builds[0].directory), str(self.builds[1].directory)

    @property
    def carried(self) -> tuple[CarriedRecord | None, CarriedRecord | None]:
        """What each build carried its drop readings over to."""
        first, second = self.builds
        return first.record.carried_drops, second.record.carried_drops

    @property
    def paired(self) -> bool:
        """Whether deviations of torque count what both builds share once; else they are the most that they can be."""
        return self.torque is not None and bool(self.torque["paired"])

    @property
    def mostly_shared(self) -> bool:
        """Whether that leaves less than half of the mean difference's deviation."""
        if self.torque is None or not self.paired:
            return False
        return float(self.torque["mean_deviation"]) < 0.5 * float(self.torque["mean_at_most"])

    @property
    def corrected(self) -> tuple[float, float] | None:
        """The mean difference by what the pulls of one build show of the other's simulation, and its deviation, N·m.

        None where both rest on pulls, or neither.
        """
        if self.torque is None or self.mean is None or not float(self.torque["mean_off"]):
            return None
        return self.mean[2] + float(self.torque["mean_off"]), float(self.torque["deviation_about"])

    @property
    def display_units(self) -> DisplayUnits:
        """The units that the second build's project asks for."""
        project = self.builds[1].record.project_file
        report = project.get("report")
        asked = report.get("units") if isinstance(report, dict) else None
        return INCH if (asked or project.get("units")) == "inch" else METRIC

    @property
    def same(self) -> bool:
        """Whether nothing differs."""
        one, other = (build.record for build in self.builds)
        return one == other


def compare(first: FinishedBuild, second: FinishedBuild) -> Comparison:
    """Compare two builds.

    Parameters
    ----------
    first, second : FinishedBuild
        Both, as `read_build` gives them.

    Returns
    -------
    Comparison
        Differences second less first, phases in crank degrees, torque in N·m, clearances in mm.

    Raises
    ------
    InputError
        Where a file of theirs does not hold what a build writes.

    Examples
    --------
    >>> import phaseopt as po
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     _ = po.write_build(folder, po.build(po.load_project("examples/intake_only/project.toml")))
    ...     found = compare(po.read_build(folder), po.read_build(folder))
    >>> found.same, found.tables["intake"]["difference"].attrs["units"]
    (True, 'degree')
    """
    try:
        return _compared(first, second)
    except InputError:
        raise
    except (AttributeError, IndexError, KeyError, RecursionError, TypeError, ValueError) as error:
        raise InputError.one(
            f"the records or cells of {first.directory} and {second.directory} do not hold what a build writes",
            hint="build both again",
        ) from error


def _compared(first: FinishedBuild, second: FinishedBuild) -> Comparison:
    builds = (first, second)
    one, other = (build.record for build in builds)
    cells = [_cells(build) for build in builds]
    apart = []
    tables: dict[Side, xr.Dataset] = {}
    for side in SIDES:
        paths = [build.file(f"{side}_phase.csv") for build in builds]
        if paths[0] is not None and paths[1] is not None:
            found = _tables(read_table(paths[0]), read_table(paths[1]))
            if found is None:
                apart.append(f"the {side} tables have no speed or load in common")
            else:
                tables[side] = found
        elif paths[0] is not paths[1]:
            apart.append(f"only one of the builds has a table of the {side} cam")
    clearances: dict[tuple[str, str], tuple[LeastClearance, LeastClearance]] = {}
    for contact in CONTACTS:
        covered = [f"{contact}_static" in rows[0] for rows in cells]
        if all(covered):
            least = [[_least(rows, contact, rule) for rows in cells] for rule in RULES]
            clearances |= {(contact, rule): (a, b) for rule, (a, b) in zip(RULES, least, strict=True)}
        elif any(covered):
            apart.append(f"{contact.replace('_', ' to ')} is covered by only one of the builds")
    torque = _torque(cells[0], cells[1], (_unknowns(one), _unknowns(other)))
    if torque is None:
        apart.append("torque at full load is known at no speed that both share")
    return Comparison(
        builds,
        tuple(_changes(dict(_flat(one.project_file)), dict(_flat(other.project_file)))),
        tuple(_changes(one.inputs_sha256, other.inputs_sha256)),
        tables,
        tuple(_changes(one.search.clamps.model_dump(), other.search.clamps.model_dump())),
        clearances,
        (one.verdict.full_travel.sentence, other.verdict.full_travel.sentence),
        torque,
        None if torque is None else _mean(torque),
        _dips(*(_at_full_load(build, rows) for build, rows in zip(builds, cells, strict=True))),
        tuple(_changes(_costs(one), _costs(other))),
        (_peak(cells[0]), _peak(cells[1])),
        *_old_drops(one, other),
        _undated(one.project_file, other.project_file),
        tuple(apart),
    )


def _flat(value: Any, under: str = "") -> Iterator[tuple[str, Any]]:
    """Keys of a project file as one writes them, with their values; entries of a list by their number from 1."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _flat(inner, f"{under}.{name}" if under else name)
    elif isinstance(value, list) and any(isinstance(each, dict) for each in value):
        for number, inner in enumerate(value, start=1):
            yield from _flat(inner, f"{under} {number}")
    else:
        yield under, value


def _changes(first: Mapping[str, Any], second: Mapping[str, Any]) -> Iterator[Difference]:
    for what in [*first, *(name for name in second if name not in first)]:
        if first.get(what) != second.get(what):
            yield Difference(what, first.get(what), second.get(what))


def _cells(build: FinishedBuild) -> list[dict[str, str]]:
    path = build.file("cells.csv")
    rows = [] if path is None else list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
    if not rows:
        raise InputError.one("the build has no cells", hint="build it again", file=build.directory)
    return rows


def _number(text: str) -> float:
    return float(text) if text else float("nan")


def _tables(first: xr.DataArray, second: xr.DataArray) -> xr.Dataset | None:
    axes = {name: shared_axis(first[name].to_numpy(), second[name].to_numpy()) for name in ("rpm", "load")}
    if not all(axis.size for axis in axes.values()):
        return None
    one, other = (table.interp(axes) for table in (first, second))
    return xr.Dataset({"first": one, "second": other, "difference": other - one})


def _least(rows: list[dict[str, str]], contact: str, rule: str) -> LeastClearance:
    row = min(rows, key=lambda each: float(each[f"{contact}_{rule}"]))
    return LeastClearance(float(row[f"{contact}_{rule}"]), float(row["rpm"]), float(row["load"]))


def _top(rows: list[dict[str, str]]) -> float:
    """The load of the full-throttle row."""
    return max(float(row["load"]) for row in rows)


def _unknowns(record: RunRecord) -> Unknowns | None:
    return None if record.unknowns is None else record.unknowns.unknowns()


def _torque(
    first: list[dict[str, str]], second: list[dict[str, str]], unknowns: tuple[Unknowns | None, Unknowns | None]
) -> xr.Dataset | None:
    curves = []
    for rows in (first, second):
        at_full = [row for row in rows if float(row["load"]) == _top(rows)]
        names = ("rpm", "torque", "torque_sd")
        curves.append(np.array([[*(_number(row[n]) for n in names), row["measured"] == "yes"] for row in at_full]))
    return between_curves(curves[0], curves[1], unknowns)


def _mean(torque: xr.Dataset) -> tuple[float, float, float, float]:
    first, second, deviation = (float(torque[f"mean_{name}"]) for name in ("first", "second", "deviation"))
    return first, second, second - first, deviation


def _at_full_load(build: FinishedBuild, rows: list[dict[str, str]]) -> list[DipRecord]:
    return [dip for dip in build.record.dips if dip.load == _top(rows)]


def _dips(first: list[DipRecord], second: list[DipRecord]) -> Dips:
    """Dips are the same where their spans of speed meet."""
    both = [(a, b) for a in first for b in second if a.from_rpm <= b.to_rpm and b.from_rpm <= a.to_rpm]
    gone = [dip for dip in first if all(dip is not a for a, _ in both)]
    return gone, [dip for dip in second if all(dip is not b for _, b in both)], both


def _costs(record: RunRecord) -> dict[str, float | None]:
    costs = record.limit_costs
    found = {f"{limit_words(each.limit)}, {each.per}": each.score_Nm_a_cell for each in costs.limits}
    deeper = costs.pockets_deeper_Nm_a_cell
    return found | ({} if deeper is None else {f"pockets {costs.pockets_deeper_mm:g} mm deeper": deeper})


def _peak(rows: list[dict[str, str]]) -> PeakPower | None:
    """Peak power at full throttle, as a build gives it: at measured speeds where any are."""
    at_full = [row for row in rows if float(row["load"]) == _top(rows) and row["torque"]]
    measured = [row for row in at_full if row["measured"] == "yes"] or at_full
    if not measured:
        return None
    read = ("rpm", "torque", "torque_sd")
    rpm, torque, deviation = np.array([[_number(row[name]) for name in read] for row in measured]).T
    power = power_kw(torque, rpm)
    at = int(power.argmax())
    return float(power[at]), float(rpm[at]), float(power_kw(deviation, rpm)[at])


# What sets how near a piston comes, and the keys of drop.measured_with that carry readings over to another.
_DIMENSIONS = ("deck", "compression_height", "gasket", "skimmed", "pocket_depth")
_BOTTOM_END: dict[str, tuple[str, ...]] = {
    "crank.stroke": ("stroke",),
    "crank.rod": ("rod",),
    "crank.pin_offset": (),
    "crank.compression_ratio": _DIMENSIONS,  # of another piston, deck or gasket
    "gap.running.rod.reciprocating_mass": _DIMENSIONS,  # of another piston
}


def _old_drops(first: RunRecord, second: RunRecord) -> tuple[tuple[Side, ...], tuple[Difference, ...]]:
    """Sides whose drop readings are the same in both builds, and what differs below them without being carried over."""
    files = [dict(_flat(each.project_file)) for each in (first, second)]
    carried = {key.rpartition(".")[2] for each in files for key in each if key.startswith("drop.measured_with.")}
    parts = tuple(
        change for change in _changes(files[0], files[1])
        if change.what in _BOTTOM_END and not carried & set(_BOTTOM_END[change.what])
    )  # fmt: skip
    if not parts:
        return (), ()
    sides = [side for side in SIDES if _readings(first, side) & _readings(second, side)]
    return tuple(sides), parts if sides else ()


def _undated(first: dict[str, Any], second: dict[str, Any]) -> tuple[Side, ...]:
    """Cams that were fitted elsewhere, while the same pulls state no offset."""
    torque = first.get("torque")
    if torque is None or torque != second.get("torque"):
        return ()
    pulls = torque.get("pulls", []) or [{}]

    def stated(side: Side) -> bool:
        return side in torque.get("offsets", {}) or all(side in pull.get("offsets", {}) for pull in pulls)

    return tuple(side for side in SIDES
                 if first[side].get("offset", 0.0) != second[side].get("offset", 0.0) and not stated(side))  # fmt: skip


def _readings(record: RunRecord, side: Side) -> set[str]:
    """Each source of measured drops of a side, so that the same one is equal: files by their hash."""
    drop = record.project_file.get("drop", {}).get(side, {})
    files = drop.get("readings", [])
    found = {record.inputs_sha256.get(os.path.normpath(name).replace(os.sep, "/"), name)
             for name in ([files] if isinstance(files, str) else files)}  # fmt: skip
    return found | {f"{key} {drop[key]}" for key in ("around_tdc", "at_tdc", "clay") if key in drop}
