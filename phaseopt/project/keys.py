"""Every key of a project file with its meaning, unit and default, as the sections themselves state them."""

import types
from collections.abc import Iterator
from typing import Any, NamedTuple, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from phaseopt.project import Project, ProjectSection
from phaseopt.project.quantities import inch_default


class Key(NamedTuple):
    """One key: where it is ("crank.bore"; "[]" after a list), what it is, and its default as text."""

    name: str
    meaning: str
    default: str


def keys(model: type[BaseModel] = Project, under: str = "") -> Iterator[Key]:
    """Every key below a section, in the order of the sections.

    >>> next(key for key in keys() if key.name == "crank.pin_offset")
    Key(name='crank.pin_offset', meaning='wrist-pin (gudgeon-pin) offset towards the thrust side, mm', default='0')
    """
    for name, field in model.model_fields.items():
        key = f"{under}{field.alias or name}"
        if key == "file":  # set by the reader
            continue
        inner, many = section_in(field.annotation)
        if inner is None:
            yield Key(key, field.description or "", _default(field))
        else:
            yield from keys(inner, f"{key}{'[]' if many else ''}.")


def keys_table() -> str:
    """The keys as a Markdown table."""
    rows = ["| key | what | left out |", "|---|---|---|"]
    return "\n".join([*rows, *(f"| `{key.name}` | {key.meaning} | {key.default} |" for key in keys())]) + "\n"


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "must be given"
    value: Any = field.get_default(call_default_factory=True)
    if value is None or value == ():
        return "none"
    if isinstance(value, tuple):
        return f"[{', '.join(map(repr, value))}]".replace("'", '"')
    text = f"{value:g}" if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)
    inch = inch_default(field)
    return text if inch is None else f"{text} (inch project: {inch:g} in)"


def section_in(annotation: Any) -> tuple[type[ProjectSection] | None, bool]:
    """The section that a field holds, and whether it holds a list of them."""
    if isinstance(annotation, type) and issubclass(annotation, ProjectSection):
        return annotation, False
    if get_origin(annotation) in (Union, types.UnionType, tuple):
        for argument in get_args(annotation):
            inner, many = section_in(argument)
            if inner is not None:
                return inner, many or get_origin(annotation) is tuple
    return None, False
