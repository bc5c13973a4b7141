"""Reading `project.toml`: every mistake reported at once, each with file, key, value and fix."""

import hashlib
import io
import os
import tomllib
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from operator import eq
from pathlib import Path
from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError

from phaseopt.io.text import MOST_PROJECT, require_plain
from phaseopt.io.toml_mistakes import toml_mistake
from phaseopt.project import AsGiven, Project, Pull
from phaseopt.project.answers import BLANK
from phaseopt.project.changes import OPTION, changed_key, with_changes
from phaseopt.project.cross_checks import contradictions
from phaseopt.project.log_folder import LogFolder
from phaseopt.project.mistakes import Loc, field_at, key_text, mistake_of, once_each, wanted_at
from phaseopt.values.display_units import Units
from phaseopt.values.errors import InputError, Mistake


def load_project(path: str | Path, *, without: Collection[str] = (), changes: Sequence[str] = ()) -> Project:
    """Read and validate a project file.

    Parameters
    ----------
    path : path
        A TOML file; relative paths in it start from its folder.
    without : collection of str
        Sections, and keys of any section, that the caller can do without, such as `LIMITS_DO_WITHOUT`: what is still
        to be filled in there is left out of the project, as if the file did not mention it.
    changes : sequence of str
        Keys to read as if the file had other values, as "intake.offset=-10", values as TOML. For a look at what they
        do: a build of such a project is not one of its file.

    Returns
    -------
    Project
        Validated as a whole; its values are in the documented units.

    Raises
    ------
    InputError
        With every mistake found: file, key, value and fix.

    Examples
    --------
    >>> project = load_project("examples/hillclimb/project.toml")
    >>> project.intake.offset, project.intake.phaser.travel  # crank degrees
    (-12.0, (0.0, 45.0))
    """
    file = Path(path)
    return load_given(file, read_given(file), without=without, changes=changes)


def load_given(file: Path, given: AsGiven, *, without: Collection[str] = (), changes: Sequence[str] = ()) -> Project:
    """`load_project` for contents that the file need not have yet."""
    raw = _set_aside(with_changes(given.table, changes), without)
    if "file" in raw:
        raise InputError([Mistake("unknown key", "take the key out", file, "file")])
    units: Units = "inch" if raw.get("units") == "inch" else "metric"
    context = {"folder": file.parent, "units": units}
    blanks = list(_blanks(raw, ()))
    mistakes = [Mistake("is blank", wanted_at(loc, units), file, key_text(loc)) for loc in blanks]
    try:
        project = Project.model_validate({**raw, "file": file}, context=context)
    except ValidationError as error:
        # a blank, and a section with one, is judged only when it is filled in
        found = error.errors(include_url=False)
        details = [d for d in found if not any(all(map(eq, d["loc"], blank)) for blank in blanks)]
        mistakes += [mistake_of(file, detail, units) for detail in once_each(details)]
    sections = _valid_sections(raw, context)
    mistakes += [Mistake(problem, hint, file, key) for key, problem, hint in contradictions(sections)]
    if mistakes:
        raise InputError(_of_change(mistake, changes) for mistake in mistakes)
    return project.read_from(given._replace(read=raw))


def project_of(table: dict[str, Any], base: Project) -> Project:
    """A project of other keys than a project's file has, as if it had them; its file stays the base's.

    Parameters: `table` of keys as in a project file; `base`, whose folder file names start from.
    Raises `InputError` with every mistake found: key, value and fix, and the base's file.
    """
    units: Units = "inch" if table.get("units") == "inch" else "metric"
    context = {"folder": base.folder, "units": units}
    try:
        found = Project.model_validate({**table, "file": base.file}, context=context)
    except ValidationError as error:
        details = once_each(error.errors(include_url=False))
        raise InputError(mistake_of(base.file, detail, units) for detail in details) from None
    if wrong := contradictions(dict(found)):
        raise InputError(Mistake(problem, hint, base.file, key) for key, problem, hint in wrong)
    return found.read_from(base.as_given._replace(read=table))


def _of_change(mistake: Mistake, changes: Sequence[str]) -> Mistake:
    """A mistake in a changed key, or in the value that it was put into, is none of the file's."""
    where = f"{mistake.where}."
    if not any(where.startswith(f"{key}.") or f"{key}.".startswith(where) for key in map(changed_key, changes)):
        return mistake
    return replace(mistake, file=None, where=f"{OPTION} {mistake.where}")


def load_pull(path: str | Path, project: Project, weather: str | None = None) -> tuple[Pull, dict[str, Any]]:
    """Read a pull that is not in the project file, as if it were.

    Parameters
    ----------
    path : path
        A TOML file with one entry as under [[torque.pulls]], its log files named from its own folder; or a log, which
        counts as a brake sweep.
    project : Project
        Its [torque] says how logs are read.
    weather : str, optional
        "pressure, temperature, humidity", for an entry that states none.

    Returns
    -------
    Pull, dict
        The pull, and the entry that it would be in the project file.

    Raises
    ------
    InputError
        With every mistake found.
    """
    file = Path(path)
    if not file.exists():
        raise InputError.one("there is no such file", hint="name a log, or a TOML file with its entry", file=file)
    a_log = file.suffix.lower() != ".toml"
    entry: dict[str, Any] = {"kind": "sweep", "files": [file.name]} if a_log else _entry(file)
    torque = project.torque
    if a_log and weather is None and torque is not None and torque.needs_air(Pull(files=(file.name,))):
        needs = torque.correction if torque.correction != "none" else "full_throttle.depression_below"
        others = "" if torque.weather is None else "; torque.weather counts for the project's own pulls alone"
        problem = f"{needs} needs the weather of this pull{others}"
        hint = f'add --weather "{_WEATHER_EXAMPLE}" as read at this pull: barometer, intake air, humidity'
        raise InputError.one(problem, hint=hint, file=file)
    if weather is not None:
        if "weather" in entry:
            raise InputError.one("the weather is stated here already", hint="leave --weather out", file=file)
        entry["weather"] = _weather(weather)
    if isinstance(entry.get("files"), list):
        entry["files"] = [
            Path(os.path.relpath(file.parent / name, project.folder)).as_posix() if isinstance(name, str) else name
            for name in entry["files"]
        ]
    try:
        pull = Pull.model_validate(entry, context={"units": project.units})
    except ValidationError as error:
        details = once_each([{**d, "loc": (*_PULL, *d["loc"])} for d in error.errors(include_url=False)])
        raise InputError(replace(m, where=m.where.removeprefix(key_text(_PULL) + ".")) for m in (
            mistake_of(file, detail, project.units) for detail in details)) from None  # fmt: skip
    _refuse_contradictions(file, project, pull)
    return pull, entry


def check_value(key: str, value: object, units: Units = "metric") -> None:
    """Refuse a value that a key cannot have, for any values of the other keys.

    Parameters
    ----------
    key : str
        As "crank.bore".
    value : object
        A number, or text with a unit of its own.
    units : "metric" or "inch"
        What a number without a unit is in.

    Raises
    ------
    InputError
        With what is wrong and how to fix it.

    Examples
    --------
    >>> check_value("crank.bore", "3.39 in")
    >>> check_value("crank.bore", -86)
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: must be above 0 (it is -86.0). Fix: give bore, mm.
    """
    loc: Loc = tuple(key.split("."))
    field = field_at(loc)
    assert field is not None
    assert field.annotation is not None
    wanted: Any = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
    try:
        TypeAdapter(wanted).validate_python(value, context={"units": units})
    except ValidationError as error:
        details = once_each([{**detail, "loc": (*loc, *detail["loc"])} for detail in error.errors(include_url=False)])
        raise InputError(replace(mistake_of(Path(), d, units), file=None, where="") for d in details) from None


# What contact does not depend on, unless the project says otherwise: sections, and keys of any section. Where one is
# needed after all (a head's diameter, for valve to valve), the checks between sections ask for it.
LIMITS_DO_WITHOUT = (
    "torque", "torque_grid", "cycle", "search", "firing_order", "slew", "compression_ratio", "head_diameter",
)  # fmt: skip
REDUCE_DOES_WITHOUT = tuple(name for name in LIMITS_DO_WITHOUT if name != "torque")
SIMULATE_DOES_WITHOUT = ("torque", "torque_grid", "search", "slew")


def open_blanks(path: str | Path) -> dict[str, int]:
    """How many blanks each section of a project still has, by its name; "" for the keys above all sections.

    Parameters: the `path` of a project file. Raises `InputError` where it cannot be read.
    """
    raw = _read_toml(Path(path))
    return dict(Counter("" if len(loc) == 1 else str(loc[0]) for loc in _blanks(raw, ())))


_ALL_OPTIONAL = ("search",)
_WEATHER_EXAMPLE = "98.7 kPa, 18 degC, 0.55"
_DEEPEST = 20
_PULL: Loc = ("torque", "pulls", 0)


def _entry(file: Path) -> dict[str, Any]:
    """The one entry of a file, under [[torque.pulls]] or by itself."""
    raw = _read_toml(file)
    entries = raw.get("torque", {}).get("pulls") if isinstance(raw.get("torque"), dict) else None
    if entries is None:
        return raw
    if not isinstance(entries, list) or len(entries) != 1 or set(raw) != {"torque"}:
        raise InputError.one("does not hold one pull", hint="keep one [[torque.pulls]] and nothing else", file=file)
    return dict(entries[0])


def _weather(text: str) -> dict[str, Any]:
    parts = [part.strip() for part in text.split(",")]
    if len(parts) != 3:
        hint = f'give "{_WEATHER_EXAMPLE}": barometer, intake air, relative humidity, a comma between'
        raise InputError.one(f"{text!r} is not three values", hint=hint, where="--weather")
    return dict(zip(("pressure", "temperature", "humidity"), parts, strict=True))


def _refuse_contradictions(file: Path, project: Project, pull: Pull) -> None:
    """What the pull lacks that the project's way of reading logs needs."""
    if project.torque is None:
        raise InputError.one(
            "there is no torque section, so how to read the log is not known",
            hint="describe columns, units and phases in [torque], with the pulls made so far",
            file=project.file,
            where="torque",
        )
    alone = project.torque.model_copy(update={"pulls": (pull,)})
    found = contradictions({**dict(project), "torque": alone})
    here = [(key, problem, hint) for key, problem, hint in found if key.startswith("torque.pulls")]
    if here:
        raise InputError(Mistake(problem, hint, file, key.rpartition(").")[2]) for key, problem, hint in here)


def _read_toml(file: Path) -> dict[str, Any]:
    return read_given(file).table


def read_given(file: Path) -> AsGiven:
    """A TOML file of ours as it is now. Raises `InputError` where it cannot be read."""
    if not file.is_dir():
        require_plain(file, MOST_PROJECT)
    try:
        data = file.read_bytes()
        text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8-sig").read()
    except FileNotFoundError:
        raise InputError.one("there is no such file", hint="check the path of the project file", file=file) from None
    except IsADirectoryError:
        raise InputError.one("this is a folder", hint="name the project.toml inside it", file=file) from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.one(
            f"cannot be read ({error})", hint="save it as UTF-8 text you may read", file=file
        ) from None
    try:
        found = tomllib.loads(text)
        _require_flat(found)
        return AsGiven(found, hashlib.sha256(data).hexdigest(), found)
    except RecursionError:
        raise InputError.one("is nested too deeply", hint="take the needless brackets out", file=file) from None
    except ValueError as error:
        if not isinstance(error, tomllib.TOMLDecodeError):
            raise InputError.one("holds a number too long to read", hint="shorten it", file=file) from None
        raise toml_mistake(file, text, str(error)) from None


def _require_flat(raw: dict[str, Any]) -> None:
    """Raise `RecursionError` where tables and lists are nested far deeper than any key."""
    level: list[Any] = [raw]
    for _ in range(_DEEPEST):
        inside = [each.values() if isinstance(each, dict) else each for each in level]
        level = [value for values in inside for value in values if isinstance(value, dict | list)]
        if not level:
            return
    raise RecursionError


def states_pulls(path: str | Path) -> bool:
    """Whether a project names logs of pulls, or has a folder with some; other keys may still be blank.

    Parameters: the `path` of a project file. Raises `InputError` where it cannot be read.
    """
    torque = _read_toml(Path(path)).get("torque")
    if not isinstance(torque, dict):
        return False
    pulls, logs = torque.get("pulls"), torque.get("logs")
    named = isinstance(pulls, list) and any(isinstance(pull, dict) and not list(_blanks(pull, ())) for pull in pulls)
    if named or not isinstance(logs, str) or not os.path.isdir(Path(path).parent / logs):
        return named
    try:
        return bool(LogFolder(Path(path).parent, logs).in_folder())
    except ValueError:  # one that may not be read: who reads the pulls reports it
        return True


def _set_aside(raw: dict[str, Any], without: Collection[str], loc: Loc = ()) -> dict[str, Any]:
    """What the file states, less each section or key of those named that has a blank in it.

    Of a section whose keys may all be left out, only the blank keys go. A key that is not known stays, to be refused.
    """
    found = {}
    for key, value in raw.items():
        here = (*loc, key)
        if key in without and field_at(here) is not None and list(_blanks(value, ())):
            if key in _ALL_OPTIONAL and isinstance(value, dict):
                found[key] = _set_aside(value, value, here)
            continue
        found[key] = _set_aside(value, without, here) if isinstance(value, dict) else value
    return found


def _valid_sections(raw: dict[str, Any], context: dict[str, Any]) -> dict[str, Any]:
    """Each top-level section that is valid by itself."""
    valid: dict[str, Any] = {}
    for key, field in Project.model_fields.items():
        if key not in raw or field.annotation is None:
            if not field.is_required():
                valid[key] = field.get_default(call_default_factory=True)
            continue
        try:
            valid[key] = TypeAdapter(field.annotation).validate_python(raw[key], context=context)
        except ValidationError:
            continue
    return valid


def _blanks(value: Any, loc: Loc) -> Iterator[Loc]:
    """Where a project to fill in has not been filled in."""
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _blanks(inner, (*loc, key))
    elif value == BLANK:
        yield loc
