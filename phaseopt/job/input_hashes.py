"""What a result was computed from: every input file of a project, by hash."""

import os
from pathlib import Path
from typing import Any

from phaseopt.io.digest import file_digest
from phaseopt.project import Project
from phaseopt.torque import pull_files


def input_hashes(project: Project) -> dict[str, str]:
    """SHA-256 of every input file, by its path from the project's folder; the project file's as it was read."""
    own = project.file.resolve()
    files = {own, *(path.resolve() for path in _paths(project.model_dump()))}
    if project.torque is not None:
        for number, pull in enumerate(project.torque.pulls, start=1):
            files |= {path.resolve() for path in pull_files(project, number, pull.files)}
    folder = project.folder.resolve()
    named = {Path(os.path.relpath(path, folder)).as_posix(): path for path in files}
    return {name: project.as_given.sha256 if named[name] == own else file_digest(named[name]) for name in sorted(named)}


def _paths(value: Any) -> list[Path]:
    if isinstance(value, Path):
        return [value]
    items = value.values() if isinstance(value, dict) else value if isinstance(value, list | tuple) else ()
    return [path for item in items for path in _paths(item)]
