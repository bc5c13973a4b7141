"""What the numbers of a table mean: sign, number at rest, cam or crank degrees; and the words that say so in metadata.

A table's own metadata (`NAME.csv-metadata.json` beside `NAME.csv`, W3C CSV on the Web) says it in its description, in
the words of `meaning_words`, which are written and found again here only.
"""

import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

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


@dataclass(frozen=True)
class Meaning:
    """How a table counts, where that comes from in words, and whether its sign is stated anywhere."""

    channel: Channel
    source: str
    sign_stated: bool


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
    try:
        found = json.loads(beside.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as error:
        hint = "fix it, or move it away and state the table's sign, zero and degrees"
        raise InputError.one("not metadata in JSON that can be read", hint=hint, file=beside) from error
    words = found.get("dc:description") if isinstance(found, dict) else None
    return meaning_in(words) if isinstance(words, str) else None


def meaning_of(path: Path, side: Side, stated: StatedMeaning) -> Meaning:
    """How a table counts: as stated, else as its metadata says, else the neutral meaning.

    Raises `InputError` where what is stated and the metadata contradict each other.
    """
    options = {"sign": stated.sign, "zero": stated.zero, "in": stated.degrees and f"{stated.degrees} deg"}
    given = {name: value for name, value in options.items() if value is not None}
    metadata = metadata_of(path)
    base = (metadata or NEUTRAL).model_dump(by_alias=True)
    for name, value in given.items():
        if metadata is not None and value != base[name]:
            raise InputError.one(
                f"--{side}-{name} says {value} and the metadata beside the table {base[name]}",
                hint=f"leave --{side}-{name} out, or move {path.name}-metadata.json away where it is wrong",
                file=path,
            )
    source = "as its metadata says"
    if metadata is None:
        left = [{"in": "degrees"}.get(name, name) for name in options if name not in given]
        source = "as stated" if not left else f"{', '.join(left)} not stated: the neutral meaning"
    return Meaning(Channel(**base | given), source, metadata is not None or "sign" in given)


def as_read(meaning: Channel) -> str:
    """How a table was read, in a few words.

    >>> as_read(NEUTRAL)
    'crank degrees, 0 at rest, + = advanced'
    """
    sign = "advanced" if meaning.sign == 1 else "retarded"
    return f"{meaning.unit.split()[0]} degrees, {meaning.zero:g} at rest, + = {sign}"
