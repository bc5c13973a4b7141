"""What the user got wrong, in which file and key or line, and how to fix it.

`InputError` is the only exception that a command turns into a message and exit code 2. It carries one or more
`Mistake`s, so that a project file with five mistakes prints five messages.
"""

import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

_Found = TypeVar("_Found")

LONGEST = 300  # characters of a message that is shown
MOST_SHOWN = 20  # messages of one run
_PLACE, _HINT, _WORD = 100, 140, 60  # characters of them that a message always has room for


@dataclass(frozen=True)
class Mistake:
    """One thing to fix.

    Parameters
    ----------
    problem : str
        What is wrong, with the value that is.
    hint : str
        How to fix it.
    file : Path or None
        The file it is in.
    where : str
        A key ("crank.bore") or a line ("line 12") in it.

    Examples
    --------
    >>> print(Mistake("must be above zero (it is -3)", "give the bore in mm", Path("a.toml"), "crank.bore"))
    a.toml: crank.bore: must be above zero (it is -3). Fix: give the bore in mm.
    """

    problem: str
    hint: str
    file: Path | None = None
    where: str = ""

    def __str__(self) -> str:
        return self.shortened(100 * LONGEST)

    def shortened(self, most: int = LONGEST) -> str:
        """The message in at most so many characters: where it is too long, what the user wrote is cut first."""
        file = visible(str(self.file)) if self.file else ""
        place = ": ".join(part for part in (file, visible(self.where)) if part)
        place = f"{place}: " if place else ""
        problem, hint = (_without_full_stop(visible(each)) for each in (self.problem, self.hint))
        end = "" if hint.endswith(("?", "...")) else "."
        over = len(place) + len(problem) + len(hint) + len(". Fix: ") + len(end) - most
        if over > 0:
            place = _end_of(place, max(_PLACE, len(place) - over))
            hint = shortened_text(hint, max(_HINT, most - len(place) - len(problem) - 8))
            problem = shortened_text(problem, most - len(place) - len(hint) - 8)
        return f"{place}{problem}. Fix: {hint}{'' if hint.endswith('...') else end}"


def _without_full_stop(text: str) -> str:
    return text if text.endswith("...") else text.rstrip(".")


def visible(text: str) -> str:
    r"""Text with what a terminal would act on, or could not show, as escapes.

    >>> print(visible("bo\x07re"))
    bo\x07re
    """
    if text.isascii() and text.isprintable():
        return text
    hidden = ("Cc", "Cf", "Cs", "Zl", "Zp")
    return "".join(
        each.encode("unicode_escape").decode() if unicodedata.category(each) in hidden else each for each in text
    )


def _end_of(text: str, most: int) -> str:
    """A place, by its end where it is long."""
    return text if len(text) <= most else f"...{text[3 - most :]}"


def shortened_text(text: str, most: int) -> str:
    """Text of at most so many characters: long values lose their middle first, then it loses its end.

    >>> shortened_text("the name " + "x" * 200 + " is no file", 100)
    'the name xxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...xxxxxxxxxxxxxxxxxxxx is no file'
    """
    if len(text) <= most:
        return text
    text = re.sub(rf"\S{{{_WORD + 1},}}", lambda word: f"{word[0][:30]}...{word[0][-20:]}", text)
    text = re.sub(r"'[^']{61,}'", lambda value: f"{value[0][:30]}...{value[0][-20:]}", text)
    if len(text) <= most:
        return text
    whole = text[: most - 4]
    end = max(whole.rfind(mark) for mark in (", ", "; ", ". ", " "))
    return f"{whole[: end if end > most // 2 else len(whole)].rstrip(',;. ')} ..."


class InputError(ValueError):
    """Wrong input, with all mistakes found at once.

    Parameters
    ----------
    mistakes : iterable of Mistake
        At least one.

    Examples
    --------
    >>> raise InputError.one("no such file", hint="check the path", file=Path("x.csv"))
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: x.csv: no such file. Fix: check the path.
    """

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(m) for m in self.mistakes))

    def __reduce__(self) -> tuple[type["InputError"], tuple[tuple[Mistake, ...]]]:
        """So that it comes whole out of a worker process."""
        return type(self), (self.mistakes,)

    @property
    def messages(self) -> tuple[str, ...]:
        """A line for each mistake, the first 20 of many, and how many there are in the last.

        The same one in several files has one line.

        >>> InputError([Mistake("too short", "measure it"), Mistake("too long", "measure it")]).messages[-1]
        '2 mistakes.'
        >>> InputError([Mistake("no column", "name it", Path(name)) for name in ("a.csv", "b.csv")]).messages
        ('a.csv: no column (and in 1 file more). Fix: name it.',)
        """
        found = _once_for_files(self.mistakes)
        lines = tuple(each.shortened() for each in found[:MOST_SHOWN])
        more = f"; the first {MOST_SHOWN} are shown" if len(found) > MOST_SHOWN else ""
        return lines if len(found) == 1 else (*lines, f"{len(found)} mistakes{more}.")

    @classmethod
    def one(cls, problem: str, *, hint: str, file: Path | None = None, where: str = "") -> "InputError":
        """An error with a single mistake."""
        return cls([Mistake(problem, hint, file, where)])

    def located(self, file: Path, where: str) -> "InputError":
        """The same error, with this file and key for mistakes that name no file.

        >>> print(InputError.one("too short", hint="measure it").located(Path("a.toml"), "crank.rod"))
        a.toml: crank.rod: too short. Fix: measure it.
        """
        return InputError(m if m.file is not None else replace(m, file=file, where=where) for m in self.mistakes)


def _once_for_files(mistakes: Iterable[Mistake]) -> list[Mistake]:
    """The same mistake in several files as one, with how many more there are."""
    files: dict[Mistake, list[Path | None]] = {}
    for each in mistakes:
        files.setdefault(replace(each, file=None), []).append(each.file)
    found = []
    for each, there in files.items():
        others = len(set(there)) - 1
        more = f" (and in {others} file{'s' if others > 1 else ''} more)" if others else ""
        found.append(replace(each, file=there[0], problem=each.problem.rstrip(".") + more))
    return found


def all_found(*steps: Callable[[], _Found]) -> list[_Found]:
    """What each step finds; where some refuse, the mistakes of all of them at once, each once.

    >>> def refuse():
    ...     raise InputError.one("no such file", hint="check the path", file=Path("x.csv"))
    >>> all_found(refuse, lambda: 1, refuse)
    Traceback (most recent call last):
    ...
    phaseopt.values.errors.InputError: x.csv: no such file. Fix: check the path.
    """
    found: list[_Found] = []
    mistakes: dict[Mistake, None] = {}
    for step in steps:
        try:
            found.append(step())
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(mistakes)
    return found
