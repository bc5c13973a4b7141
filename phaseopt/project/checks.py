"""Checks of sections that are each valid by themselves: which sections one needs, and where it does not apply."""

from collections.abc import Callable, Iterator
from typing import Any

from phaseopt.project.hardware import Phaser
from phaseopt.project.quantities import SIDES, Side

Contradiction = tuple[str, str, str]  # key, problem, hint
Sections = dict[str, Any]
Check = Callable[[Sections], Iterator[Contradiction]]

HEAD = "give the valve head's diameter, mm"


class Checks:
    """Checks of one subject, in the order in which they are written.

    >>> checks = Checks()
    >>> @checks.of("crank", given="cycle")
    ... def no_crank(sections):
    ...     yield "crank", "is in the way", "take it out"
    >>> list(checks.found({"crank": 1, "cycle": None})), len(list(checks.found({"crank": 1, "cycle": 2})))
    ([], 1)
    """

    def __init__(self) -> None:
        self._checks: list[tuple[tuple[str, ...], str, Check]] = []

    def of(self, *needs: str, given: str = "") -> Callable[[Check], Check]:
        """A check that runs where the sections it needs are valid, and where the one that it is about is `given`."""

        def added(check: Check) -> Check:
            self._checks.append(((*needs, given) if given else needs, given, check))
            return check

        return added

    def found(self, sections: Sections) -> Iterator[Contradiction]:
        """All contradictions between the sections that are there."""
        for needs, given, check in self._checks:
            if all(each in sections for each in needs) and not (given and sections[given] is None):
                yield from check(sections)


def phasers(sections: Sections) -> dict[str, Phaser]:
    """Every phaser, by its key."""
    every = {"phaser": sections["phaser"], **{f"{side}.phaser": sections[side].phaser for side in SIDES}}
    return {key: phaser for key, phaser in every.items() if phaser is not None}


def phaser_of(sections: Sections, side: Side) -> Phaser | None:
    """The phaser that moves a cam, its own or the shared one; None for a fixed cam."""
    found: Phaser | None = sections["phaser"] if sections["phaser"] is not None else sections[side].phaser
    return found


def left_out(key: str, needed_by: str, hint: str) -> Contradiction:
    """A key that something else needs."""
    return key, f"left out, but {needed_by} needs it", hint
