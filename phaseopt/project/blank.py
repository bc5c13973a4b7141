"""A project to fill in: every key with its meaning, as the sections themselves state them, and no invented number.

What must be given stands as `BLANK`, which the reader names as still to be filled in. What may be left out stands as a
comment with the value that is taken then.
"""

import json
import textwrap
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from phaseopt.project import SIDES, Project
from phaseopt.project.keys import section_in

BLANK = "?"
LOBE_FILES = {side: f"{side}_lobe.csv" for side in SIDES}
DROP_FILES = {side: f"{side}_drop.csv" for side in SIDES}
DROP_ANGLES = range(-15, 16, 5)  # crank degrees after TDC, common practice

_GIVEN = {f"{side}.lobe": LOBE_FILES[side] for side in SIDES} | {
    f"drop.{side}.readings": DROP_FILES[side] for side in SIDES
}
# Not asking for these would be wrong: they decide what touches, and 0 is seldom true of a cam that was fitted anew.
_GIVEN |= {f"{side}.{key}": BLANK for side in SIDES for key in ("lash", "offset")}
_KEPT = {f"{side}.phaser" for side in SIDES}  # sections that most projects have, though they may be left out
_WIDTH = 118
_MEANING_AT = 34  # column

_HEAD = f"""\
## A project for phaseopt, to be filled in. `phaseopt limits project.toml` names whatever is still open.
##
## - Write a value wherever there is {json.dumps(BLANK)}.
## - Lines with ## explain. Lines and sections with one # may be left out; a value shown there is the one taken then.
##   Take the # away to use one, from a section's name too.
## - A value is a number in the unit named, or text with a unit of its own ("3.39 in", "22.5 cam deg").
## - Angles are crank degrees, + = advanced, unless another kind is named.
## - {", ".join((*LOBE_FILES.values(), *DROP_FILES.values()))} are to be filled in too;
##   measuring_sheet.html, printed, is for the readings.
## - A cam without a phaser: take its phaser section out. One phaser that moves both cams: take both out, use [phaser].
"""


def blank_files() -> dict[str, str]:
    """The files of a project to fill in, by name: the project, lobes and drop readings (not the measuring sheet)."""
    drops = "crank_deg,drop_mm,cylinder\n" + "".join(f"{angle},,1\n" for angle in DROP_ANGLES)
    files = {"project.toml": blank_project()}
    files |= dict.fromkeys(LOBE_FILES.values(), "cam_deg,lift_mm\n")
    return files | dict.fromkeys(DROP_FILES.values(), drops)


def blank_project() -> str:
    """The text of a `project.toml` to fill in.

    >>> "bore = " in blank_project() and "# pin_offset = 0 " in blank_project()
    True
    """
    return "\n".join([_HEAD, *_keys(Project, "", used=True)]) + "\n"


def _keys(model: type[BaseModel], under: str, *, used: bool) -> Iterator[str]:
    """The lines of a section: its own keys first, then the sections in it."""
    inner = []
    for name, field in model.model_fields.items():
        key = field.alias or name
        if f"{under}{key}" == "file":  # set by the reader
            continue
        section, many = section_in(field.annotation)
        if section is not None:
            inner.append((f"{under}{key}", field, section, many))
            continue
        yield from _line(key, field, _GIVEN.get(f"{under}{key}"), used=used)
    for path, field, section, many in inner:
        yield from _section(path, field, section, many=many, used=used)


def _section(path: str, field: FieldInfo, section: type[BaseModel], *, many: bool, used: bool) -> Iterator[str]:
    left_out = not field.is_required() and field.get_default(call_default_factory=True) in (None, ())
    used = used and (not left_out or path in _KEPT)
    meaning = field.description or (section.__doc__ or "").split("\n\n")[0]
    yield ""
    yield from _comment(f"{path}: {' '.join(meaning.split())}")
    yield f"{'' if used else '# '}{f'[[{path}]]' if many else f'[{path}]'}"
    yield from _keys(section, f"{path}.", used=used)


def _line(key: str, field: FieldInfo, given: str | None, *, used: bool) -> Iterator[str]:
    """A key with its value and, beside or above it, its meaning."""
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    value = given or (BLANK if default in (None, ()) else default)
    stands = used and (field.is_required() or given is not None)
    written = f"{'' if stands else '# '}{key} = {_toml(value)}"
    beside = f"{written:<{_MEANING_AT - 1}} # {field.description}"
    if len(beside) <= _WIDTH:
        yield beside
    else:
        yield from _comment(str(field.description))
        yield written


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="## ", subsequent_indent="##   ", break_on_hyphens=False)


def _toml(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    return json.dumps(value, ensure_ascii=False)
