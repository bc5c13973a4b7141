"""Both cams' files, or one and a phase of the other cam -> a pair of tables, or of clamps by speed."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.project import SIDES, Project, Side
from phaseopt.table_import.meaning import StatedMeaning
from phaseopt.table_import.reading import Phases, Way, read_phases
from phaseopt.tables import PhaseClamps, PhaseTables
from phaseopt.values.errors import InputError

_MOST = 360.0  # degrees that may be stated


@dataclass(frozen=True)
class Source:
    """Where the phases of a cam come from: a file, or one phase; neither = rest.

    Parameters
    ----------
    path : Path, optional
    stated : Stated, optional
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
class ImportedPair:
    """Both cams as read.

    Attributes
    ----------
    phases : PhaseTables or PhaseClamps
        Tables on the breakpoints of both files, or clamps by speed where either file holds clamps.
    notes : dict
        By cam, how its file was read, or where that cam is without one; sentences.

    Examples
    --------
    >>> tables = PhaseTables.of([1000, 2000], [50, 100], 10.0, 0.0)
    >>> ImportedPair(tables, {"intake": (), "exhaust": ("no file: the cam has no phaser",)}).phases.rpm.tolist()
    [1000.0, 2000.0]
    """

    phases: PhaseTables | PhaseClamps
    notes: dict[Side, tuple[str, ...]]


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
    edge holds. Beside clamps, a table counts as the span of its phases at each speed.

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
    if project.arrangement == "together" and len(read) == 1 and all(source.at is None for source in sources.values()):
        (only,) = read.values()
        read = dict.fromkeys(SIDES, only)
    at = {side: source.at or 0.0 for side, source in sources.items()}
    if any(phases.load is None for phases in read.values()):
        return ImportedPair(_clamps(read, at), notes)
    tables, note = _tables(read, at)
    return ImportedPair(tables, {side: (*words, *note) if side in read else words for side, words in notes.items()})


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


def _tables(read: dict[Side, Phases], at: dict[Side, float]) -> tuple[PhaseTables, tuple[str, ...]]:
    """Both tables on the breakpoints of both, and what was done for that."""
    each = {
        side: PhaseTables.of(phases.rpm, phases.load, phases.cells, 0.0)
        for side, phases in read.items()
        if phases.load is not None
    }
    rpm, load = (np.unique(np.concatenate([getattr(t, name) for t in each.values()])) for name in ("rpm", "load"))
    phases = [each[s].at(rpm[:, np.newaxis], load)[0] if s in each else at[s] for s in SIDES]
    same = all(np.array_equal(t.rpm, rpm) and np.array_equal(t.load, load) for t in each.values())
    note = (
        ()
        if same
        else ("the two tables have different axes: both are read at the breakpoints of both, their loads as one kind",)
    )
    return PhaseTables.of(rpm, load, *phases), note


def _clamps(read: dict[Side, Phases], at: dict[Side, float]) -> PhaseClamps:
    rpm = np.unique(np.concatenate([phases.rpm for phases in read.values()]))
    spans = []
    for side in SIDES:
        if side not in read:
            spans.append(np.full((rpm.size, 2), at[side]))
            continue
        phases = read[side]
        each = np.column_stack([np.interp(rpm, phases.rpm, column) for column in phases.cells.T])
        spans.append(np.column_stack([each.min(axis=1), each.max(axis=1)]))
    return PhaseClamps(rpm, *spans)
