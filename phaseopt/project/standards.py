"""Standards that torque is corrected to for weather, and how sheets and logs name them."""

import re
from typing import Annotated, Literal

from pydantic import BeforeValidator

# What a standard is called too, in lower case (common practice, no source).
_OTHER_NAMES = {
    "j1349": "SAE J1349",
    **dict.fromkeys(("stp", "j607", "sae stp"), "SAE J607"),
    "din": "DIN 70020",
    **dict.fromkeys(("ece r85", "un r85", "r85", "iso", "ece", "80/1269/ewg", "80/1269/eec"), "ISO 1585"),
}


def _standard(value: object) -> object:
    """A standard under another of its names."""
    return _OTHER_NAMES.get(" ".join(value.lower().split()), value) if isinstance(value, str) else value


Correction = Annotated[Literal["none", "SAE J1349", "SAE J607", "ISO 1585", "DIN 70020"], BeforeValidator(_standard)]

# Standards as sheets name torque that they have corrected: common practice, no source. "SAE" may be either of two.
_NAMED_STANDARDS = {
    re.compile(r"\bj ?1349\b", re.IGNORECASE): ("SAE J1349",),
    re.compile(r"\bstp\b|\bj ?607\b", re.IGNORECASE): ("SAE J607",),
    re.compile(r"\bsae\b", re.IGNORECASE): ("SAE J1349", "SAE J607"),
    re.compile(r"\bdin\b", re.IGNORECASE): ("DIN 70020",),
    re.compile(r"\bece\b|\be[ew][gc]\b|\br ?85\b|\biso\b", re.IGNORECASE): ("ISO 1585",),
    re.compile(r"\b(?:corr|corrected|korr|korrigiert|corrig\w*|corretta|corregid[ao])\b", re.IGNORECASE): (
        "SAE J1349", "SAE J607", "DIN 70020", "ISO 1585",
    ),
}  # fmt: skip
_CORRECTION = re.compile(
    r"\b(?:un)?(?:corr|korr|corrig|corret|corregid)\w*|\bcf\b|\bnorm\b|\bstandard\b", re.IGNORECASE
)
_NONE = re.compile(r"\bnone\b|\boff\b|\bno\b|\bnot\b|\buncorr|\bobserved\b|\bactual\b", re.IGNORECASE)


def named_standards(text: str) -> tuple[str, ...]:
    """The standards that a name of corrected torque may mean; none where it names no correction.

    >>> named_standards("STP_Torque"), named_standards("Torque SAE"), named_standards("Torque")
    (('SAE J607',), ('SAE J1349', 'SAE J607'), ())
    """
    plain = text.replace("_", " ")
    return next((which for words, which in _NAMED_STANDARDS.items() if words.search(plain)), ())


def corrected_by(line: str) -> tuple[str, ...]:
    """The standards that a line above a log's columns may say its torque was corrected to; none where it says nothing.

    >>> corrected_by("Correction: SAE J1349 1.023"), corrected_by("Correction: off (SAE)"), corrected_by("Standard oil")
    (('SAE J1349',), (), ())
    """
    return named_standards(line) if _CORRECTION.search(line) and not _NONE.search(line) else ()
