"""Both cams' files, or one and a phase of the other cam -> a pair of tables or clamps, in every reading that fits."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from phaseopt.project import SIDES, Channel, Project, Side
from phaseopt.table_import.meaning import StatedMeaning, as_read
from phaseopt.table_import.reading import Phases, Way, read_phases
from phaseopt.tables import PhaseClamps, PhaseTables
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

_MOST = 360.0  # degrees that may be stated


@dataclass(frozen=True)
class Source:
    """Where the phases of a cam come from: a file, or one phase; neither = rest.

    Parameters
    ----------
    path : Path, optional
    stated : StatedMeaning, optional
        What is stated of the file's numbers.
    at : float, optional
        One phase [crank deg from rest], + = advanced.

    Examples
    --------
    >>> Source(at=-5.0).path is None
    True
    """

    path: Path | None = None
    stated: StatedMeaning | None = None
    at: float | None = None


@dataclass(frozen=True, eq=False)
class PairReading:
    """Both cams by one way of counting of each file.

    Attributes
    ----------
    phases : PhaseTables or PhaseClamps
        Tables on the breakpoints of both files, or clamps by speed where either file holds clamps, or where their loads
        are not one kind.
    ways : dict
        By cam with a file, how its numbers count.

    Examples
    --------
    >>> tables = PhaseTables.of([1000, 2000], [50, 100], 10.0, 0.0)
    >>> PairReading(tables, {"intake": Channel(sign=1, zero=0.0, **{"in": "cam deg"})}).words
    'intake as cam degrees, 0 at rest, + = advanced'
    """

    phases: PhaseTables | PhaseClamps
    ways: Mapping[Side, Channel]

    @property
    def words(self) -> str:
        """How the files are read here."""
        return "; ".join(f"{side} as {as_read(way)}" for side, way in self.ways.items())


@dataclass(frozen=True, eq=False)
class ImportedPair:
    """Both cams as read.

    Attributes
    ----------
    readings : tuple of PairReading
        One where what the numbers mean is stated or only one meaning fits the phasers; else all that fit.
    notes : dict
        By cam, how its file was read, or where that cam is without one; sentences.
    files : dict
        By cam, the file where there is one.

    Examples
    --------
    >>> tables = PhaseTables.of([1000, 2000], [50, 100], 10.0, 0.0)
    >>> pair = ImportedPair((PairReading(tables, {}),), {"intake": (), "exhaust": ("no file",)}, {})
    >>> pair.phases.rpm.tolist(), pair.settled_by
    ([1000.0, 2000.0], ())
    """

    readings: tuple[PairReading, ...]
    notes: dict[Side, tuple[str, ...]]
    files: Mapping[Side, Path]

    @property
    def phases(self) -> PhaseTables | PhaseClamps:
        """Phases in the first reading."""
        return self.readings[0].phases

    @property
    def settled_by(self) -> tuple[str, ...]:
        """Options that leave one reading of those there are."""
        options = []
        for side in self.files:
            ways = list(dict.fromkeys((way.sign, way.unit, way.zero) for way in (r.ways[side] for r in self.readings)))
            for k, option in enumerate(("sign", "in", "zero")):
                values = list(dict.fromkeys(way[k] for way in ways))
                if len(values) > 1:
                    words = " or ".join(str(each).removesuffix(" deg").removesuffix(".0") for each in values)
                    options.append(f"--{side}-{option} {words}")
                    ways = [way for way in ways if way[k] == values[0]]
        return tuple(options)


def read_pair(project: Project, intake: Source, exhaust: Source, rpm: Way | None = None) -> ImportedPair:
    """Read what is given for both cams.

    A cam without a file is at its stated phase, or at rest; where one phaser moves both cams, one file is both.

    Parameters
    ----------
    project : Project
    intake, exhaust : Source
    rpm : "across" or "down", optional
        Which way engine speed runs, where the files do not settle it.

    Returns
    -------
    ImportedPair

    Raises
    ------
    InputError
        What `read_phases` refuses; no file at all; a file and a phase for the same cam; a number stated that is not
        finite, or of a file that is not given.

    Notes
    -----
    Tables with different axes are read bilinearly at the breakpoints of both, as a controller does; beyond an axis the
    edge holds. Beside clamps, a table counts as the span of its phases at each speed; so do both tables where their
    loads are not surely one kind, such as kPa and percent of throttle.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> project, start = load_project("examples/hillclimb/project.toml"), Path("maps/hillclimb-start")
    >>> found = read_pair(project, Source(start / "intake_phase.csv"), Source(at=-5.0))
    >>> float(found.phases.exhaust.min()), found.notes["exhaust"]
    (-5.0, ('no file: the cam is at -5° everywhere, as stated',))
    """
    sources: dict[Side, Source] = {"intake": intake, "exhaust": exhaust}
    for side, source in sources.items():
        _require_sense(side, source)
    read = {
        side: read_phases(project, side, source.path, source.stated, rpm)
        for side, source in sources.items()
        if source.path is not None
    }
    if not read:
        raise InputError.one("no table is given", hint="name one after --intake or --exhaust, or both")
    notes = {side: read[side].notes if side in read else (_no_file(project, side, sources[side]),) for side in SIDES}
    files = {side: source.path for side, source in sources.items() if source.path is not None}
    at = {side: source.at or 0.0 for side, source in sources.items()}
    one_kind = _one_kind_of_load(read)
    both = (
        project.arrangement == "together" and len(read) == 1 and all(source.at is None for source in sources.values())
    )
    readings = []
    for ways in product(*(range(len(phases.ways)) for phases in read.values())):
        each = {side: (phases, phases.each[way]) for (side, phases), way in zip(read.items(), ways, strict=True)}
        counted = {side: phases.ways[way] for (side, phases), way in zip(read.items(), ways, strict=True)}
        if both:
            each = dict.fromkeys(SIDES, *each.values())
        found = _tables(each, at) if one_kind else _clamps(each, at)
        readings.append(PairReading(found, counted))
    note = _axes_note(read, one_kind)
    return ImportedPair(
        tuple(readings), {side: (*words, *note) if side in read else words for side, words in notes.items()}, files
    )


def _require_sense(side: Side, source: Source) -> None:
    stated = source.stated or StatedMeaning()
    if source.path is not None and source.at is not None:
        raise InputError.one(f"both a file and a phase for the {side} cam", hint=f"leave out --{side} or --{side}-at")
    if source.path is None and stated != StatedMeaning():
        hint = f"name the file after --{side}, or leave its sign, zero and degrees out"
        raise InputError.one(f"sign, zero or degrees of an {side} table that is not given", hint=hint)
    for option, number in (("at", source.at), ("zero", stated.zero)):
        if number is not None:
            require_phase(f"--{side}-{option}", number)


def require_phase(option: str, number: float) -> None:
    """Refuse a stated number that no phase can be."""
    if not abs(number) <= _MOST:
        raise InputError.one(f"{option} {number} is no phase", hint=f"give degrees, {_MOST:g} at most")


def _no_file(project: Project, side: Side, source: Source) -> str:
    if source.at is not None:
        return f"no file: the cam is at {source.at:g}° everywhere, as stated"
    if project.phaser_of(side) is None:
        return "no file: the cam has no phaser"
    if project.arrangement == "together":
        return "no file: one phaser moves both cams, so the other cam's file counts for it"
    return f"no file: the cam is at rest everywhere (change it with --{side}-at)"


def _one_kind_of_load(read: Mapping[Side, Phases]) -> bool:
    """Whether a load of one file is the same load in the other; clamps have none."""
    if any(phases.load is None for phases in read.values()):
        return False
    if len(read) == 1:
        return True
    (unit, load), (other_unit, other_load) = ((phases.load_unit, phases.load) for phases in read.values())
    assert load is not None
    assert other_load is not None
    return unit == other_unit and (unit != "" or np.array_equal(load, other_load))


def _axes_note(read: Mapping[Side, Phases], one_kind: bool) -> tuple[str, ...]:
    """What is done with two axes that differ."""
    if len(read) == 1:
        return ()
    one, other = read.values()
    if one.load is None or other.load is None:
        return ()
    if not one_kind:
        units = " and ".join(phases.load_unit or "a unit not stated" for phases in read.values())
        return (f"loads in {units} are not one kind: at each speed any phase of one cam may meet any of the other",)
    if np.array_equal(one.rpm, other.rpm) and np.array_equal(one.load, other.load):
        return ()
    return ("the two tables have different axes: both are read at the breakpoints of both",)


def _tables(read: Mapping[Side, tuple[Phases, FloatArray]], at: Mapping[Side, float]) -> PhaseTables:
    """Both tables on the breakpoints of both."""
    each = {
        side: PhaseTables.of(found.rpm, found.load, cells, 0.0)
        for side, (found, cells) in read.items()
        if found.load is not None
    }
    rpm, load = (np.unique(np.concatenate([getattr(t, name) for t in each.values()])) for name in ("rpm", "load"))
    intake, exhaust = (each[s].at(rpm[:, np.newaxis], load)[0] if s in each else at[s] for s in SIDES)
    return PhaseTables.of(rpm, load, intake, exhaust, next(iter(read.values()))[0].load_unit)


def _clamps(read: Mapping[Side, tuple[Phases, FloatArray]], at: Mapping[Side, float]) -> PhaseClamps:
    rpm = np.unique(np.concatenate([found.rpm for found, _ in read.values()]))
    spans = []
    for side in SIDES:
        if side not in read:
            spans.append(np.full((rpm.size, 2), at[side]))
            continue
        found, cells = read[side]
        each = np.column_stack([np.interp(rpm, found.rpm, column) for column in cells.T])
        spans.append(np.column_stack([each.min(axis=1), each.max(axis=1)]))
    return PhaseClamps(rpm, *spans)
