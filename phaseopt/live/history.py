"""What a project file was after each change, in plain files beside it: `history/NAME/0000.toml`, `0001.toml`, ... with
`changes.csv`, which says what changed when. A change by an editor is found at the next one of ours, and is one too.

A change is three files, one after another: its numbered text, the project, the list. Killed or out of room before the
project is written, nothing has changed; after it, the list is brought up to date at the next change.
"""

import csv
import hashlib
import io
import json
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from phaseopt.io.atomic import locked, write_file
from phaseopt.io.text import MOST_PROJECT, require_plain, unreadable
from phaseopt.values.errors import InputError

LIST = "changes.csv"
_COLUMNS = ("change", "time", "what", "by", "back_to")
_LONGEST = 300  # characters of what a row says
_HINT = "make room on the disk, or close what holds the file; nothing was changed"


class Past(NamedTuple):
    """One change: its number, when, what ("crank.bore: 86 → 86.5"), by whom ("page" or "editor").

    `back_to` is the number of the text that an undo went back to, else blank.
    """

    change: int
    time: str
    what: str
    by: str
    back_to: int | None


def digest_of(text: bytes) -> str:
    """The SHA-256 of a project file's bytes, as the project states it."""
    return hashlib.sha256(text).hexdigest()


def text_now(project: Path) -> bytes:
    """The bytes of a project file as it is now. Raises `InputError` where it cannot be read."""
    require_plain(project, MOST_PROJECT)
    try:
        return project.read_bytes()
    except OSError as error:
        raise unreadable(project, error) from error


def past_changes(project: Path) -> list[Past]:
    """All changes of a project, first to last, as its list says."""
    try:
        with (history_folder(project) / LIST).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        return [
            Past(
                int(row["change"]), row["time"], row["what"], row["by"], int(row["back_to"]) if row["back_to"] else None
            )
            for row in rows
        ]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError, csv.Error) as error:
        hint = f"give {LIST} another name; the numbered texts beside it stay as they are"
        raise InputError.one(
            "the list of changes cannot be read", hint=hint, file=history_folder(project) / LIST
        ) from error


def replace_text(project: Path, before: bytes, after: bytes, what: str, back_to: int | None = None) -> int:
    """Write a project's text in place of another, as a change of its own; the number of the change comes back.

    Raises `InputError` where the file is no longer as `before`, or cannot be written: nothing has changed then.
    """
    with locked(project.parent):
        if text_now(project) != before:
            raise InputError.one("it changed on the disk just now", hint="look at it, then try again", file=project)
        past = _brought_up_to_date(project, before)
        number = past[-1].change + 1 if past else 1
        write_file(_text_file(project, number), after, _HINT)
        write_file(project, after, _HINT)
        with suppress(InputError):  # the change stands; the list is brought up to date at the next one
            _write_list(project, [*past, Past(number, _now(), what[:_LONGEST], "page", back_to)])
    return number


def undone(project: Path) -> tuple[Past, bytes, int]:
    """What an undo takes back: the change, and the text before it with its number. Raises `InputError` for none."""
    with locked(project.parent):
        past = _brought_up_to_date(project, text_now(project))
    last = {each.change: each for each in past}
    at = _state(last, past[-1].change) if past else 0
    if not at:
        raise InputError.one("there is nothing to take back", hint="this is the text that the page found first")
    before = _state(last, at - 1)
    return last[at], text_now(_text_file(project, before)), before


def differences(before: Any, after: Any, key: str = "") -> Iterator[str]:
    """What differs between two contents of a project file, a line a key; entries of lists are numbered from 1.

    >>> list(differences({"crank": {"bore": 86.0}}, {"crank": {"bore": 86.5}, "name": "a four"}))
    ['crank.bore: 86.0 → 86.5', 'name: left out → "a four"']
    """
    if isinstance(before, dict) and isinstance(after, dict):
        for name in dict.fromkeys([*before, *after]):
            yield from differences(before.get(name), after.get(name), f"{key}.{name}".lstrip("."))
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for number, (one, other) in enumerate(zip(before, after, strict=True), 1):
            yield from differences(one, other, f"{key}.{number}")
    elif before != after or type(before) is not type(after):
        yield f"{key}: {value_text(before)} → {value_text(after)}"


def value_text(value: Any) -> str:
    """A value of a project file in a few words, for a person."""
    if value is None:
        return "left out"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 80 else f"{text[:60]} ... {text[-15:]}"


def _brought_up_to_date(project: Path, text: bytes) -> list[Past]:
    """The list of changes with what happened since it was written, also on the disk."""
    past = past_changes(project)
    number = past[-1].change if past else 0
    if not past and not _text_file(project, 0).exists():
        _make_folder(project)
        write_file(_text_file(project, 0), text, _HINT)
    last = text_now(_text_file(project, number))
    if last == text:
        return past
    following = _text_file(project, number + 1)
    ours = following.exists() and text_now(following) == text  # killed before the list was written
    if not ours:
        write_file(following, text, _HINT)
    what = "; ".join(differences(_contents(last), _contents(text))) or "remarks and layout"
    past = [*past, Past(number + 1, _now(), what[:_LONGEST], "page" if ours else "editor", None)]
    _write_list(project, past)
    return past


def _state(past: dict[int, Past], number: int) -> int:
    """The change that first made a text: where an undo went back to one, that one."""
    back_to = past[number].back_to if number in past else None
    return number if back_to is None else _state(past, back_to)


def _contents(text: bytes) -> Any:
    try:
        return tomllib.loads(text.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return "no TOML"


def _write_list(project: Path, past: list[Past]) -> None:
    file = io.StringIO(newline="")
    rows = csv.writer(file)
    rows.writerow(_COLUMNS)
    rows.writerows(past)
    write_file(history_folder(project) / LIST, file.getvalue().encode(), _HINT)


def history_folder(project: Path) -> Path:
    """Where what happened to a project is, in plain files."""
    return project.parent / "history" / project.stem


def _make_folder(project: Path) -> None:
    try:
        history_folder(project).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError.one("cannot be made", hint=_HINT, file=history_folder(project)) from error


def _text_file(project: Path, number: int) -> Path:
    return history_folder(project) / f"{number:04}.toml"


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
