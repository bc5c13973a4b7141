"""The pulls that a day's simulation is calibrated to, in a plain file beside the project's history: `calibrated.csv`.

Calibrating to each pull anew would take minutes, and after a kill another set of pulls would give other tables.
"""

import csv
import io
import os
from collections.abc import Sequence
from pathlib import Path

from phaseopt.io.atomic import write_file
from phaseopt.live.history import history_folder
from phaseopt.project import Project, Pull

_HEAD = "log"


def morning_pulls(file: Path, project: Project) -> Sequence[Pull]:
    """The pulls of a project that its simulation is calibrated to: those on record that it still has, else all of them,
    which are on record then. All of them without a simulation.

    Parameters: `file`, the project's; `project` with pulls. Raises `InputError` where the record cannot be written.
    """
    torque = project.torque
    assert torque is not None
    if torque.prior is None or project.cycle is None:
        return torque.pulls
    try:
        text = _record(file).read_text(encoding="utf-8-sig")
        named = {row[0] for row in csv.reader(io.StringIO(text, newline="")) if row}
    except (OSError, UnicodeDecodeError, csv.Error):
        named = set()
    found = [pull for pull in torque.pulls if named & set(pull.files)]
    if not found:
        write_morning(file, project)
    return found or torque.pulls


def write_morning(file: Path, project: Project) -> None:
    """Put all pulls of a project on record, where it has a simulation and its folder may be written to.

    Raises `InputError` as `write_file`.
    """
    torque = project.torque
    assert torque is not None
    if torque.prior is None or project.cycle is None or not os.access(file.parent, os.W_OK):
        return
    text = io.StringIO(newline="")
    rows = csv.writer(text)
    rows.writerow([_HEAD])
    rows.writerows([name] for pull in torque.pulls for name in pull.files)
    _record(file).parent.mkdir(parents=True, exist_ok=True)
    write_file(_record(file), text.getvalue().encode())


def _record(file: Path) -> Path:
    return history_folder(file) / "calibrated.csv"
