"""A project to fill in: the keys that the answers call for, each with its meaning, and no invented number.

What must be given is `BLANK`, which the reader names as still to be filled in. `section_text` has every key of a
section, with the default of those that may be left out, to paste.
"""

import itertools
import json
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from phaseopt.project import Project
from phaseopt.project.answers import BLANK, DROP_ANGLES, DROP_FILES, LOBE_FILES, Answers
from phaseopt.project.keys import section_in
from phaseopt.project.quantities import inch_default, meaning_of, reader_of
from phaseopt.values.display_units import Units

_LENGTH = {"metric": "mm", "inch": "in"}
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
_DEGREE_IN = """\
## Cams degreed in? Take the # away: gauge in {lift}, crank degrees after TDC (- = before). [exhaust.degree_in] too.
# [intake.degree_in]
# lifts = [{{ lift = "?", opening = "?", closing = "?" }}, {{ lift = "?", opening = "?", closing = "?" }}]
# full_lift = "?"                 # it shows where the cams are, and earns degrees: `phaseopt keys intake.degree_in`

"""
_BEFORE = {"torque.columns": _LOG_EXAMPLE, "drop.intake": _DEGREE_IN}
_MOVES = {
    "both": "a phaser on each cam",
    "intake": "a phaser on the intake cam",
    "exhaust": "a phaser on the exhaust cam",
    "together": "one phaser that moves both cams",
}
_LOBES = {"files": "lobes measured", "card": "lobes from their cards"}
_DROP = {
    "readings": "valve drop read around TDC",
    "list": "valve drop read around TDC and typed here",
    "at TDC": "valve drop read at TDC alone",
    "clay": "clearance from clay",
}
_TORQUE = {
    "pulls": "torque from pulls",
    "simulation": "torque from a simulation, until there are pulls",
    "both": "torque from pulls on top of a simulation",
}


def blank_files(answers: Answers | None = None) -> dict[str, str]:
    """The files of a project to fill in, by name: the project, lobes and drop readings (not the measuring sheet)."""
    answers = answers or Answers()
    inch, length = answers.units == "inch", _LENGTH[answers.units]
    drops = f"crank_deg,drop_{'thou' if inch else 'mm'},cylinder\n" + "".join(f"{angle},,1\n" for angle in DROP_ANGLES)
    files = {"project.toml": blank_project(answers)}
    if answers.lobes == "files":
        files |= dict.fromkeys(LOBE_FILES.values(), f"cam_deg,lift_{length}\n")
    if answers.drop == "readings":
        files |= dict.fromkeys(DROP_FILES.values(), drops)
    return files


def blank_project(answers: Answers | None = None) -> str:
    """The text of a `project.toml` to fill in.

    >>> "bore = " in blank_project(), "pin_offset" in blank_project()
    (True, False)
    """
    answers = answers or Answers()
    sections = _sections(Project, "", None, answers, used=True)
    lines = [line for section in sections if section.used for line in section.asked(answers.values)]
    return "\n".join([_head(answers), *_said_once(lines), ""])


def _said_once(lines: list[str]) -> Iterator[str]:
    """What a long meaning says above the intake's key is not said again above the exhaust's."""
    seen: set[tuple[str, ...]] = set()
    for comment, block in itertools.groupby(lines, lambda line: line.startswith("##")):
        found = tuple(block)
        if not comment or found not in seen:
            yield from found
        seen.add(found)


def section_names() -> tuple[str, ...]:
    """The names of all sections, in the order of the documented keys."""
    return tuple(each.path for each in _sections(Project, "", None, Answers(), used=False) if each.path)


def section_text(name: str, units: Units = "metric") -> str:
    """Every key of a section and of those in it, to paste into a project: comments, with the defaults.

    Parameters: the `name` of a section, "" for the keys above all sections; the `units` of the project.

    >>> print(section_text("gap.running.loft"))  # doctest: +ELLIPSIS
    ## gap.running.loft: ...
    # [gap.running.loft]
    # above = "?" ...
    """
    sections = _sections(Project, "", None, Answers(units=units), used=False)
    found = [each for each in sections if each.path == name or (name and each.path.startswith(f"{name}."))]
    return "\n".join(line for section in found for line in section.all_keys()).strip("\n")


def _head(answers: Answers) -> str:
    files = [*(LOBE_FILES.values() if answers.lobes == "files" else ())]
    files += [*(DROP_FILES.values() if answers.drop == "readings" else ())]
    made_for = (_MOVES[answers.moves], _LOBES[answers.lobes], _DROP[answers.drop], _TORQUE[answers.torque])
    inch = answers.units == "inch"
    own = '"86 mm", "22.5 cam deg"' if inch else '"3.39 in", "22.5 cam deg"'
    points = [
        f"Write a value wherever there is {json.dumps(BLANK)}.",
        f"A value is a number in the unit named, or text with a unit of its own ({own}).",
        "Angles are crank degrees, + = advanced, unless another kind is named.",
    ]
    if files:
        points.append(f"Fill in {', '.join(files)} too, in {'inches' if inch else 'mm'} and degrees.")
    points.append("Print measuring_sheet.html and write your readings on it.")
    points.append("More keys may be added: `phaseopt keys` lists the sections, `phaseopt keys crank` those of one.")
    lines = _comment(f"A project for phaseopt: {', '.join(made_for)}.")
    lines += _comment("Fill it in; `phaseopt next project.toml` says what is still blank and what can be done already.")
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
    units: Units

    def asked(self, values: Mapping[str, Any]) -> Iterator[str]:
        """The section with the keys that have to be filled in or have a value; nothing where there are none."""
        lines: list[str] = []
        for key, field in self.keys:
            given = values.get(f"{self.path}.{key}".lstrip("."))
            if field.is_required() or given is not None:
                lines += _line(key, field, BLANK if given is None else given, "", self.units)
        for _ in range(2 if self.path in _TWICE else 1):
            if lines:
                yield ""
                yield from _BEFORE.get(self.path, "").format(lift=_LENGTH[self.units]).splitlines()
                yield from [f"[[{self.path}]]" if self.many else f"[{self.path}]"] if self.path else []
                yield from lines

    def all_keys(self) -> Iterator[str]:
        """The section as comments: every key, with its default."""
        yield ""
        if self.path:
            yield from _comment(f"{self.path}: {self.meaning}")
            yield f"# [[{self.path}]]" if self.many else f"# [{self.path}]"
        for key, field in self.keys:
            reader = reader_of(field)
            default = None if field.is_required() else field.get_default(call_default_factory=True)
            if self.units == "inch" and inch_default(field) is not None:
                default = inch_default(field)
            elif default and reader is not None and reader.bare(self.units) != reader.unit:
                default = f"{default:g} {reader.unit}"  # the defaults are in documented units
            yield from _line(key, field, BLANK if default in (None, ()) else default, "# ", self.units)


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
    yield _Section(path, " ".join(meaning.split()), tuple(own), many, used, answers.units)
    for at, each, section, several in inner:
        wanted = each.is_required() or at in answers.sections
        yield from _sections(section, at, each, answers, used=used and wanted, many=several)


def _line(key: str, field: FieldInfo, value: Any, mark: str, units: Units) -> Iterator[str]:
    """A key with its value and, beside or above it, its meaning."""
    meaning = meaning_of(field, units)
    written = f"{mark}{key} = {_toml(value)}"
    beside = f"{written:<{_MEANING_AT - 1}} # {meaning}"
    if len(beside) <= _WIDTH:
        yield beside
    else:
        yield from _comment(meaning)
        yield written


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="## ", subsequent_indent="##   ", break_on_hyphens=False)


def _toml(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value, ensure_ascii=False)
