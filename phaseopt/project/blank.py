"""A project to fill in: every key with its meaning, as the sections themselves state them, and no invented number.

First come the sections that the answers call for, then all others as comments. What must be given is `BLANK`, which the
reader names as still to be filled in. What may be left out is a comment with its default.
"""

import json
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from phaseopt.project import Project
from phaseopt.project.answers import BLANK, DROP_FILES, LOBE_FILES, Answers
from phaseopt.project.keys import section_in

DROP_ANGLES = range(-15, 16, 5)  # crank degrees after TDC, common practice

_KEPT = ("gap",)  # sections that everybody should look at, though nothing in them has to be given
_TWICE = ("intake.card.durations", "exhaust.card.durations")  # a card has two lines at least
_WIDTH = 118
_MEANING_AT = 34  # column

_LOG_EXAMPLE = """\
## A log that begins like this ...
##   Time [s];Engine rpm;Torque [lb-ft];MAP;TPS;Int cam;Exh cam
##   0,00;2003;118,2;991;100;0,0;4,0
## ... is described by time = "Time [s]", rpm = "Engine rpm", torque = "Torque [lb-ft]", load = "MAP" and so on here,
##   and under torque.units by torque = "lbf ft", load = "mbar". Semicolons and decimal commas are found without help.
"""
_BEFORE = {"torque.columns": _LOG_EXAMPLE.splitlines()}
_MOVES = {
    "both": "a phaser on each cam",
    "intake": "a phaser on the intake cam",
    "exhaust": "a phaser on the exhaust cam",
    "together": "one phaser that moves both cams",
}
_LOBES = {"files": "lobes measured", "card": "lobes from their cards"}
_DROP = {
    "readings": "valve drop read around TDC",
    "at TDC": "valve drop read at TDC alone",
    "clay": "clearance from clay",
}
_TORQUE = {
    "pulls": "torque from pulls",
    "simulation": "torque from a simulation, until there are pulls",
    "both": "torque from pulls on top of a simulation",
}
_REST = """\
## ---------------------------------------------------------------------------------------------------------------------
## You need nothing from here on: these are sections you may add. Take the # away from a section's name and from its
##   keys to use it.
## ---------------------------------------------------------------------------------------------------------------------
"""


def blank_files(answers: Answers | None = None) -> dict[str, str]:
    """The files of a project to fill in, by name: the project, lobes and drop readings (not the measuring sheet)."""
    answers = answers or Answers()
    drops = "crank_deg,drop_mm,cylinder\n" + "".join(f"{angle},,1\n" for angle in DROP_ANGLES)
    files = {"project.toml": blank_project(answers)}
    if answers.lobes == "files":
        files |= dict.fromkeys(LOBE_FILES.values(), "cam_deg,lift_mm\n")
    if answers.drop == "readings":
        files |= dict.fromkeys(DROP_FILES.values(), drops)
    return files


def blank_project(answers: Answers | None = None) -> str:
    """The text of a `project.toml` to fill in.

    >>> "bore = " in blank_project() and "# pin_offset = 0 " in blank_project()
    True
    """
    answers = answers or Answers()
    sections = list(_sections(Project, "", None, answers, used=True))
    lines = [_head(answers), *(line for section in sections if section.used for line in section.lines(answers.values))]
    lines += ["", _REST.rstrip("\n")]
    lines += [line for section in sections if not section.used for line in section.lines({})]
    return "\n".join(lines) + "\n"


def _head(answers: Answers) -> str:
    files = [*(LOBE_FILES.values() if answers.lobes == "files" else ())]
    files += [*(DROP_FILES.values() if answers.drop == "readings" else ())]
    made_for = (_MOVES[answers.moves], _LOBES[answers.lobes], _DROP[answers.drop], _TORQUE[answers.torque])
    points = [
        f"Write a value wherever there is {json.dumps(BLANK)}.",
        "Lines with ## explain. Lines with one # may be left out: the value shown is the default. Take the # away to "
        "change it.",
        'A value is a number in the unit named, or text with a unit of its own ("3.39 in", "22.5 cam deg").',
        "Angles are crank degrees, + = advanced, unless another kind is named.",
    ]
    if files:
        points.append(f"Fill in {', '.join(files)} too, in mm and degrees.")
    points.append("Print measuring_sheet.html and write your readings on it.")
    lines = _comment(f"A project for phaseopt: {', '.join(made_for)}.")
    lines += [*_comment("Fill it in; `phaseopt limits project.toml` names what is still blank."), "##"]
    for point in points:
        lines += _comment(f"- {point}")
    return "\n".join(lines)


@dataclass(frozen=True)
class _Section:
    """A section, its own keys, and whether the project states it."""

    path: str
    meaning: str
    keys: tuple[tuple[str, FieldInfo], ...]
    many: bool
    used: bool

    def lines(self, values: Mapping[str, Any]) -> Iterator[str]:
        """The section as text. Parameters: `values`, values by key, those of optional keys too."""
        mark = "" if self.used else "# "
        if self.path:
            yield ""
            yield from _comment(f"{self.path}: {self.meaning}")
            yield from _BEFORE.get(self.path, []) if self.used else []
        else:
            yield ""
        for _ in range(2 if self.used and self.path in _TWICE else 1):
            if self.path:
                yield f"{mark}[[{self.path}]]" if self.many else f"{mark}[{self.path}]"
            for key, field in self.keys:
                yield from _line(key, field, values.get(f"{self.path}.{key}".lstrip(".")), used=self.used)


def _sections(
    model: type[BaseModel], path: str, field: FieldInfo | None, answers: Answers, *, used: bool, many: bool = False
) -> Iterator[_Section]:
    """A section and those in it, in the order of the documented keys."""
    own, inner = [], []
    for name, each in model.model_fields.items():
        key = each.alias or name
        if not path and key == "file":  # set by the reader
            continue
        section, several = section_in(each.annotation)
        if section is None:
            own.append((key, each))
        else:
            inner.append((f"{path}.{key}".lstrip("."), each, section, several))
    meaning = (field.description if field is not None else None) or (model.__doc__ or "").split("\n\n")[0]
    yield _Section(path, " ".join(meaning.split()), tuple(own), many, used)
    for at, each, section, several in inner:
        wanted = each.is_required() or at in answers.sections or at in _KEPT
        yield from _sections(section, at, each, answers, used=used and wanted, many=several)


def _line(key: str, field: FieldInfo, given: Any, *, used: bool) -> Iterator[str]:
    """A key with its value and, beside or above it, its meaning."""
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    value = given if given is not None else (BLANK if default in (None, ()) else default)
    active = used and (field.is_required() or given is not None)
    written = f"{'' if active else '# '}{key} = {_toml(value)}"
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
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False)
