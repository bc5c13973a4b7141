"""The project file as text, and the lines of it that mistakes are about."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from phaseopt.values.errors import Mistake

_SECTION = re.compile(r"\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"\s*([\w.\"'-]+)\s*=")


def without_pulls(table: dict[str, Any]) -> dict[str, Any]:
    """A project's table as if no pull was made: contact depends on none, and a log that is wrong is the day's to show.

    >>> without_pulls({"name": "a four", "torque": {"logs": "logs/", "pulls": [{"files": ["a.csv"]}]}})
    {'name': 'a four', 'torque': {'logs': 'logs/', 'leave_out': ['*']}}
    """
    torque = table.get("torque")
    if not isinstance(torque, dict):
        return table
    others = {key: value for key, value in torque.items() if key not in ("pulls", "leave_out")}
    return {**table, "torque": {**others, "leave_out": ["*"]}}


def line_of(text: str, where: str) -> int | None:
    """The line, from 1, of a key in TOML text, or of the section where it would be; None where neither is there.

    Parameters: `where`, "line 12", or a key as messages name it; an entry of a list of sections by its number.

    >>> text = "name = 'a four'\\n[crank]\\nbore = -3\\n[[torque.pulls]]\\n[[torque.pulls]]\\nfiles = ['a.csv']"
    >>> [line_of(text, where) for where in ("line 2", "crank.bore", "crank.rod", "torque.pulls.2.files", "drop")]
    [2, 3, 2, 6, None]
    """
    if found := re.fullmatch(r"line (\d+)", where):
        return int(found[1])
    wanted = _plain(where)
    best, most, section, counts = None, 0, "", dict[str, int]()
    for number, line in enumerate(text.splitlines(), 1):
        if head := _SECTION.match(line):
            section = _plain(head[2])
            if head[1] == "[[":
                counts[section] = counts.get(section, 0) + 1
                section = f"{section}.{counts[section]}"
            path = section
        elif key := _KEY.match(line):
            path = f"{section}.{_plain(key[1])}".lstrip(".")
        else:
            continue
        if len(path) > most and f"{wanted}.".startswith(f"{path}."):
            best, most = number, len(path)
    return best


def _plain(key: str) -> str:
    """A key with its parts by points alone: "pulls[2]" and "pulls.2" are the same."""
    return re.sub(r"\[(\d+)\]", r".\1", re.sub(r"[\"'\s]", "", key))


def as_facts(mistakes: Iterable[Mistake], project: Path) -> list[dict[str, Any]]:
    """Mistakes as a page lists them, each with the line of the project file that it is about, where there is one."""
    try:
        text = project.read_text(encoding="utf-8-sig")
    except (OSError, ValueError):
        text = ""
    return [
        {
            "problem": each.problem,
            "hint": each.hint,
            "where": each.where,
            "file": each.file.name if each.file else "",
            "line": line_of(text, each.where) if each.file in (None, project) and each.where else None,
        }
        for each in mistakes
    ]
