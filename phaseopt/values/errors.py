"""What the user got wrong, in which file and key or line, and how to fix it.

`InputError` is the only exception that a command turns into a message and exit code 2. It carries one or more
`Mistake`s, so that a project file with five mistakes prints five messages.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path


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
        place = ": ".join(part for part in (str(self.file) if self.file else "", self.where) if part)
        text = f"{place}: {self.problem}" if place else self.problem
        hint = self.hint.rstrip(".")
        return f"{text.rstrip('.')}. Fix: {hint}{'' if hint.endswith('?') else '.'}"


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
