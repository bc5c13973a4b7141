"""What the checker of types finds wrong in a TOML file of ours, in a workshop's words: key, value and fix."""

import difflib
from pathlib import Path

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from phaseopt.project import Project
from phaseopt.project.keys import section_in
from phaseopt.project.quantities import meaning_of
from phaseopt.values.display_units import Units
from phaseopt.values.errors import Mistake

Loc = tuple[int | str, ...]  # where a value is: keys, and numbers of list entries

_LONG = 80  # characters of a meaning that are not repeated in a message


def wanted_at(loc: Loc, units: Units, model: type[BaseModel] = Project) -> str:
    """What a value should be, as a fix."""
    field = field_at(loc, model)
    meaning = "" if field is None else meaning_of(field, units)
    if field is not None and field.annotation is bool:
        return f"give true or false: {meaning}"
    return f"give {meaning}" if meaning else "see the documented keys"


def once_each(details: list[ErrorDetails], model: type[BaseModel] = Project) -> list[ErrorDetails]:
    """Without the complaints that only follow from another one.

    A key is missing where another complaint says how it was misspelt; a list is too short because an entry is wrong.
    """
    unknown = [d["loc"] for d in details if d["type"] == "extra_forbidden"]
    meant = {(*loc[:-1], near) for loc in unknown if (near := _nearest(loc, model))}
    above = {d["loc"][:depth] for d in details for depth in range(len(d["loc"]))}
    follows = {"missing": meant, "too_short": above}
    return [d for d in details if d["loc"] not in follows.get(d["type"], set())]


def _nearest(loc: Loc, model: type[BaseModel]) -> str | None:
    """The known key that an unknown one is most like."""
    near = difflib.get_close_matches(str(loc[-1]), keys_at(loc[:-1], model), n=1, cutoff=0.5)
    return near[0] if near else None


# What the checker of types says, in a workshop's words.
_PLAIN = {
    "int_from_float": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "finite_number": "must be a number that is not infinite",
    "bool_parsing": "must be true or false",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "string_too_short": "must not be empty",
    "string_too_long": "must have at most {max_length} characters",
    "dict_type": "must be a table in {{ }}",
    "tuple_type": "must be a list in [ ]",
    "list_type": "must be a list in [ ]",
    "model_type": "must be a section, or a table in {{ }}",
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be {ge:g} or more",
    "less_than": "must be below {lt:g}",
    "less_than_equal": "must be {le:g} or less",
    "literal_error": "must be {expected}",
}


def mistake_of(file: Path, detail: ErrorDetails, units: Units, model: type[BaseModel] = Project) -> Mistake:
    """What a person reads of one complaint about a file whose keys are those of a model."""
    loc, kind, ctx = detail["loc"], detail["type"], detail.get("ctx", {})
    field, wanted = field_at(loc, model), wanted_at(loc, units, model)
    if kind == "extra_forbidden":
        near = _nearest(loc, model)
        return Mistake("unknown key", f"did you mean {near}?" if near else "take it out", file, key_text(loc))
    if kind == "missing":
        return Mistake("is missing", wanted, file, key_text(loc))
    if kind == "too_short":
        return Mistake(f"has {_entries(ctx['actual_length'])}, needs {ctx['min_length']}", wanted, file, key_text(loc))
    if kind == "too_long":
        return Mistake(f"has {_entries(ctx['actual_length'])}, takes {ctx['max_length']}", wanted, file, key_text(loc))
    if kind == "phaseopt":
        meaning = "" if field is None else meaning_of(field, units)
        hint = f"{ctx['hint']} ({meaning})" if meaning and len(meaning) < _LONG else ctx["hint"]
        return Mistake(_with_value(ctx["problem"], detail["input"]), hint, file, key_text(loc))
    plain = _PLAIN.get(kind, detail["msg"].removeprefix("Input ")).format(**ctx)
    return Mistake(_with_value(plain, detail["input"]), wanted, file, key_text(loc))


def _entries(count: int) -> str:
    return "1 entry" if count == 1 else f"{count} entries"


def _with_value(problem: str, value: object) -> str:
    text = repr(value)
    named = text in problem or (isinstance(value, str) and bool(value) and value in problem)
    return problem if isinstance(value, dict | list) or named or len(text) > 60 else f"{problem} (it is {text})"


def key_text(loc: Loc) -> str:
    """A key as a person finds it in the file: list entries are counted from 1, and so are the numbers of one.

    >>> key_text(("drop", "intake", "around_tdc", 2, 1))
    'drop.intake.around_tdc (entry 3, number 2)'
    """
    text = ""
    for part in loc:
        if not isinstance(part, int):
            text += f".{part}" if text else part
        elif text.endswith(")"):
            text = f"{text[:-1]}, number {part + 1})"
        else:
            text += f" (entry {part + 1})"
    return text


def field_at(loc: Loc, root: type[BaseModel] = Project) -> FieldInfo | None:
    """The field of a key; None where there is none."""
    model: type[BaseModel] | None = root
    field: FieldInfo | None = None
    for part in loc:
        if isinstance(part, int):
            continue
        if model is None:
            return field
        by_alias = {info.alias or name: info for name, info in model.model_fields.items()}
        field = by_alias.get(part)
        model = section_in(field.annotation)[0] if field is not None else None
    return field


def keys_at(loc: Loc, root: type[BaseModel] = Project) -> list[str]:
    """The keys of a section; none where it is no section."""
    model = root if not loc else section_in(getattr(field_at(loc, root), "annotation", None))[0]
    return [] if model is None else [info.alias or name for name, info in model.model_fields.items() if name != "file"]
