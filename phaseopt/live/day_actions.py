"""What the page does to a day's files: leave a pull out, take it back, note something on it, weather, a log by hand."""

import json
import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import tomlkit

from phaseopt.io.atomic import write_file
from phaseopt.io.log_names import LOG_ENDINGS
from phaseopt.live.edits import KeyChange, change, parsed, typed_value, value_at
from phaseopt.live.history import text_now
from phaseopt.live.pull_notes import LONGEST, read_notes, write_notes
from phaseopt.values.errors import InputError

MOST = 8_000_000  # bytes of a log that is sent
_AIR = ("pressure", "temperature", "humidity")
_VALUE = re.compile(r"[+-]?\d+(\.\d*)?\s*[^\W\d]*%?")
_CLOCK = re.compile(r"([01]?\d|2[0-3])[:h.]([0-5]\d)")


def leave_out(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Count the pull of these logs no longer. `body`: "names" of its logs, a list as JSON."""
    torque = _torque(project)
    names = [_known_as(project, torque, name) for name in _names(body)]
    aside = torque.get("leave_out", [])
    wanted = [*aside, *(name for name in names if name not in aside)]
    return change(project, [KeyChange("torque.leave_out", wanted, torque.get("leave_out"))])


def take_back(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Count the pull of these logs again. `body` as for `leave_out`."""
    torque = _torque(project)
    names = {form for name in _names(body) for form in (name, _known_as(project, torque, name))}
    aside = torque.get("leave_out", [])
    left = [name for name in aside if name not in names]
    if left == aside:
        raise InputError.one("this log is not left out by its name", hint="look at leave_out in the project file")
    return change(project, [KeyChange("torque.leave_out", left or None, aside)])


def note(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Keep a note on a pull; an empty one goes. `body`: "names" of its logs, and the "note"."""
    text = body.get("note")
    if not isinstance(text, str) or len(text) > LONGEST:
        raise InputError.one("this is no note", hint=f"write at most {LONGEST} letters")
    notes = read_notes(project)
    notes[Path(_names(body)[0]).name] = " ".join(text.split())
    write_notes(project, notes)
    return {}


def weather(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """The air of the day as it was read. `body`: "at-1", "pressure-1", "temperature-1", "humidity-1", and so on."""
    readings = []
    for number in sorted({int(key.rpartition("-")[2]) for key in body if re.fullmatch(r"[a-z]+-\d{1,3}", key)}):
        row = {key: str(body.get(f"{key}-{number}", "")).strip() for key in ("at", *_AIR)}
        if any(row.values()):
            readings.append({"at": row["at"], **{key: _reading(key, row[key]) for key in _AIR}})
    if not readings:
        raise InputError.one("there is no reading", hint="enter pressure, temperature and humidity")
    value: dict[str, Any]
    if len(readings) == 1 and not readings[0]["at"]:
        value = {key: readings[0][key] for key in _AIR}
    else:
        times = [_clock(each["at"]) for each in readings]
        order = sorted(range(len(times)), key=lambda k: times[k])
        if len(set(times)) < len(times):
            raise InputError.one("two readings have one time", hint="change one of the times")
        value = {"at": [times[k] for k in order], **{key: [readings[k][key] for k in order] for key in _AIR}}
    table = tomlkit.inline_table()
    table.update(value)
    return change(project, [KeyChange("torque.weather", table, _torque(project).get("weather"))])


def add_log(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Put a log that was sent into the folder of logs. `body`: its "name" and "content"; one that is there stays."""
    folder = _torque(project).get("logs")
    if not isinstance(folder, str) or not (project.parent / folder).is_dir():
        raise InputError.one(
            "the project names no folder of logs", hint='make one, and write logs = "logs/" in [torque]'
        )
    name, content = body.get("name"), body.get("content")
    if not isinstance(content, bytes) or not isinstance(name, str):
        raise InputError.one("no log came", hint="choose a file")
    if not re.fullmatch(r"[^\\/:*?\"<>|\x00-\x1f.~][^\\/:*?\"<>|\x00-\x1f]{0,150}", name) or not name.lower().endswith(
        LOG_ENDINGS
    ):
        endings = ", ".join(LOG_ENDINGS)
        raise InputError.one(
            f"{name[:60]!r} is no name of a log", hint=f"give it a plain name that ends in one of {endings}"
        )
    if not content or len(content) > MOST:
        raise InputError.one(
            f"{name} is empty, or over {MOST // 1_000_000} MB", hint="export the pull alone, as text in columns"
        )
    place = project.parent / folder / name
    if os.path.lexists(place):
        raise InputError.one(f"{name} is there already", hint="give the new one another name; nothing was changed")
    write_file(place, content, "make room on the disk; nothing was changed")
    return {"name": name}


DAY_ACTIONS: Mapping[str, Callable[[Path, dict[str, Any]], dict[str, Any]]] = {
    "leave_out": leave_out,
    "take_back": take_back,
    "note": note,
    "weather": weather,
    "add_log": add_log,
}


def _torque(project: Path) -> dict[str, Any]:
    found = value_at(parsed(project, text_now(project)), "torque")
    if not isinstance(found, dict):
        raise InputError.one("the project describes no logs", hint="add a [torque] section", file=project)
    return found


def _names(body: dict[str, Any]) -> list[str]:
    try:
        names = json.loads(body.get("names", ""))
    except (TypeError, ValueError, RecursionError):
        names = None
    if not isinstance(names, list) or not names or not all(isinstance(each, str) and each for each in names):
        raise InputError.one("no pull was named", hint="load the page again")
    return names


def _known_as(project: Path, torque: Mapping[str, Any], name: str) -> str:
    """A log as `leave_out` names it: by its name alone where it is in the folder of logs."""
    folder = torque.get("logs")
    if isinstance(folder, str):
        home = os.path.abspath(project.parent / folder)
        if os.path.dirname(os.path.abspath(project.parent / name)) == home:
            return Path(name).name
    return name


def _reading(key: str, text: str) -> Any:
    """A number with or without a unit, as TOML has it."""
    value = typed_value(text)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value
    if not isinstance(value, str) or not _VALUE.fullmatch(value):
        raise InputError.one(f"{key} {text!r} is no number", hint='enter one such as 99.3, or with its unit "993 mbar"')
    return value


def _clock(text: str) -> str:
    found = _CLOCK.fullmatch(text)
    if found is None:
        raise InputError.one(
            f"{text!r} is no time of day", hint='enter it as "14:05"; each of several readings needs one'
        )
    return f"{int(found[1]):02}:{found[2]}"
