"""Files of a pull -> recordings: which files belong together, and their clocks brought together.

A file with every column the project names is a recording by itself, and several of them follow each other. Files that
share the columns out between them, next to each other in the pull, are one recording.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from phaseopt.torque.clock_offset import find_shift
from phaseopt.torque.samples import Part, Samples
from phaseopt.values.errors import InputError


def grouped(parts: Sequence[Part], lacking: Callable[[set[str]], list[str]]) -> list[list[int]]:
    """Indices of the parts that make each recording.

    Parameters: `parts` in the order of files; `lacking`, which says what quantities a set of them still lacks. A file
    joins the one before it where that is not whole yet and the file brings what it lacks.
    """
    groups: list[list[int]] = []
    have: set[str] = set()
    for number, part in enumerate(parts):
        still = lacking(have)
        if groups and still and len(lacking(have | set(part.channels))) < len(still):
            groups[-1].append(number)
            have |= set(part.channels)
        else:
            groups.append([number])
            have = set(part.channels)
    return groups


def joined(parts: Sequence[Part], shifts: Sequence[float] | None) -> tuple[dict[str, Samples], tuple[str, ...]]:
    """The channels of one recording's files on one clock, and how the clocks were brought together.

    Parameters: `parts`, the first of which is the clock where shifts are found; `shifts`, seconds to add to each
    file's times as stated, or None to find them from engine speed.
    Raises `InputError` where a file has no times, two files have the same quantity (engine speed apart), or a shift is
    not certain.
    """
    if len(parts) == 1:
        return parts[0].channels, ()
    lead = next((part for part in parts if "torque" in part.channels), parts[0])
    channels: dict[str, Samples] = {}
    owner: dict[str, Path] = {}
    told = []
    for number, part in enumerate(sorted(parts, key=lambda part: part is not lead)):
        if any(one.time is None for one in part.channels.values()):
            hint = "name torque.columns.time: files of one recording are joined along it"
            raise InputError.one("no column tells the time", hint=hint, file=part.file)
        if shifts is not None:
            shift = shifts[[one is part for one in parts].index(True)]
            told.append(f"{part.file.name}: {shift:+g} s added to its times, as stated")
        elif number:
            shift, said = _found(lead, part)
            told.append(said)
        else:
            shift = 0.0
        moved = _moved(part, shift)
        for name, one in moved.items():
            if name == "rpm" and name in channels:
                continue
            if name in channels:
                raise InputError.one(
                    f"{one.column!r} ({name}) stands in {owner[name].name} and in {part.file.name}",
                    hint="rename one of them, or take one out: which one counts cannot be told",
                    file=part.file,
                )
            channels[name], owner[name] = one, part.file
    return channels, tuple(told)


def _found(lead: Part, part: Part) -> tuple[float, str]:
    """The shift of a file's clock against the lead's, by engine speed."""
    if "rpm" not in lead.channels or "rpm" not in part.channels:
        without = part if "rpm" not in part.channels else lead
        raise InputError.one(
            f"{without.file.name} has no engine speed, so its clock cannot be brought together with "
            f"{(lead if without is part else part).file.name}",
            hint="state clock_shifts in the pull: seconds to add to each file's time, all 0 where they share a clock",
            file=without.file,
        )
    found = find_shift(lead.file, part.file, lead.channels["rpm"], part.channels["rpm"])
    said = (
        f"{part.file.name}: {found.seconds:+.3f} s (± {found.error:.3f}) added to its times, so that its engine speed "
        f"agrees with {lead.file.name}"
    )
    return found.seconds, said


def _moved(part: Part, shift: float) -> dict[str, Samples]:
    """A part's channels with their times moved; channels that share times go on sharing them."""
    clocks = {id(one.time): one.time + shift for one in part.channels.values() if one.time is not None}
    return {name: replace(one, time=clocks[id(one.time)]) for name, one in part.channels.items()}
