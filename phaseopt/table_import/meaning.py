"""What the numbers of a table mean: sign, number at rest, cam or crank degrees; and the words that say so in metadata.

An exported table says it in its corner cell, in the words of `stated_text`. A table's own metadata
(`NAME.csv-metadata.json` beside `NAME.csv`, W3C CSV on the Web) says it in its description, in the words of
`meaning_words`, which are written and found again here only.
"""

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from phaseopt.io.text import MOST_RECORD, require_plain
from phaseopt.project import Channel, Side
from phaseopt.tables import number_text
from phaseopt.values.errors import InputError

NEUTRAL = Channel(sign=1, zero=0.0, **{"in": "crank deg"})

_WORDS = re.compile(
    r"(crank|cam) degrees moved by the phaser from its rest position, which is (-?[0-9.]+); "
    r"\+ = (advanced \(earlier\), - = retarded|retarded \(later\), - = advanced)"
)


@dataclass(frozen=True)
class StatedMeaning:
    """What the user states of a table's numbers; None = not stated.

    Parameters
    ----------
    sign : 1 or -1, optional
        1 = + means advanced, -1 = + means retarded.
    zero : float, optional
        The number that means rest, in the table's own degrees.
    degrees : "crank" or "cam", optional

    Examples
    --------
    >>> StatedMeaning(sign=-1, degrees="cam")
    StatedMeaning(sign=-1, zero=None, degrees='cam')
    """

    sign: Literal[1, -1] | None = None
    zero: float | None = None
    degrees: Literal["crank", "cam"] | None = None


def meaning_words(meaning: Channel) -> str:
    """How a table counts, for its metadata.

    >>> meaning_words(NEUTRAL)
    'crank degrees moved by the phaser from its rest position, which is 0; + = advanced (earlier), - = retarded'
    """
    sign = "advanced (earlier), - = retarded" if meaning.sign == 1 else "retarded (later), - = advanced"
    degrees, zero = meaning.unit.split()[0], number_text(meaning.zero)
    return f"{degrees} degrees moved by the phaser from its rest position, which is {zero}; + = {sign}"


def meaning_in(words: str) -> Channel | None:
    """How a table counts by the description in its metadata, or None where that does not say.

    >>> turned = Channel(sign=-1, zero=4.5, **{"in": "cam deg"})
    >>> meaning_in(f"exhaust phase: {meaning_words(turned)}. Rows are speeds.") == turned
    True
    """
    found = _WORDS.search(words)
    if found is None:
        return None
    unit, zero, sign = found.groups()
    return Channel(sign=1 if sign.startswith("advanced") else -1, zero=float(zero), **{"in": f"{unit} deg"})


def metadata_of(path: Path) -> Channel | None:
    """How a table counts by the metadata beside it; None where there is none, or it does not say.

    Raises `InputError` where there is metadata that is not JSON.
    """
    beside = path.with_name(f"{path.name}-metadata.json")
    require_plain(beside, MOST_RECORD)
    try:
        found = json.loads(beside.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as error:
        hint = "fix it, or move it away and state the table's sign, zero and degrees"
        raise InputError.one("not metadata in JSON that can be read", hint=hint, file=beside) from error
    words = found.get("dc:description") if isinstance(found, dict) else None
    return meaning_in(words) if isinstance(words, str) else None


def stated_text(side: Side, meaning: Channel, zero: str) -> str:
    """How a table counts, in the few words that it carries in its own corner cell; `zero` as its numbers are written.

    >>> stated_text("intake", NEUTRAL, "0")
    'intake: crank degrees | + = advanced | rest = 0'
    """
    sign = "advanced" if meaning.sign == 1 else "retarded"
    return f"{side}: {meaning.unit.split()[0]} degrees | + = {sign} | rest = {zero}"


def as_read(meaning: Channel) -> str:
    """How a table was read, in a few words.

    >>> as_read(NEUTRAL)
    'crank degrees, 0 at rest, + = advanced'
    """
    sign = "advanced" if meaning.sign == 1 else "retarded"
    return f"{meaning.unit.split()[0]} degrees, {meaning.zero:g} at rest, + = {sign}"
