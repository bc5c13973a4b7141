"""Lobe files as cam benches write them: which columns are a lobe, by their headings.

A file of the program's own form has one angle and one lift (`lobe_file.py`). A bench also writes both flanks beside
each other over degrees from the nose, and several lobes side by side. What a heading does not say is never guessed: a
flank that is not named could mirror the lobe, and lift at the valve is another curve than lift at the lifter. So the
message has the heading to write.
"""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from phaseopt.io.columns import Columns, require_delimiter
from phaseopt.io.text import Line, at_line, lines_of, number, number_in
from phaseopt.project import Side
from phaseopt.values.errors import InputError

LIFTS = 2.0, 25.0  # mm; outside it a column is not lift in mm
NOSE_ALIKE = 0.05  # mm that both flanks may differ by on the nose, which is one place of the lobe
UNITS = {"mm": 1.0, "in": 25.4, "thou": 0.0254}

LobeFlank = Literal["opening", "closing"]

_ANGLE = {"deg", "degs", "degree", "degrees", "angle", "°"}
_LIFTER = {"lobe", "lifter", "tappet", "follower", "bucket"}
_VALVE = {"valve", "retainer"}
_FLANKS: dict[str, LobeFlank] = {
    "opening": "opening", "open": "opening", "opens": "opening", "closing": "closing", "close": "closing",
    "closes": "closing",
}  # fmt: skip
_UNIT_WORDS = {"mm": "mm", "inch": "in", "inches": "in", '"': "in", "thou": "thou"}
_UNIT_AT_END = re.compile(r"(?:[_(\[]\s*(mm|in|inch|inches|thou|\")\.?\s*[)\]]?|\s(mm|inch|inches|thou))\s*$")
_SIDES: dict[str, Side] = {
    "intake": "intake", "inlet": "intake", "int": "intake", "in": "intake",
    "exhaust": "exhaust", "exh": "exhaust", "ex": "exhaust",
}  # fmt: skip
_NAMED = 8  # lobes that a message names


@dataclass(frozen=True, eq=False)
class LobeColumns:
    """A lobe as its file has it: `columns` with an angle and a lift of the program's own names, in mm; its heading."""

    columns: Columns
    angle: str
    lift: str
    name: str


@dataclass(frozen=True)
class _Heading:
    """What the heading of a lift says."""

    place: int
    text: str
    flank: LobeFlank | None
    unit: str | None
    at: str | None  # "lift_mm", "valve_lift_mm"; None where it does not say


def side_of(name: str) -> Side | None:
    """The kind of valve that a heading names; None where it names none, or both.

    >>> side_of("lobe 1 intake"), side_of("cyl 3 ex (in)"), side_of("lift_in"), side_of("cam 2")
    ('intake', 'exhaust', None, None)
    """
    text = re.sub(r"\b(lift|deg|degrees) in\b", "", _UNIT_AT_END.sub("", name.casefold()))  # "lift in inches"
    found = {_SIDES[word] for word in _words(text) if word in _SIDES}
    return found.pop() if len(found) == 1 else None


def lobe_names(path: Path) -> tuple[str, ...]:
    """The lobes of a file, by the names that `lobe_columns` takes; none where it has no heading."""
    lines = lines_of(path)
    return tuple(_lobes(path, _parted(path, lines)[2])) if lines else ()


def lobe_columns(path: Path, name: str | None = None) -> LobeColumns:
    """One lobe of a file.

    Parameters
    ----------
    path : Path
        CSV or spreadsheet. The first line names the columns: an angle, and for each lobe a lift, or its opening and its
        closing flank over degrees from the nose.
    name : str, optional
        Which of several, as its heading says. Left out where there is one.

    Returns
    -------
    LobeColumns

    Raises
    ------
    InputError
        Several lobes and no name, or one that is not there; headings that leave open which degrees, which flank or at
        which part lift was measured; flanks that do not meet on the nose. Each with the heading to write.
    """
    lines = lines_of(path)
    if not lines:
        raise InputError.one("the file is empty", hint="a heading cam_deg,lift_mm and one row a reading", file=path)
    body, angle, headings = _parted(path, lines)
    lobes = _lobes(path, headings)
    name = _chosen(path, lobes, name)
    chosen = lobes[name]
    flanks = {each.flank for each in chosen}
    kind = _angle_name(path, lines[0], angle, flanked=flanks != {None})
    at = _measured_at(path, chosen)
    table = _numbers(path, lines[0][1], body, [angle.place, *(each.place for each in chosen)])
    lines_read = [line for line, _ in body]
    lifts = [_in_mm(path, each, table[:, k + 1]) for k, each in enumerate(chosen)]
    if flanks == {None}:
        return LobeColumns(Columns(path, lines_read, {kind: table[:, 0], at: lifts[0]}), kind, at, name)
    both = dict(zip([each.flank for each in chosen], lifts, strict=True))
    read = Columns(path, lines_read, {kind: table[:, 0], "opening": both["opening"], "closing": both["closing"]})
    return LobeColumns(_joined(read, kind, at), kind, at, name)


def _parted(path: Path, lines: Sequence[Line]) -> tuple[list[Line], _Heading, list[_Heading]]:
    """The rows of numbers, the heading of the angle, and those of all other columns."""
    head, body = lines[0], list(lines[1:])
    require_delimiter(path, head)
    cells = [cell.strip() for cell in head[1]]
    first = next((k for k, (_, row) in enumerate(lines) if _all_numbers(row)), None)
    if first is None:
        raise InputError.one("no row of numbers", hint="a heading, then one row a reading", file=path)
    if first != 1:
        problem = "there is no heading above the numbers" if first == 0 else "the first line is no heading"
        hint = f"let the first line be the heading, such as {_EXAMPLE}"
        if first > 1:
            hint = f"delete what is above line {lines[first - 1][0]}, so that it is the first, a heading"
        raise at_line(path, head[0], problem, hint)
    for text in cells:
        if text and [each.casefold() for each in cells].count(text.casefold()) > 1:
            raise at_line(path, head[0], f"column {text!r} is there twice", "give each column a name of its own")
    headings = [_heading(place, text) for place, text in enumerate(cells) if text]
    angles = [each for each in headings if set(_words(each.text.casefold())) & _ANGLE]
    if len(angles) != 1:
        found = " and ".join(repr(each.text) for each in angles[:2]) or "no heading with degrees"
        problem = f"{found}: it is not clear which column is the angle"
        raise at_line(path, head[0], problem, f"write the heading as {_EXAMPLE}; one column of degrees")
    others = [each for each in headings if each is not angles[0]]
    if not others:
        raise at_line(path, head[0], "no column of lift", f"write the heading as {_EXAMPLE}")
    return body, angles[0], others


_EXAMPLE = "cam_deg,lift_mm, or cam_deg,opening_lift_mm,closing_lift_mm"


def _all_numbers(row: Sequence[str]) -> bool:
    filled = [cell.strip() for cell in row if cell.strip()]
    return len(filled) > 1 and all(math.isfinite(number(cell)) for cell in filled)


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W\d_]+|[0-9]+|°|\"", text)


def _heading(place: int, text: str) -> _Heading:
    folded = text.casefold()
    words = set(_words(folded))
    flanks = {_FLANKS[word] for word in words if word in _FLANKS}
    end = _UNIT_AT_END.search(folded)
    unit = (end[1] or end[2]) if end is not None else None
    plain = bool(re.fullmatch(r"(opening_|closing_)?lift_(mm|in|thou)", folded))
    lifter, valve = bool(words & _LIFTER), bool(words & _VALVE)
    at = "lift_mm" if plain or (lifter and not valve) else "valve_lift_mm" if valve and not lifter else None
    return _Heading(place, text, flanks.pop() if len(flanks) == 1 else None, _UNIT_WORDS.get(unit or "", unit), at)


def _lobes(path: Path, headings: Iterable[_Heading]) -> dict[str, tuple[_Heading, ...]]:
    """The lobes by name: a column each, or two whose headings differ in the flank alone."""
    found: dict[str, list[_Heading]] = {}
    for each in headings:
        found.setdefault(_label(each), []).append(each)
    lobes: dict[str, tuple[_Heading, ...]] = {}
    for label, columns in found.items():
        if columns[0].flank is None:
            lobes |= {each.text: (each,) for each in columns}
            continue
        if sorted(each.flank or "" for each in columns) != ["closing", "opening"]:
            alone = columns[0]
            other = "closing" if alone.flank == "opening" else "opening"
            problem = f"{alone.text!r} has no {other} flank beside it"
            hint = f"name the other flank with the same words and {other!r} in place of {alone.flank!r}"
            raise InputError.one(problem, hint=hint, file=path, where="line 1")
        lobes[label or "lift"] = tuple(columns)
    return lobes


def _label(heading: _Heading) -> str:
    """A flank's heading without the flank and the unit, as the lobe's name."""
    if heading.flank is None:
        return f"\n{heading.text}"
    text = _UNIT_AT_END.sub("", heading.text.casefold())
    return " ".join(word for word in re.split(r"[\s_,;:()\[\]-]+", text) if word and word not in _FLANKS)


def _chosen(path: Path, lobes: Iterable[str], name: str | None) -> str:
    """The name of the lobe that is meant."""
    lobes = list(lobes)
    called = [f'"{each}"' for each in lobes][:_NAMED]
    listed = ", ".join(called) + (f" and {len(lobes) - _NAMED} more" if len(lobes) > _NAMED else "")
    if name is None:
        if len(lobes) > 1:
            hint = f"write lobe_column = {called[0]} below lobe = ...; a list counts each lobe of one kind of valve"
            raise InputError.one(f"the file holds {len(lobes)} lobes: {listed}", hint=hint, file=path)
        return lobes[0]
    wanted = " ".join(name.casefold().split())
    for each in lobes:
        if " ".join(each.casefold().split()) == wanted:
            return each
    raise InputError.one(f'no lobe "{name}" in the file', hint=f"it holds {listed}", file=path)


def _angle_name(path: Path, head: Line, angle: _Heading, *, flanked: bool) -> str:
    """The program's name of the angle."""
    text, words = angle.text.casefold(), set(_words(angle.text.casefold()))
    if flanked:
        kinds = [kind for kind in ("cam", "crank") if words & {kind, f"{kind}shaft"}]
        if len(kinds) != 1:
            hint = "call it cam_deg (degrees of the cam from the nose), or crank_deg where they are of the crank"
            raise at_line(path, head[0], f"{angle.text!r} does not say which degrees they are", hint)
        return f"{kinds[0]}_deg"
    if text in ("cam_deg", "crank_deg", "bench_deg"):
        return text
    hint = (
        "call it bench_deg (cam degrees from any zero that rise as the cam turns in the engine), or cam_deg (from "
        "the nose, negative on the opening flank)"
    )
    raise at_line(path, head[0], f"{angle.text!r} does not say which flank opens the valve", hint)


def _measured_at(path: Path, chosen: Sequence[_Heading]) -> str:
    found = {each.at for each in chosen}
    if len(found) == 1 and (at := found.pop()) is not None:
        return at
    text = next((each.text for each in chosen if each.at is None), chosen[0].text)
    bare = re.sub(r"\s*\b(valve|retainer|lobe|lifter|tappet|follower|bucket)\b", "", text, flags=re.IGNORECASE)
    hint = f'write "lifter {bare.strip()}" there, or "valve {bare.strip()}" for lift at its retainer, lash as set'
    raise InputError.one(f"{text!r} does not say where lift was measured", hint=hint, file=path, where="line 1")


def _numbers(path: Path, names: Sequence[str], body: Sequence[Line], places: Sequence[int]) -> np.ndarray:
    table = np.empty((len(body), len(places)))
    for row, (line, cells) in zip(table, body, strict=True):
        if len(cells) != len(names):
            hint = "one field for each column"
            raise at_line(path, line, f"{len(cells)} fields where the heading has {len(names)}", hint)
        row[:] = [number_in(path, line, names[place].strip(), cells[place]) for place in places]
    return table


def _in_mm(path: Path, heading: _Heading, lift: np.ndarray) -> np.ndarray:
    """Lift in mm. Where no unit is stated the greatest lift shows it: no lobe of one unit is one in another."""
    top = float(lift.max())
    fits = [unit for unit, size in UNITS.items() if LIFTS[0] <= top * size <= LIFTS[1]]
    if not fits:
        hint = "give lift in mm, or in inches or thousandths with (in) or (thou) in the heading"
        raise InputError.one(f"{heading.text!r} lifts by {top:g} at most, which is no lobe's", hint=hint, file=path)
    if heading.unit is not None and heading.unit != fits[0]:
        problem = f"{heading.text!r} lifts by {top:g} at most, which is no lobe in that unit"
        raise InputError.one(problem, hint=f"is it {fits[0]}? Then write ({fits[0]}) in the heading", file=path)
    return np.asarray(lift * UNITS[fits[0]])


def _joined(read: Columns, angle: str, lift: str) -> Columns:
    """Both flanks as one lobe: the opening flank before the nose, the closing flank after it."""
    for row in np.flatnonzero(read[angle] < 0)[:1]:
        problem = f"{read[angle][row]:g} degrees: with both flanks on a line, degrees count from the nose, both ways"
        raise read.error(int(row), problem, "begin at 0 on the nose, or name one lift and cam_deg, its opening side -")
    order = np.argsort(read[angle], kind="stable")
    sorted_lines = [read.lines[row] for row in order]
    rows = Columns(read.path, sorted_lines, {name: values[order] for name, values in read.items()})
    rows.require_increasing(angle)
    degrees, opening, closing = rows[angle], rows["opening"], rows["closing"]
    for name, flank in (("opening", opening), ("closing", closing)):
        if flank[0] < flank.max() - NOSE_ALIKE:
            problem = f"the {name} flank lifts less at {degrees[0]:g}° than farther on"
            raise rows.error(0, problem, "count degrees from the nose, where lift is greatest")
    on_nose = degrees[0] == 0.0
    if on_nose and abs(opening[0] - closing[0]) > NOSE_ALIKE:
        problem = f"on the nose the flanks differ: {opening[0]:.3f} and {closing[0]:.3f} mm"
        raise rows.error(0, problem, "0 is one place of the lobe: read it again, or check that both are of one lobe")
    before = slice(None, 0, -1) if on_nose else slice(None, None, -1)
    nose = np.maximum(opening, closing) if on_nose else closing
    lines = [*reversed(sorted_lines[1 if on_nose else 0 :]), *sorted_lines]
    lifts = np.concatenate([opening[before], nose[:1], closing[1:]])
    return Columns(read.path, lines, {angle: np.concatenate([-degrees[before], degrees]), lift: lifts})
