"""The importer held against invented files (`tests/outside/table_files.py`): what it makes of each."""

import tempfile
from pathlib import Path

import numpy as np
from hillclimb import pulls_alone
from outside.table_files import Engine, TableFile

from phaseopt.project import SIDES, Project
from phaseopt.table_import import ImportedPair, Source, read_pair
from phaseopt.tables import PhaseClamps, PhaseTables
from phaseopt.values.errors import InputError

WITHIN = 1e-6  # crank degrees
OUTCOMES = ("right", "refused", "among several", "wrong")


def project_with(engine: Engine) -> Project:
    """The hill-climb engine with the phasers and centrelines of an invented one."""
    project = pulls_alone()
    changes: dict[str, object] = {}
    for side in SIDES:
        cam = project.cam(side)
        assert cam.phaser is not None
        phaser = cam.phaser.model_copy(update={"travel": engine.travel[side], "rest_until": engine.rest_until})
        nominal = {"centreline": engine.nominal[side], "offset": engine.offset[side], "phaser": phaser}
        nominal |= {"degree_in": None, "spring": None}  # those of another engine
        changes[side] = cam.model_copy(update=nominal)
    crank = project.crank.model_copy(update={"redline": engine.redline, "overspeed": engine.top_speed})
    return project.model_copy(update={**changes, "crank": crank})


def read(project: Project, file: TableFile) -> ImportedPair:
    """The file as `phaseopt check` reads it, the other cam at rest."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / file.name
        path.write_bytes(file.data)
        given = {"intake": Source(), "exhaust": Source()} | {file.given_as: Source(path)}
        return read_pair(project, given["intake"], given["exhaust"])


def holds(found: PhaseTables | PhaseClamps, file: TableFile) -> bool:
    """Whether these are the file's true phases, at its true speeds and in the order of its loads."""
    if isinstance(found, PhaseClamps) != (file.load is None) or not np.array_equal(found.rpm, file.rpm):
        return False
    if isinstance(found, PhaseTables) and not np.array_equal(found.load, file.load):
        return False
    phases = np.asarray(found.of_side(file.given_as))
    return phases.shape == file.phases.shape and bool(np.abs(phases - file.phases).max() <= WITHIN)


def outcome(project: Project, file: TableFile) -> tuple[str, ImportedPair | None, str]:
    """One of `OUTCOMES`, the pair as read, and what was said."""
    try:
        pair = read(project, file)
    except InputError as error:
        return "refused", None, str(error)
    true = [holds(each.phases, file) for each in pair.readings]
    said = pair.notes[file.given_as][-1]
    return ("wrong" if not any(true) else "right" if len(true) == 1 else "among several"), pair, said
