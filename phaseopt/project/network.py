"""A list of parts as a network: which pipes it stands for, and what is wrong with it."""

import difflib
import itertools
import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from phaseopt.project.pipes import MOUTHS, ExhaustPart, NetworkPart

AIR, EACH = "open air", "each cylinder"
_CYLINDER = re.compile(r"cylinder (\d+)")


class Run(NamedTuple):
    """One pipe: the number of its entry in the list, its name and what it joins, in the direction of the flow."""

    entry: int
    name: str
    start: str
    end: str


def cylinder_number(name: str) -> int | None:
    """The number in the name of a cylinder.

    >>> cylinder_number("cylinder 3"), cylinder_number("airbox")
    (3, None)
    """
    found = _CYLINDER.fullmatch(name)
    return int(found[1]) if found else None


def runs(parts: Sequence[NetworkPart], cylinders: int) -> tuple[Run, ...]:
    """All pipes that a list stands for, entry by entry; without those whose lists do not go in pairs.

    >>> shape = {"part": "pipe", "name": "primary", "pieces": [{"length": 500, "start": 40}]}
    >>> pipe = ExhaustPart.model_validate(shape | {"from": ["cylinder 1", "cylinder 4"], "to": "Y"})
    >>> [run.name for run in runs([pipe], 4)]
    ['primary 1', 'primary 4']
    """
    found: list[Run] = []
    for entry, part in enumerate(parts):
        if part.part != "pipe":
            continue
        pairs = _pairs(part, cylinders) or ()
        for number, (start, end) in enumerate(pairs, start=1):
            which = cylinder_number(start) or cylinder_number(end) or number
            found.append(Run(entry, part.name if len(pairs) == 1 else f"{part.name} {which}", start, end))
    return tuple(found)


def _pairs(part: NetworkPart, cylinders: int) -> list[tuple[str, str]] | None:
    """What a pipe joins, once for each that it stands for; None where its lists do not go in pairs."""
    starts, ends = (_each(names, cylinders) for names in (part.starts, part.to))
    if len(starts) != len(ends) and 1 not in (len(starts), len(ends)):
        return None
    count = max(len(starts), len(ends))
    return list(zip(starts * (count // len(starts)), ends * (count // len(ends)), strict=True))


def _each(names: tuple[str, ...], cylinders: int) -> tuple[str, ...]:
    return tuple(f"cylinder {c}" for c in range(1, cylinders + 1)) if names == (EACH,) else names


def own_throttles(parts: Sequence[NetworkPart]) -> set[str]:
    """Names of throttles that are one for each pipe that starts from them."""
    return {part.name for part in parts if part.part == "throttle" and not part.to}


def network_faults(parts: Sequence[NetworkPart], intake: bool, cylinders: int) -> Iterator[tuple[str, str, str]]:
    """What is wrong with a side's list; what follows from names alone first, and only that where there is any."""
    found = list(_wrong_names(parts, intake, cylinders))
    if not found:
        found = list(_wrong_cylinders(parts, intake, cylinders))
    if not found:
        found = [*_loose_ends(parts, cylinders)] or [*_passed_by(parts, intake, cylinders)]
        found += [*_wrong_throttles(parts, cylinders), *_wrong_chambers(parts, cylinders)]
    yield from found


def _wrong_names(parts: Sequence[NetworkPart], intake: bool, cylinders: int) -> Iterator[tuple[str, str, str]]:
    known = {part.name: part for part in parts}
    pipes = Counter(run.name for run in runs(parts, cylinders))
    for entry, part in enumerate(parts, start=1):
        alike = [other for other in parts[: entry - 1] if other.name == part.name]
        if alike and (part.part != "pipe" or any(other.part != "pipe" for other in alike) or pipes[part.name] > 1):
            yield f"(entry {entry}).name", f'"{part.name}" names two parts', "give each part a name of its own"
        if part.name in (AIR, EACH) or cylinder_number(part.name):
            yield f"(entry {entry}).name", f'"{part.name}" is no name for a part', "give it another name"
        # what a part is made of is named after it: "silencer, inlet"
        elif any(part.name.startswith(f"{other}, ") for other in known):
            yield (
                f"(entry {entry}).name",
                f'"{part.name}" begins with the name of another part and a comma',
                "leave the comma out",
            )
        for key, names in (("from", part.starts), ("to", part.to)):
            for name in _each(names, cylinders):
                problem = _wrong_name(name, known, key, intake, cylinders)
                if problem is not None:
                    yield f"(entry {entry}).{key}", *problem
        if part.part == "pipe" and _pairs(part, cylinders) is None:
            many = " to ".join(str(len(_each(names, cylinders))) for names in (part.starts, part.to))
            yield (
                f"(entry {entry})",
                f'"{part.name}" goes from {many} parts',
                "give one name on one side, or lists of equal length",
            )
        elif part.part == "throttle" and (len(part.starts) > 1 or len(part.to) > 1):
            yield f"(entry {entry})", f'the throttle "{part.name}" has a list of parts', "give one name each"


def _wrong_name(
    name: str, known: dict[str, NetworkPart], key: str, intake: bool, cylinders: int
) -> tuple[str, str] | None:
    """Why a pipe or throttle may not start from or go to a part of this name, and the fix."""
    number, inward = cylinder_number(name), key == "to"
    if number is not None:
        if not 1 <= number <= cylinders:
            return f"there is no cylinder {number}", f"the engine has {cylinders}: name cylinder 1 to {cylinders}"
        if inward != intake:
            return _against(name, intake)
        return None
    if name == AIR:
        return _against(name, intake) if inward == intake else None
    if name not in known:
        near = difflib.get_close_matches(name, [*known, AIR], 1, 0.6)
        return f'nothing is named "{name}"', f'did you mean "{near[0]}"?' if near else "give a part that name"
    if known[name].part == "pipe":
        return (
            f'"{name}" is a pipe, and pipes do not join pipes',
            "put a junction between them, or make them pieces of one pipe",
        )
    return None


def _against(name: str, intake: bool) -> tuple[str, str]:
    way = "from the open air to the cylinders" if intake else "from the cylinders to the open air"
    return f'"{name}" is at the wrong end', f"the flow goes {way}: swap from and to"


def _wrong_cylinders(parts: Sequence[NetworkPart], intake: bool, cylinders: int) -> Iterator[tuple[str, str, str]]:
    first: dict[str, Run] = {}
    twice = set[int]()
    for run in runs(parts, cylinders):
        name = run.end if intake else run.start
        if cylinder_number(name) is None:
            continue
        if name in first and run.entry not in twice:
            twice.add(run.entry)
            yield (
                f"(entry {run.entry + 1}).{'to' if intake else 'from'}",
                f'"{first[name].name}" and "{run.name}" both join the port of {name}',
                "join them in a junction before the port" if intake else "part them in a junction behind the port",
            )
        first.setdefault(name, run)
    for number in range(1, cylinders + 1):
        if f"cylinder {number}" not in first:
            way = "to" if intake else "from"
            yield (
                "",
                f"no pipe goes {way} cylinder {number}",
                f'add it to the pipe that goes {way} the others, or "{EACH}"',
            )


def _ways(parts: Sequence[NetworkPart], cylinders: int) -> list[tuple[str, str]]:
    """From where to where gas can flow: pipes and throttles."""
    ways = [(run.start, run.end) for run in runs(parts, cylinders)]
    for part in parts:
        if part.part == "throttle":
            ways.append((part.starts[0], part.name))
            ways += [(part.name, plenum) for plenum in part.to]
    return ways


def _reached(ways: list[tuple[str, str]], begin: set[str]) -> set[str]:
    found, fresh = set(begin), set(begin)
    while fresh:
        fresh = {end for start, end in ways if start in fresh} - found
        found |= fresh
    return found


def _loose_ends(parts: Sequence[NetworkPart], cylinders: int) -> Iterator[tuple[str, str, str]]:
    """Parts with pipes on one side alone, and loops."""
    ways = _ways(parts, cylinders)
    for entry, part in enumerate(parts, start=1):
        name, key = part.name, f"(entry {entry})"
        if part.part == "pipe":
            continue
        if name in _reached(ways, {end for start, end in ways if start == name}):
            yield (
                key,
                f'from "{name}" the pipes lead back to it: a loop',
                "from and to go with the flow: turn one round",
            )
        elif not any(end == name for _, end in ways):
            yield key, f'nothing leads to "{name}": a loose end', f'let a pipe go to "{name}", or leave it out'
        elif not any(start == name for start, _ in ways):
            yield (
                key,
                f'nothing leads on from "{name}": a loose end',
                f'let a pipe start from "{name}", or leave it out',
            )


def _passed_by(parts: Sequence[NetworkPart], intake: bool, cylinders: int) -> Iterator[tuple[str, str, str]]:
    """Parts that no flow reaches, or from which none leads out."""
    ways = _ways(parts, cylinders)
    heads = {f"cylinder {number}" for number in range(1, cylinders + 1)}
    source, sink = ({AIR}, heads) if intake else (heads, {AIR})
    fed, led = _reached(ways, source), _reached([(end, start) for start, end in ways], sink)
    from_where, to_where = ("the open air", "a cylinder") if intake else ("a cylinder", "the open air")
    for entry, part in enumerate(parts, start=1):
        name, key = part.name, f"(entry {entry})"
        if part.part == "pipe":
            continue
        if name not in led:
            yield key, f'"{name}" leads to no way out', f"let its pipes lead on to {to_where}"
        elif name not in fed:
            yield key, f'no flow comes to "{name}"', f"let a pipe from {from_where} lead to it"


def _wrong_throttles(parts: Sequence[NetworkPart], cylinders: int) -> Iterator[tuple[str, str, str]]:
    known = {part.name: part for part in parts}
    own, throttled = own_throttles(parts), set[str]()
    filling = [part for part in parts if part.part == "throttle" and not part.in_line]
    in_line = [entry for entry, part in enumerate(parts, 1) if part.in_line]
    if filling and in_line:
        yield (
            f"(entry {in_line[0]})",
            f'"{parts[in_line[0] - 1].name}" is in line with its pipes, and another throttle fills a volume',
            "use one kind: the load is held either in the pipes or in the volumes",
        )
    for entry, part in enumerate(parts, start=1):
        if part.part != "throttle":
            continue
        source = part.starts[0]
        if source != AIR and known[source].part not in ("plenum", "airbox"):
            yield (
                f"(entry {entry}).from",
                f'the throttle "{part.name}" cannot draw from "{source}"',
                "let it draw from the open air, an airbox or a plenum",
            )
        for plenum in part.to:
            if plenum not in known or known[plenum].part != "plenum":
                yield (
                    f"(entry {entry}).to",
                    f'the throttle "{part.name}" must fill a plenum, not "{plenum}"',
                    "name a plenum; without `to` it is one throttle for each pipe that starts from it",
                )
            elif plenum in throttled:
                yield f"(entry {entry}).to", f'"{plenum}" has two throttles', "make them one"
            throttled.add(plenum)
        if part.to and part.volume is not None:
            yield (
                f"(entry {entry}).volume",
                f'"{part.name}" fills a plenum, which has the volume',
                "leave volume out here",
            )
    pipes = runs(parts, cylinders)
    for run in pipes:
        if run.start in own and cylinder_number(run.end) is None:
            yield (
                f"(entry {run.entry + 1}).to",
                f'"{run.name}" has a throttle of its own and leads to "{run.end}", which cylinders share',
                "lead it to one cylinder, or let the throttle fill a plenum that they share",
            )
        if run.end in own | {p.name for p in parts if p.part == "throttle"}:
            yield (
                f"(entry {run.entry + 1}).to",
                f'"{run.name}" leads to the throttle "{run.end}"',
                "lead it to an airbox, and let the throttle draw from that",
            )
    bare = _reached([w for w in _ways(parts, cylinders) if w[1] not in throttled and w[1] not in own], {AIR})
    for run in pipes:
        if cylinder_number(run.end) is not None and run.end in bare:
            yield (
                f"(entry {run.entry + 1})",
                f"no throttle is between the open air and {run.end}",
                'add a part "throttle": it holds the load',
            )
            return


def _wrong_chambers(parts: Sequence[NetworkPart], cylinders: int) -> Iterator[tuple[str, str, str]]:
    pipes = runs(parts, cylinders)
    for entry, part in enumerate(parts, start=1):
        if not isinstance(part, ExhaustPart) or part.part != "chamber":
            continue
        assert part.length is not None
        assert part.diameter is not None
        inlets = [parts[run.entry].pieces[-1] for run in pipes if run.end == part.name]
        outlets = [parts[run.entry].pieces[0] for run in pipes if run.start == part.name]
        widths = [piece.end or piece.start for piece in inlets], [piece.start for piece in outlets]
        widest = max(itertools.chain(*widths), default=0.0)
        if part.length < widest:
            yield (
                f"(entry {entry}).length",
                f'the chamber "{part.name}" is {part.length:g} mm long, less than its pipe is wide ({widest:g} mm)',
                "give its length between the ends, or make it a junction",
            )
        for side, each in zip(("inlet", "outlet"), widths, strict=True):
            area = sum(width**2 for width in each)
            if area >= 0.95 * part.diameter**2:
                yield (
                    f"(entry {entry}).diameter",
                    f'its {side} pipes are as wide as the chamber "{part.name}" ({part.diameter:g} mm)',
                    "give the chamber's inner diameter, or make it a pipe",
                )


def snorkel_loss(parts: Sequence[NetworkPart], cylinders: int, flow: float) -> float:
    """About what the pipes from the open air lose of a steady `flow` [m^3/s] before the throttles [kPa].

    Its dynamic head is lost in the airbox, that of its mouth before (`MOUTHS`), and a Fanning friction of 0.006.

    >>> from phaseopt.project.pipes import IntakePart, Taper
    >>> def box(diameter):
    ...     pieces = [Taper(length=300.0, start=diameter)]
    ...     return IntakePart(part="pipe", name="snorkel", pieces=pieces, **{"from": "open air", "to": "airbox"})
    >>> [round(snorkel_loss([box(diameter)], 4, 0.12), 1) for diameter in (50.0, 90.0)]
    [2.5, 0.2]
    """
    snorkels = [parts[run.entry] for run in runs(parts, cylinders) if run.start == AIR]
    open_to_air = 0.0  # [m^2], each by the root of what it loses
    for part in snorkels:
        narrowest = min(min(piece.start, piece.end or piece.start) for piece in part.pieces) * 1e-3
        heads = 1.0 + MOUTHS[part.mouth]
        heads += sum(0.024 * piece.length / (0.5 * (piece.start + (piece.end or piece.start))) for piece in part.pieces)
        open_to_air += math.pi / 4 * narrowest**2 / math.sqrt(heads)
    return 0.5e-3 * 1.17 * (flow / open_to_air) ** 2 if snorkels else 0.0
