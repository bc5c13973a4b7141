"""Changes of a project's keys, written into its TOML: remarks, order, line ends and the byte-order mark stay.

A change says which value it was made on. Where the file changed meanwhile, by an editor or another page, a change of
another key goes into the file as it is now; one of the same key is refused, with both values.
"""

import copy
import itertools
import json
import math
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import tomlkit
from tomlkit.container import Container, OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Float, InlineTable, Integer, Table

from phaseopt.io.text import MOST_PROJECT
from phaseopt.io.toml_mistakes import toml_mistake
from phaseopt.live.history import differences, digest_of, past_changes, replace_text, text_now, undone, value_text
from phaseopt.values.errors import InputError

_ANY = object()
_MARK = b"\xef\xbb\xbf"
_LONGEST = 4_000  # characters of a typed value
_MOST_CHANGES = 100
# What a person chooses instead of a sign: a keypad of a telephone may have no minus.
WAYS = {"before TDC": -1, "after TDC": 1, "advanced": 1, "retarded": -1}


class KeyChange(NamedTuple):
    """A key ("intake.offset"; an entry of a list by its number from 1, or one more to add it) and its new value.

    `value` None takes the key or the entry out; `was`, what the file had when the change was made, None where nothing.
    """

    key: str
    value: Any
    was: Any = _ANY


def change(project: Path, changes: Sequence[KeyChange]) -> dict[str, Any]:
    """Change keys of a project file, all at once or none.

    Parameters
    ----------
    project : Path
        Its file.
    changes : sequence of KeyChange
        Values as TOML has them; a text of tomlkit keeps how a number was typed.

    Returns
    -------
    dict
        "digest" of the file now, "change" its number in the history, "changed" what changed, a line a key.

    Raises
    ------
    InputError
        A key has another value by now, is inside a value that is no section, or the file cannot be written; nothing
        has changed then.
    """
    before = text_now(project)
    raw = parsed(project, before)
    for each in changes:
        there, new = value_at(raw, each.key), _plain(each.value)
        if each.was is not _ANY and there != each.was and there != new:
            problem = f"it is {value_text(there)} by now; you saw {value_text(each.was)} and entered {value_text(new)}"
            raise InputError.one(problem, hint="look at both, then enter yours again", where=each.key)
    wanted = with_values(raw, changes)
    found = list(differences(raw, wanted))
    if not found:
        return {"digest": digest_of(before), "change": None, "changed": []}
    after = _rewritten(project, before, changes, wanted)
    number = replace_text(project, before, after, "; ".join(found))
    return {"digest": digest_of(after), "change": number, "changed": found}


def with_values(raw: dict[str, Any], changes: Sequence[KeyChange]) -> dict[str, Any]:
    """The contents of a project file with other values.

    >>> with_values({"crank": {"bore": 86.0}}, [KeyChange("crank.bore", 86.5), KeyChange("intake.offset", -12)])
    {'crank': {'bore': 86.5}, 'intake': {'offset': -12}}
    """
    raw = copy.deepcopy(raw)
    for each in changes:
        _put(raw, each.key, _plain(each.value))
    return raw


def write_text(project: Path, text: str, expected_digest: str) -> dict[str, Any]:
    """Write a whole text, as the page's plain editor has it, in place of the one with `expected_digest`.

    Returns as `change`. Raises `InputError` where the file changed meanwhile, or the text is no TOML.
    """
    before = text_now(project)
    if digest_of(before) != expected_digest:
        hint = "copy your text, load the page again, and enter what you changed once more"
        raise InputError.one("the file changed on the disk since you opened it", hint=hint, file=project)
    text = text.replace("\r\n", "\n").removeprefix("\ufeff")
    body = text.replace("\n", "\r\n") if _carriage_returns(before) else text
    after = _mark(before) + body.encode("utf-8", "surrogatepass")
    if len(after) > MOST_PROJECT:
        hint = "check that it is the right text"
        raise InputError.one(f"more than {MOST_PROJECT / 1e6:g} MB of text", hint=hint, file=project)
    new = parsed(project, after)
    if after == before:
        return {"digest": digest_of(before), "change": None, "changed": []}
    try:
        found = list(differences(parsed(project, before), new)) or ["remarks and layout"]
    except InputError:
        found = ["the text, which was no TOML before"]
    return {
        "digest": digest_of(after),
        "change": replace_text(project, before, after, "; ".join(found)),
        "changed": found,
    }


def undo(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Take the last change back, or the one before where that was taken back: the file is as it was before it.

    `body` may name the "number" of the change that the page showed; another one is not taken back. Returns as `change`.
    """
    before = text_now(project)
    last, text, number = undone(project)
    asked = str(body.get("number", ""))
    if asked and asked != str(last.change):
        hint = "look at it, then press Undo once more"
        raise InputError.one(f"another change came after it: {last.what}", hint=hint)
    made = replace_text(project, before, text, f"taken back: {last.what}", number)
    return {"digest": digest_of(text), "change": made, "changed": [f"taken back: {last.what}"]}


def edit(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Change what was entered; `body` as for `changes_in`. Returns as `change`, with "remarks" on how it was read."""
    changes, remarks = changes_in(body)
    return {**change(project, changes), "remarks": remarks}


def write(project: Path, body: dict[str, Any]) -> dict[str, Any]:
    """Write the whole "text" that was made of the file with "digest"."""
    text, digest = body.get("text"), body.get("digest")
    if not isinstance(text, str) or not isinstance(digest, str):
        raise InputError.one("there is no text to write", hint="load the page again")
    return write_text(project, text, digest)


def last_changes(project: Path, most: int = 50) -> list[dict[str, Any]]:
    """The last changes, newest first, as a page lists them."""
    return [each._asdict() for each in reversed(past_changes(project)[-most:])]


def changes_in(body: dict[str, Any]) -> tuple[list[KeyChange], list[str]]:
    """What a page asks to change, and how what was typed is understood.

    A change is "key" with "value" as typed, or a list or number as it is; "way" in place of a sign; "was", as JSON;
    "words" where the value is text even if it looks like a number. Several stand under "changes".

    Raises `InputError` for what is no change.

    >>> changes, remarks = changes_in({"key": "intake.offset", "value": "12,5", "way": "retarded"})
    >>> changes[0].key, float(changes[0].value), remarks
    ('intake.offset', -12.5, ['12,5 retarded is read as -12.5'])
    """
    listed = body.get("changes", [body])
    if not isinstance(listed, list) or not 1 <= len(listed) <= _MOST_CHANGES:
        raise InputError.one("there is nothing to change", hint="enter a value")
    found, remarks = [], []
    for each in listed:
        key = each.get("key") if isinstance(each, dict) else None
        if not isinstance(key, str) or not re.fullmatch(r"[\w-]+(\.[\w-]+)*", key) or len(key) > 200:
            raise InputError.one("there is no key to change", hint="load the page again")
        value, remark = as_typed(each, key)
        remarks += [remark] if remark else []
        found.append(KeyChange(key, value, _was(each, key)))
    return found, remarks


def typed_value(text: str) -> Any:
    """What was typed as a value: a number with comma or point as tomlkit has it, TOML, or else plain text.

    >>> float(typed_value("5,10")), typed_value("8 thou"), typed_value("[0, 45]"), typed_value("true")
    (5.1, '8 thou', [0, 45], True)
    """
    text = text.strip().replace("\u2212", "-").replace("\xa0", " ")
    plain = text.replace(",", ".") if re.fullmatch(r"[+-]?\d*,\d+", text) else text
    if match := re.fullmatch(r"([+-]?)0*(\d*)(\.?)(\d*)", plain):
        sign, whole, point, rest = match.groups()
        if whole or rest or "0" in plain:
            plain = f"{'-' if sign == '-' else ''}{whole or '0'}{f'.{rest or 0}' if point else ''}"
    elif match := re.fullmatch(r"([+-]?\d*),(\d+)(\s*[^\W\d].*)", text):  # "0,2 mm"
        return f"{match[1] or '0'}.{match[2]}{match[3]}"
    if "\n" in plain or "\r" in plain:
        return text
    try:
        value = tomllib.loads(f"value = {plain}")["value"]
    except (ValueError, RecursionError):
        return text
    if isinstance(value, bool | list | dict | str):
        return value
    return tomlkit.value(plain) if isinstance(value, int | float) and math.isfinite(value) else text


def parsed(project: Path, text: bytes) -> dict[str, Any]:
    """The contents of a project file's text. Raises `InputError` with the line where it is no TOML."""
    try:
        plain = text.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError:
        raise InputError.one("it is not UTF-8 text", hint="save it as UTF-8", file=project) from None
    try:
        return tomllib.loads(plain)
    except RecursionError:
        raise InputError.one("is nested too deeply", hint="take the needless brackets out", file=project) from None
    except ValueError as error:
        raise toml_mistake(project, plain, str(error)) from None


def value_at(raw: dict[str, Any], key: str) -> Any:
    """The value of a key, None where there is none.

    >>> value_at({"drop": {"around_tdc": [[-15, 7.4]]}}, "drop.around_tdc.1.2")
    7.4
    """
    at: Any = raw
    for name in key.split("."):
        if isinstance(at, list):
            at = at[int(name) - 1] if name.isdecimal() and 1 <= int(name) <= len(at) else None
        else:
            at = at.get(name) if isinstance(at, dict) else None
    return at


def as_typed(each: dict[str, Any], key: str) -> tuple[Any, str]:
    """The "value" that was typed, with its "way" in place of a sign, and how it is understood; None for a blank.

    Raises `InputError` for a way without a number, or with a sign too.
    """
    value, way = each.get("value"), each.get("way")
    if not isinstance(value, str):
        return value, ""
    if len(value) > _LONGEST:
        raise InputError.one("this is too long for a value", hint="enter it in the project file", where=key)
    if not value.strip():
        return None, ""
    if each.get("words"):
        return value.strip(), ""
    found = typed_value(value)
    if way in WAYS and isinstance(found, int | float) and not isinstance(found, bool):
        if found < 0:
            problem = f"{value.strip()} has a sign, and {way} says which way too"
            raise InputError.one(problem, hint="enter it without the minus", where=key)
        found = typed_value(f"{'-' if WAYS[way] < 0 and found else ''}{_text(found)}")
    elif way in WAYS:
        raise InputError.one(f"{value.strip()!r} is no number of degrees", hint="enter a plain number", where=key)
    else:
        way = ""
    typed = f"{value.strip()} {way}".strip()
    same = not isinstance(found, int | float | str) or _text(found) == typed
    return found, "" if same else f"{typed} is read as {_text(found)}"


def _text(value: Any) -> str:
    """A value as it was typed."""
    if isinstance(value, Integer | Float):
        return value.as_string()
    return str(value).lower() if isinstance(value, bool) else str(value)


def _was(each: dict[str, Any], key: str) -> Any:
    if "was" not in each:
        return _ANY
    try:
        return json.loads(each["was"]) if isinstance(each["was"], str) else each["was"]
    except ValueError:
        raise InputError.one("the page does not say what it showed", hint="load it again", where=key) from None


def _plain(value: Any) -> Any:
    """A value as tomllib would read it."""
    return value.unwrap() if hasattr(value, "unwrap") else value


def _mark(text: bytes) -> bytes:
    return _MARK if text.startswith(_MARK) else b""


def _carriage_returns(text: bytes) -> bool:
    """Whether lines end as Windows ends them."""
    return text.count(b"\r\n") * 2 > text.count(b"\n")


def _rewritten(project: Path, before: bytes, changes: Sequence[KeyChange], wanted: dict[str, Any]) -> bytes:
    """The text with these changes; it holds what is wanted and nothing else, or is refused."""
    carriage_returns = _carriage_returns(before)
    text = before.decode("utf-8-sig")
    try:
        document = tomlkit.parse(text.replace("\r\n", "\n") if carriage_returns else text)
        for each in changes:
            _put(document, each.key, _item(each.value))
        text = _spaced(text, tomlkit.dumps(document))
        same = tomllib.loads(text) == wanted
    except (TOMLKitError, ValueError, TypeError, IndexError, AttributeError, RecursionError):
        same = False
    if not same:
        problem = "the way this file is laid out does not allow the change here"
        raise InputError.one(problem, hint="change the key in the text itself", file=project, where=changes[0].key)
    if carriage_returns:
        text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    return _mark(before) + text.encode()


def _put(at: Any, key: str, value: Any) -> None:
    """Set, add or take out a value below sections and lists, in a plain or a tomlkit tree."""
    path = key.split(".")
    for name, following in itertools.pairwise(path):
        if isinstance(at, list):
            at = at[_number(key, name, len(at))]
            continue
        _require_section(at, key)
        if name not in at:
            if value is None:
                return
            at[name] = _new(at, [] if following.isdecimal() else {})
        at = at[name]
    name = path[-1]
    if isinstance(at, list):
        place = _number(key, name, len(at) + (value is not None))
        if value is None:
            del at[place]
        elif place == len(at):
            at.append(value.unwrap() if isinstance(at, AoT) else value)
        else:
            at[place] = value
        return
    _require_section(at, key)
    if value is None:
        at.pop(name, None)
    else:
        at[name] = value


def _spaced(before: str, after: str) -> str:
    """The text after a change with an empty line above a section that is new, and above one that follows new lines."""
    there, found = set(before.replace("\r\n", "\n").splitlines()), list[str]()
    for line in after.splitlines(keepends=True):
        last = found[-1].rstrip("\r\n") if found else ""
        if line.startswith("[") and last and (line.rstrip("\r\n") not in there or last not in there):
            found.append("\n")
        found.append(line)
    return "".join(found)


def _item(value: Any) -> Any:
    """A value as it is written: tables in a list in braces, a row of a long list on a line of its own."""
    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for name, inner in value.items():
            table[name] = _item(inner)
        return table
    if isinstance(value, list):
        listed = tomlkit.array()
        for inner in value:
            listed.append(_item(inner))
        return listed.multiline(any(isinstance(inner, dict | list) for inner in value))
    return value


def _new(at: Any, empty: Any) -> Any:
    """A new section or list, of the kind that goes into the tree."""
    if not isinstance(at, Table | Container | InlineTable):
        return empty
    if isinstance(empty, list):
        return tomlkit.array()
    return tomlkit.inline_table() if isinstance(at, InlineTable) else tomlkit.table()


def _require_section(at: Any, key: str) -> None:
    if not isinstance(at, dict | Container | OutOfOrderTableProxy):
        raise InputError.one("it is inside a value that is no section", hint="change that whole", where=key)


def _number(key: str, name: str, most: int) -> int:
    if not name.isdecimal() or not 1 <= int(name) <= most:
        raise InputError.one(f"there is no entry {name[:20]}", hint=f"name one from 1 to {most}", where=key)
    return int(name) - 1
