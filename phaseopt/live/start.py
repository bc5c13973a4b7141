"""The first page of a server that was given no project: open one of this folder, or begin one."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from phaseopt.values.errors import InputError, Mistake

_DEEP, _MOST = 4, 100  # folders down; files listed
_LOOKED_AT = 5_000  # entries, after which the rest is left
_MARK = b"[crank]"
_LONG = 200_000  # bytes of a file that are looked at


def projects_below(folder: Path) -> list[str]:
    """Project files in a folder and those in it, by their paths from there; links and hidden folders are left out."""
    found = [path.relative_to(folder).as_posix() for path in _toml_files(folder) if _is_project(path)]
    return sorted(found, key=lambda each: (each.count("/"), each))[:_MOST]


def chosen_project(folder: Path, name: Any) -> Path:
    """A project file of those that are listed. Raises `InputError` for another."""
    if name not in projects_below(folder):
        raise InputError.one(
            "this file is not listed", hint="choose one of the list, or start phaseopt live with its name"
        )
    return folder / str(name)


def new_project(folder: Path, name: Any) -> Path:
    """Write the blank project of `phaseopt new` into a new folder; its project file.

    Parameters: `folder`, where the server was started; `name`, of the new folder in it.
    Raises `InputError` for a name that leaves the folder, and where the folder cannot be written or holds something.
    """
    text = name.strip() if isinstance(name, str) else ""
    parts = Path(text).parts
    if not text or len(text) > 100 or not text.isprintable() or Path(text).is_absolute() or "\\" in text or ":" in text:
        raise InputError.one("give the new folder a name", hint='write a plain name, such as "my engine"')
    if any(part.startswith(".") for part in parts):
        raise InputError.one(f"{text!r} would leave this folder or be hidden", hint="write a plain name without dots")
    place = folder / text
    if not place.resolve().is_relative_to(folder.resolve()):
        raise InputError.one(f"{text!r} leads out of this folder", hint="write a plain name")
    command = [sys.executable, "-m", "phaseopt", "new", "--yes", "--json", "--", str(place)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL, timeout=120)
    if done.returncode:
        raise InputError(_mistakes(done.stdout))
    return place / "project.toml"


def _mistakes(printed: str) -> list[Mistake]:
    """What a command that ended with `--json` found wrong."""
    try:
        return [
            Mistake(each["problem"], each["hint"], Path(each["file"]) if each["file"] else None)
            for each in json.loads(printed)["mistakes"]
        ]
    except (ValueError, KeyError, TypeError):
        return [Mistake("the project could not be written", "run phaseopt new in a terminal to see why")]


def _toml_files(folder: Path) -> Iterator[Path]:
    count = 0
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(each for each in folders if not each.startswith("."))
        if len(Path(place).relative_to(folder).parts) >= _DEEP:
            folders.clear()
        for name in sorted(files):
            count += 1
            if count > _LOOKED_AT:
                return
            path = Path(place, name)
            if path.suffix == ".toml" and not path.is_symlink():
                yield path


def _is_project(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return path.name == "project.toml" or _MARK in file.read(_LONG)
    except OSError:
        return False
