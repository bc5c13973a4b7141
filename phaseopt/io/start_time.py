"""The time of day at which a log begins, as the log itself shows it.

It is looked for in the time column, in labelled lines above the names ("Start time: 14:05"), in the file's name beside
a date ("2026-05-03_1405"), and in the header of an ASAM MDF file. The time at which a file was last written is never
used: a copy has another. A clock in a column that begins within half an hour of midnight counts seconds from the start
of the recording (common practice, no source), so it shows no time of day.
"""

import re
import struct
from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from itertools import islice
from pathlib import Path

from phaseopt.io.text import split_lines
from phaseopt.io.text_format import Stated, TextFormat, find_format
from phaseopt.values.errors import InputError

_CLOCK = re.compile(
    r"(?<![0-9:.])([0-9]{1,2})[:h]([0-5][0-9])(?::([0-5][0-9])(?:[.,][0-9]+)?)?(?![0-9:])(?:\s*([ap])\.?m\b)?",
    re.IGNORECASE,
)
_STARTS = r"start|begin|began|first|recorded|logged|début|beginn|inicio|inizio"
_TIMES = r"time|date|clock|created|uhrzeit|zeit|datum|heure|hora|ora|tijd|klockan|tid"
_LABEL = re.compile(rf"\b(?:{_STARTS}|{_TIMES})", re.IGNORECASE)
_BEGINS = re.compile(rf"\b(?:{_STARTS})", re.IGNORECASE)
_NO_START = re.compile(
    r"duration|elapsed|interval|length|lap|run ?time|export|print|saved|end\b|ended|stop", re.IGNORECASE
)
_NAMED = re.compile(
    r"20[0-9]{2}[-_.]?[01][0-9][-_.]?[0-3][0-9][-_ tT]+"
    r"([0-2][0-9])[-_.h]?([0-5][0-9])(?:[-_.m]?([0-5][0-9]))?(?![0-9])"
)
_ELAPSED = time(0, 30)  # a clock that begins before this began at 0
_APART = 30 * 60  # s between two labelled times, neither of them called a start: which one is meant is not clear


def start_time(file: Path, column: str | None, stated: Stated) -> time | None:
    """The time of day at which a log begins; None where nothing shows it.

    Parameters: the `file`; the time `column`, if there is one; what is `stated` of how the text is written.
    """
    header = _mdf_header(file)
    found = _of_mdf(header) if header is not None else _of_text(file, column, stated)
    return found or _of_name(file.name)


def clock_in(text: str) -> time | None:
    """The first time of day in a text, in 24 hours or with am and pm; None where there is none.

    >>> clock_in("14:05"), clock_in("3.5.2026 2:05:30 PM"), clock_in("9h30"), clock_in("25:00"), clock_in("14.05")
    (datetime.time(14, 5), datetime.time(14, 5, 30), datetime.time(9, 30), None, None)
    """
    for found in _CLOCK.finditer(text):
        hour, minute, second, half = found.groups()
        hours = int(hour)
        if half:
            if not 1 <= hours <= 12:
                continue
            hours = hours % 12 + (12 if half in "pP" else 0)
        if hours < 24:
            return time(hours, int(minute), int(second or 0))
    return None


def _of_text(file: Path, column: str | None, stated: Stated) -> time | None:
    try:
        form = find_format(file, stated, [column] if column else [])
        with file.open("r", encoding=form.encoding, errors="replace", newline=None) as stream:
            rows = islice(stream, form.last_line, None)
            first = next((line for line in rows if line.strip(f"{form.delimiter} \t\n")), "")
        return _of_column(file, form, column, first) or _of_preamble(form.above)
    except (InputError, OSError):  # what is wrong with the file is for its reader to say
        return None


def _of_column(file: Path, form: TextFormat, column: str | None, first: str) -> time | None:
    if column not in form.names:
        return None
    at = form.names.index(column)
    ((_, cells),) = split_lines(file, [first], form.delimiter)
    found = clock_in(cells[at].replace("T", " ")) if at < len(cells) else None
    return None if found is None or found < _ELAPSED else found


def _of_preamble(lines: Sequence[str]) -> time | None:
    """The start if a line names one; else the one labelled time."""
    labelled = [
        (bool(_BEGINS.search(line)), found)
        for line in lines
        if _LABEL.search(line) and not _NO_START.search(line) and (found := clock_in(line)) is not None
    ]
    starts = [found for begins, found in labelled if begins] or [found for _, found in labelled]
    if not starts or (max(map(_seconds, starts)) - min(map(_seconds, starts)) > _APART):
        return None
    return None if starts[0] < _ELAPSED else starts[0]


def _seconds(clock: time) -> int:
    return 3600 * clock.hour + 60 * clock.minute + clock.second


def _of_name(name: str) -> time | None:
    found = _NAMED.search(name)
    if found is None or int(found[1]) > 23:
        return None
    clock = time(int(found[1]), int(found[2]), int(found[3] or 0))
    return None if clock < _ELAPSED else clock  # or a number that counts runs


def _mdf_header(file: Path) -> bytes | None:
    """The first bytes of an MDF file, None for any other."""
    try:
        with file.open("rb") as stream:
            header = stream.read(256)
    except OSError:
        return None
    return header if header[:8].strip(b" \0") in (b"MDF", b"UnFinMF") else None


def _of_mdf(header: bytes) -> time | None:
    """Source: ASAM MDF 4.1, header block (from memory): nanoseconds since 1970, offsets of zone and summer in minutes,
    flags 1 = local time and 2 = offsets are valid. MDF 3 has local time as text."""
    if header[64:68] == b"##HD" and len(header) >= 149:
        since, zone, summer, flags = struct.unpack_from("<QhhB", header, 136)
        if not flags & 3:  # in UTC, and nothing shows how far local time is from it
            return None
        moved = timedelta(minutes=0 if flags & 1 else zone + summer)
        return (datetime.fromtimestamp(since / 1e9, UTC) + moved).time().replace(microsecond=0)
    if header[64:66] == b"HD":
        return clock_in(header[92:100].decode("latin-1"))
    return None
