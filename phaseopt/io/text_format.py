"""How somebody else's text is written: encoding, delimiter, decimal sign, the line of column names, a line of units.

The column names that are wanted find the line of names, and with it the delimiter: the one under which most of them
stand there as cells. Nothing is chosen by likelihood beyond that; what may be read in two ways is refused, with the key
of the project that settles it.
"""

import codecs
import contextlib
import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from phaseopt.io.text import (
    DECIMALS,
    DELIMITERS,
    EITHER,
    MOST_LOG,
    Line,
    at_line,
    require_plain,
    split_lines,
    unreadable,
)
from phaseopt.values.errors import InputError

_HEAD_BYTES, _HEAD_LINES = 1 << 19, 500  # where names stand, and enough numbers to tell a decimal sign
_BLOCK = 1 << 22
_MARKS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}
_CALLED = {" ": "blanks"} | DELIMITERS
_THOUSANDS = {sign: re.compile(rf"[+-]?[1-9][0-9]{{0,2}}(\{sign}[0-9]{{3}})+") for sign in DECIMALS}
_UNPRINTABLE = re.compile(r"[\x00-\x08\x0e-\x19\x1c-\x1f\ufffd]")
_MOST_UNPRINTABLE = 0.01  # of the characters of a text
_TWICE = re.compile(r"[+-]?[0-9]{1,3}([.,'\u00a0\u202f ][0-9]{3})+([.,][0-9]*)?")

SETTLED_UNDER = "torque.dialect"  # where a project states what a text leaves open


class Stated(Protocol):
    """What a project states of a text; None is found."""

    @property
    def encoding(self) -> str | None:
        """One of "utf-8", "utf-16", "windows-1252"."""

    @property
    def delimiter(self) -> str | None:
        """One of "comma", "semicolon", "tab", "space"."""

    @property
    def decimal(self) -> str | None:
        """One of "point", "comma"."""

    @property
    def names_line(self) -> int | None:
        """The line of the column names, counted from 1."""


@dataclass(frozen=True)
class TextFormat:
    """How a file is written.

    Parameters
    ----------
    encoding
        As Python names it.
    delimiter, decimal
        One character each; the delimiter " " stands for any run of blanks.
    names, units
        Cells of the line of names; unit text by column name ({} where no line gives units).
    last_line
        The last line above the numbers.
    above
        The lines above the names.
    notes
        What was found, in words, where it is not the plain manner of RFC 4180 in UTF-8.
    """

    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    units: dict[str, str]
    last_line: int
    above: tuple[str, ...]
    notes: tuple[str, ...]


def find_format(file: Path, stated: Stated, wanted: Collection[str]) -> TextFormat:
    """How a text of columns is written.

    Parameters: the `file`; what is `stated` of it; the column names `wanted`.
    Raises `InputError` for a file that cannot be read, is empty, or may be read in two ways.
    """
    require_plain(file, MOST_LOG)
    encoding, notes = _encoding(file, stated)
    lines = _head(file, encoding)
    if not any(line.strip() for line in lines):
        raise InputError.one("the file is empty", hint="log column names and one row a reading", file=file)
    head = "".join(lines)
    if len(_UNPRINTABLE.findall(head)) > _MOST_UNPRINTABLE * len(head):
        hint = "export the recording as text in columns, or as MDF"
        raise InputError.one("this is no text, but a format of its logger's own", hint=hint, file=file)
    delimiter, (line, names) = _names(file, lines, stated, wanted)
    if line > 1:
        notes.append(f"column names in line {line}")
    for name in wanted:
        if names.count(name) > 1:
            raise at_line(file, line, f"column {name!r} is there twice", "give each column a name of its own")
    body = [(at, cells) for at, cells in _cells(lines, delimiter) if at > line and any(cells)]
    at = [names.index(name) for name in wanted if name in names]
    units: dict[str, str] = {}
    last = line
    if body and _is_units(body[0][1], at):
        last, cells = body.pop(0)
        units = {name: cell for name, cell in zip(names, cells, strict=False) if cell}
        notes.append(f"units in line {last}")
    decimal = _decimal(file, body, at, delimiter, stated)
    if delimiter != ",":
        notes.append(f"columns separated by {_CALLED[delimiter]}")
    if decimal == ",":
        notes.append("decimal commas")
    return TextFormat(encoding, delimiter, decimal, tuple(names), units, last, tuple(lines[: line - 1]), tuple(notes))


def _encoding(file: Path, stated: Stated) -> tuple[str, list[str]]:
    try:
        with file.open("rb") as stream:
            start = stream.read(4096)
            if stated.encoding is not None:
                return _variant(stated.encoding, start), []
            if start[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
                return "utf-16", ["text in UTF-16"]
            if start[1:2] == b"\0" or start[:1] == b"\0":
                return _variant("utf-16", start), ["text in UTF-16 without a mark"]
            stream.seek(0)
            if _is_utf8(stream.read(_BLOCK) for _ in iter(int, 1)):
                return "utf-8-sig", []
    except OSError as error:
        raise unreadable(file, error) from error
    return "cp1252", ["not UTF-8: read as Windows-1252"]


def _variant(encoding: str, start: bytes) -> str:
    if encoding == "utf-16" and start[:2] not in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return "utf-16-be" if start[:1] == b"\0" else "utf-16-le"
    return {"utf-8": "utf-8-sig", "windows-1252": "cp1252"}.get(encoding, encoding)


def _is_utf8(blocks: Iterator[bytes]) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for block in blocks:
            decoder.decode(block, final=not block)
            if not block:
                return True
    except UnicodeDecodeError:
        pass
    return False


def _head(file: Path, encoding: str) -> list[str]:
    with file.open("rb") as stream:
        raw = stream.read(_HEAD_BYTES)
        whole = not stream.read(1)
    text = raw.decode(encoding, errors="replace")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    lines = [line + "\n" for line in lines[:-1]] + [line for line in lines[-1:] if line]
    return (lines if whole or len(lines) < 2 else lines[:-1])[:_HEAD_LINES]


def _cells(lines: list[str], delimiter: str) -> list[Line]:
    """Cells of the lines as far as they can be parted; a quote out of place ends them."""
    found: list[Line] = []
    with contextlib.suppress(InputError):
        for at, cells in split_lines(Path(), lines, delimiter):
            found.append((at, [cell.strip() for cell in cells]))
    return found


def _names(file: Path, lines: list[str], stated: Stated, wanted: Collection[str]) -> tuple[str, Line]:
    """The delimiter, and the line of names under it."""
    marks = list(_CALLED) if stated.delimiter is None else [_MARKS[stated.delimiter]]
    best: list[tuple[int, str, Line]] = []
    for mark in marks:
        table = [line for line in _cells(lines, mark) if stated.names_line in (None, line[0])]
        counted = [(len(set(wanted) & set(cells)), mark, (at, cells)) for at, cells in table]
        if counted:
            best.append(max(counted, key=lambda found: found[0]))  # the first of the best
    most = max((found[0] for found in best), default=0)
    best = [found for found in best if found[0] == most]
    if most and len({tuple(cells) for _, _, (_, cells) in best}) > 1:
        called = " or ".join(_CALLED[mark] for _, mark, _ in best)
        hint = f'state it, such as delimiter = "semicolon" under {SETTLED_UNDER}'
        raise at_line(file, best[0][2][0], f"columns may be separated by {called}", hint)
    return best[-1][1:] if most else _names_unseen(file, lines, marks, stated)


def _names_unseen(file: Path, lines: list[str], marks: list[str], stated: Stated) -> tuple[str, Line]:
    """A line of names that holds none of those wanted, for the message about it: the last above the numbers."""
    tables = [(mark, [line for line in _cells(lines, mark) if any(line[1])]) for mark in marks]
    tables = [(mark, table) for mark, table in tables if table]
    if not tables:
        raise InputError.one("no line of columns can be read", hint="check the quotes in line 1", file=file)
    if stated.names_line is not None:
        chosen = [(mark, line) for mark, table in tables for line in table if line[0] == stated.names_line]
        if not chosen:
            hint = "the line that names the columns, counted from 1"
            raise InputError.one(f"there is nothing in line {stated.names_line}", hint=hint, file=file)
        return max(chosen, key=lambda found: len(found[1][1]))
    mark, table = max(tables, key=lambda found: max(map(len, (cells for _, cells in found[1][-20:]))))
    width = len(table[-1][1])
    words = [line for line in table if len(line[1]) == width and not any(map(EITHER.fullmatch, line[1]))]
    return mark, (words or table)[0]


def _is_units(cells: list[str], at: list[int]) -> bool:
    """Words under the names, and no number where numbers are wanted."""
    wanted = [cells[i] for i in at if i < len(cells)]
    return len(wanted) == len(at) and any(wanted) and not any(map(_starts_a_number, wanted))


def _starts_a_number(cell: str) -> bool:
    return re.match(r"[+-]?[.,]?[0-9]", cell) is not None and cell.lower() not in ("1/min", "1/s")


def _decimal(file: Path, body: list[Line], at: list[int], delimiter: str, stated: Stated) -> str:
    """The decimal sign of the wanted cells; refused where the same cells could be whole thousands."""
    if stated.decimal is not None:
        return "," if stated.decimal == "comma" else "."
    seen: dict[str, tuple[int, str]] = {}
    sure = {"."} if delimiter == "," else set()  # beside comma delimiters a point is the RFC's decimal
    for line, cells in body:
        for cell in (cells[i] for i in at if i < len(cells)):
            if cell.count(",") and cell.count(".") and _TWICE.fullmatch(cell):
                hint = "export numbers without marks of thousands"
                raise at_line(file, line, f"{cell!r} has a mark of thousands", hint)
            for sign in DECIMALS:
                if sign not in cell or (sign in seen and sign in sure):
                    continue
                if EITHER.fullmatch(cell) or _THOUSANDS[sign].fullmatch(cell):
                    seen.setdefault(sign, (line, cell))
                    if EITHER.fullmatch(cell) and not _THOUSANDS[sign].fullmatch(cell):
                        sure.add(sign)
    if len(seen) == 2:
        (line, cell), (_, other) = seen[","], seen["."]
        hint = "export with one decimal sign, without marks of thousands"
        raise at_line(file, line, f"{cell!r} and {other!r} stand in one file", hint)
    for sign, (line, cell) in seen.items():  # one at most
        if sign not in sure:
            problem = f"{cell!r} may be a decimal {DECIMALS[sign][:-1]} or a mark of thousands"
            hint = f'state decimal = "point" or decimal = "comma" under {SETTLED_UNDER}, and export without such marks'
            raise at_line(file, line, problem, hint)
        return sign
    return "."
