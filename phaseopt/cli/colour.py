"""Verdict words in colour, where a person looks at a terminal.

The word itself always stands there; colour only helps an eye to find it. A terminal that is none, `TERM=dumb` and
`NO_COLOR` (https://no-color.org: set to anything but nothing) leave text as it is.
"""

import os
import re
import sys

_RED, _YELLOW, _GREEN, _PLAIN = "\x1b[1;31m", "\x1b[33m", "\x1b[32m", "\x1b[0m"
# Verdicts only: "clear" and "short" are also plain English, so a word counts where verdicts put it.
_VERDICTS = (
    (re.compile(r"\b(?:DO NOT TURN|NOT CLEAR|HITS|TIGHT|OUTSIDE THE CONTACT LIMITS)\b"), _RED),
    (re.compile(r"\bdoes not keep the rules\b|(?<=as a box: )short\b|\bmm short\b"), _YELLOW),
    (
        re.compile(r"(?<=\d )clear(?=[;:])|(?<=are )clear(?= in every|$)|(?<=[Tt]ravel is )clear\b", re.MULTILINE),
        _GREEN,
    ),
    (re.compile(r"(?<=Tables )clear\b|(?<=box: )clear(?=:)|(?<=^Box          )clear\b", re.MULTILINE), _GREEN),
)


def in_colour() -> bool:
    """Whether standard output takes colour."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def coloured(text: str) -> str:
    """Text with its verdicts in colour.

    >>> coloured("the tables are NOT CLEAR") == "the tables are \\x1b[1;31mNOT CLEAR\\x1b[0m"
    True
    >>> coloured("a clear day")
    'a clear day'
    """
    for pattern, colour in _VERDICTS:
        text = pattern.sub(lambda found, colour=colour: f"{colour}{found[0]}{_PLAIN}", text)  # type: ignore[misc]
    return text
