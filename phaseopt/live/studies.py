"""Pages of studies and builds that were written into folders beside the project, and studies whose trials are stored.

Light, for the server shows them. A page is shown as it is, shut off from this server: it may be anybody's file.
"""

import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from phaseopt.io.text import MOST_RECORD
from phaseopt.values.errors import InputError

_PAGES = {
    "offsets.html": "installed offsets",
    "parts.html": "parts",
    "tradeoff.html": "torque against smoothness",
    "report.html": "a build",
}
_STORED = {"offsets.sqlite": "offsets", "parts.sqlite": "parts", "tradeoff.sqlite": "tradeoff"}
_DEEP, _MOST = 3, 4_000  # folders down; entries that are looked at
_HEAD = 20_000  # bytes within which a page names what made it
_OURS = re.compile(rb'<meta name="generator" content="phaseopt [a-z ]+">')


class StudyPage(NamedTuple):
    """A page: its path from the project's folder, what it is about, when it was written."""

    path: str
    about: str
    written: str


def study_pages(project: Path) -> list[StudyPage]:
    """Pages below the project's folder, the newest first; links and hidden folders are left out."""
    folder, found = project.parent, []
    for path in _files(folder):
        try:
            with path.open("rb") as file:
                ours = _OURS.search(file.read(_HEAD)) is not None
            when = path.stat().st_mtime
        except OSError:
            continue
        if ours:
            at = time.strftime("%Y-%m-%d %H:%M", time.localtime(when))
            found.append((when, StudyPage(path.relative_to(folder).as_posix(), _PAGES[path.name], at)))
    return [page for _, page in sorted(found, key=lambda each: (-each[0], each[1]))]


def stored_studies(project: Path) -> list[str]:
    """Kinds of study whose trials are stored beside the project: `phaseopt KIND` goes on with them."""
    return [kind for name, kind in _STORED.items() if (project.parent / ".phaseopt" / name).is_file()]


def study_page(project: Path, name: str) -> str:
    """The text of one of `study_pages`. Raises `InputError` for any other."""
    if name not in {each.path for each in study_pages(project)}:
        raise InputError.one("this page is not listed", hint="choose one of the list")
    path = project.parent / name
    if path.stat().st_size > MOST_RECORD:
        raise InputError.one("this page is too large to show here", hint="open the file itself", file=path)
    return path.read_bytes().decode("utf-8", "replace")


def _files(folder: Path) -> Iterator[Path]:
    """Files that may be pages of ours, in folders that are no links."""
    seen, waiting = 0, [(folder, 0)]
    while waiting:
        here, deep = waiting.pop()
        try:
            entries = sorted(os.scandir(here), key=lambda each: each.name)
        except OSError:
            continue
        for entry in entries:
            seen += 1
            if seen > _MOST:
                return
            if entry.is_dir(follow_symlinks=False) and not entry.name.startswith(".") and deep < _DEEP:
                waiting.append((Path(entry.path), deep + 1))
            elif entry.name in _PAGES and entry.is_file(follow_symlinks=False):
                yield Path(entry.path)
