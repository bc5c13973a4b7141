"""What a table's numbers may mean: every way of counting that the file, the options and the phaser allow.

Degrees, sign and the number at rest are taken from the options, else from the metadata beside the file, else from its
words. Two of these that contradict each other are refused, and so are words that the phaser's travel contradicts. What
nobody states stays open: each way of counting under which all phases fit the travel is kept, and the usual one even
where it does not fit, and the tables are clear only if they are clear in each.
"""

from collections.abc import Mapping
from typing import NamedTuple

from phaseopt.project import Channel, Side
from phaseopt.table_import.grid import TextGrid
from phaseopt.table_import.lexicon import CENTRELINES, FROM_TDC, NOT_KNOWN, Statement, statements_in
from phaseopt.table_import.meaning import StatedMeaning, as_read, metadata_of
from phaseopt.table_import.ways import Numbers, channels_of, fits_travel, travel_of
from phaseopt.tables import CORNER
from phaseopt.values.errors import InputError

_BEYOND = 0.1  # of the travel: how far phases may leave it and still be what is meant; judgement, no source
_LISTED = 4  # other meanings named in a note
_OPTION = {"degrees": "in", "sign": "sign", "rest": "zero"}
_VALUES = {"degrees": "crank or cam", "sign": "1 or -1", "rest": "NUMBER"}


class _Stated(NamedTuple):
    """What is known of an item: its value, by whom, and the words that say it, if any do."""

    value: str | float | None
    source: str
    statement: Statement | None = None


def ways_to_count(numbers: Numbers, grid: TextGrid, stated: StatedMeaning) -> tuple[tuple[Channel, ...], str]:
    """Every way of counting that fits, after the usual one: crank degrees, 0 at rest, + = advanced where nobody says
    otherwise; and in a sentence where from.

    Raises `InputError` where words, options, metadata and travel contradict each other, and where words say that the
    numbers are another cam's or no phases.
    """
    statements = statements_in(grid.words)
    _require_cam(numbers, statements)
    _require_phases(numbers, statements, stated)
    known = _known(numbers, grid, statements, stated)
    every = list(channels_of(numbers, {name: each.value for name, each in known.items()}))
    phaser = numbers.project.phaser_of(numbers.side)
    fitting = (
        [channel for channel in every[1:] if fits_travel(numbers, channel, _slack(channel, known))] if phaser else []
    )
    fits = fits_travel(numbers, every[0], _BEYOND)
    if phaser and not fits and not fitting:
        _refuse_words_that_do_not_fit(numbers, known)
    found = (every[0], *fitting)
    return found, _sentence(numbers, known, found, fits)


def _slack(channel: Channel, known: Mapping[str, "_Stated"]) -> float:
    """How far phases may leave the travel: not at all where 0 would have to be an end of it that nobody names."""
    return _BEYOND if channel.zero == 0.0 or known["rest"].value is not None else 0.0


def _require_cam(numbers: Numbers, statements: tuple[Statement, ...]) -> None:
    """Refuse a file whose words or name say that it is the other cam's."""
    if numbers.project.arrangement == "together":
        return
    cams = [each for each in statements if each.about == "cam"]
    for part in ([each for each in cams if _is_name(each)], [each for each in cams if not _is_name(each)]):
        if part and all(each.value != numbers.side for each in part):
            raise InputError.one(
                f"given for the {numbers.side} cam, but {_quoted(part[0])} names the {part[0].value} cam",
                hint=f"give it after --{part[0].value}, or {'rename it' if _is_name(part[0]) else 'correct the words'}",
                file=numbers.path,
                where=_line(part[0]),
            )


def _require_phases(numbers: Numbers, statements: tuple[Statement, ...], stated: StatedMeaning) -> None:
    """Refuse numbers that are no phases in degrees."""
    for each in statements:
        problem, hint = "", "give a table of cam phases in degrees, or correct the words where they are wrong"
        if each.about == "other":
            problem = f"{_quoted(each)} says {each.value}, not cam phases in degrees"
        elif each.value == NOT_KNOWN and stated.zero is None:
            problem = f"{_quoted(each)} says where 0 is, but not what rest reads"
            hint = f"state it with --{numbers.side}-zero NUMBER"
        elif each.value == FROM_TDC and (stated.sign is None or stated.zero is None):
            problem = f"{_quoted(each)} says angles from TDC, and not which: a centreline, an opening or a closing"
            hint = f"state --{numbers.side}-sign and --{numbers.side}-zero where they are centrelines"
        if problem:
            raise InputError.one(problem, hint=hint, file=numbers.path, where=_line(each))


def _is_name(statement: Statement) -> bool:
    return not statement.words.where.startswith("line")


def _quoted(statement: Statement) -> str:
    """Its words; the line they are in is named by the message."""
    return statement.quoted if _is_name(statement) else statement.shortened


def _line(statement: Statement) -> str:
    return "" if _is_name(statement) else statement.words.where


# What is stated, and by whom.


def _known(
    numbers: Numbers, grid: TextGrid, statements: tuple[Statement, ...], stated: StatedMeaning
) -> dict[str, _Stated]:
    metadata = metadata_of(numbers.path)
    options = {"degrees": stated.degrees, "sign": stated.sign, "rest": stated.zero}
    beside: dict[str, str | float | None] = dict.fromkeys(options)
    if metadata is not None:
        beside = {"degrees": metadata.unit.split()[0], "sign": metadata.sign, "rest": metadata.zero}
    words = {
        "degrees": [each for each in statements if each.about == "degrees"] or _implied_degrees(statements),
        "sign": [*_stated_signs(numbers, statements), *_implied_signs(numbers.side, statements)],
        "rest": [each for each in statements if each.about == "zero" and each.value not in (FROM_TDC, NOT_KNOWN)],
    }
    neutral: dict[str, str | float | None] = dict.fromkeys(options)
    if grid.corner == CORNER and not any(words.values()):
        neutral = {"degrees": "crank", "sign": 1, "rest": 0.0}
    known: dict[str, _Stated] = {}
    for name, option in options.items():
        each = words[name]
        values = list(dict.fromkeys(one.value for one in each))
        if option is not None and beside[name] is not None and option != beside[name]:
            raise _beside(numbers, f"--{numbers.side}-{_OPTION[name]} says {option}", name, beside[name])
        if option is not None:
            known[name] = _Stated(option, "stated", each[0] if each and len(values) == 1 else None)
        elif beside[name] is not None:
            known[name] = _Stated(beside[name], "the metadata beside it", each[0] if each else None)
        elif len(values) > 1:
            raise _contradiction(numbers, name, each)
        elif each:
            known[name] = _Stated(each[0].value, each[0].quoted, each[0])
        elif neutral[name] is not None:
            known[name] = _Stated(neutral[name], f'the corner cell "{CORNER}"')
        else:
            known[name] = _Stated(None, "")
    for name, one in known.items():
        _require_agreement(numbers, known, name, one)
    return known


def _stated_signs(numbers: Numbers, statements: tuple[Statement, ...]) -> list[Statement]:
    """What words say of the sign. "Retard" over numbers that are all negative says nothing where both signs fit."""
    degrees = {each.value for each in statements if each.about == "degrees"}
    values = {"degrees": degrees.pop() if len(degrees) == 1 else None, "sign": 1, "rest": 0.0}
    turned = any(fits_travel(numbers, channel, 0.0) for channel in channels_of(numbers, values))
    doubtful = turned and bool(numbers.cells.max() <= 0.0 and numbers.cells.min() < 0.0)
    return [
        each for each in statements if each.about == "sign" and not (doubtful and each.by_name and each.value == -1)
    ]


def _implied_degrees(statements: tuple[Statement, ...]) -> list[Statement]:
    """Centrelines are given in crank degrees throughout the trade."""
    return [Statement("degrees", "crank", each.words) for each in statements if each.value in CENTRELINES]


def _implied_signs(side: Side, statements: tuple[Statement, ...]) -> list[Statement]:
    """Centrelines count retard as + after TDC and advance as + before it."""
    usual = CENTRELINES[1 if side == "intake" else 2]
    found = []
    for each in statements:
        if each.value in CENTRELINES:
            where = usual if each.value == CENTRELINES[0] else each.value
            found.append(Statement("sign", -1 if where == CENTRELINES[1] else 1, each.words))
    return found


def _require_agreement(numbers: Numbers, known: Mapping[str, _Stated], name: str, one: _Stated) -> None:
    """Refuse an option or metadata that words contradict; an option passes where the words do not fit the travel."""
    statement = one.statement
    if statement is None or statement.value == one.value:
        return
    values = {each: stated.value for each, stated in known.items()}
    if name == "rest":  # words may name an end of the travel, which is a number of the file
        rests = {round(channel.zero, 6) for channel in channels_of(numbers, values | {name: statement.value})}
        if isinstance(one.value, float | int) and round(float(one.value), 6) in rests:
            return
    if one.source != "stated":
        raise _beside(numbers, f"{statement.quoted} says {_value_words(name, statement.value)}", name, one.value)
    open_values: dict[str, str | float | None] = dict.fromkeys(values)
    by_words, by_option = (
        any(fits_travel(numbers, channel, 0.0) for channel in channels_of(numbers, open_values | {name: value}))
        for value in (statement.value, one.value)
    )
    if by_words or not by_option:
        option = f"--{numbers.side}-{_OPTION[name]}"
        raise InputError.one(
            f"{option} says {one.value}, but {_quoted(statement)} says {_value_words(name, statement.value)}",
            hint=f"leave {option} out, or correct the words where they are wrong",
            file=numbers.path,
            where=_line(statement),
        )


def _beside(numbers: Numbers, says: str, name: str, value: str | float | None) -> InputError:
    return InputError.one(
        f"{says} and the metadata beside the table {_value_words(name, value)}",
        hint=f"correct the one that is wrong, or move {numbers.path.name}-metadata.json away",
        file=numbers.path,
    )


def _contradiction(numbers: Numbers, name: str, statements: list[Statement]) -> InputError:
    one = statements[0]
    other = next(each for each in statements if each.value != one.value)
    values = (_value_words(name, each.value) for each in (one, other))
    if one.words == other.words:
        problem = f"{_quoted(one)} may say {' or '.join(values)}"
    else:
        first, second = values
        problem = f"{_quoted(other)} says {second}, but {one.quoted} says {first}"
    return InputError.one(
        problem,
        hint=f"give --{numbers.side}-{_OPTION[name]} {_VALUES[name]}, or correct the words that are wrong",
        file=numbers.path,
        where=_line(other) or _line(one),
    )


def _refuse_words_that_do_not_fit(numbers: Numbers, known: Mapping[str, _Stated]) -> None:
    """Refuse words under which phases leave the travel, where another meaning of the same item would fit it."""
    values = {name: each.value for name, each in known.items()}
    for name, each in known.items():
        if each.statement is None or each.source == "stated" or each.statement.value != each.value:
            continue
        if any(fits_travel(numbers, channel, 0.0) for channel in channels_of(numbers, values | {name: None})):
            phases = next(channels_of(numbers, values)).phase(numbers.cells)
            least, most = travel_of(numbers)
            raise InputError.one(
                f"{_quoted(each.statement)} says {_value_words(name, each.value)}: phases from {phases.min():g} to "
                f"{phases.max():g}° then, which the {numbers.side} travel, {least:g} to {most:g}°, does not allow",
                hint=f"give --{numbers.side}-{_OPTION[name]} {_VALUES[name]}, or correct the travel in the project",
                file=numbers.path,
                where=_line(each.statement),
            )


# In words.


def _sentence(numbers: Numbers, known: Mapping[str, _Stated], found: tuple[Channel, ...], fits: bool) -> str:
    """How the numbers are read, and because of what."""
    by: dict[str, list[str]] = {}
    for name, each in known.items():
        by.setdefault(each.source or "not stated", []).append(name)
    because = "; ".join(f"{_listed(names)}: {source}" for source, names in by.items())
    (least, most), phases, side = travel_of(numbers), found[0].phase(numbers.cells), numbers.side
    leaves = "" if fits else f"; {phases.min():g} to {phases.max():g}° leaves the {side} travel, {least:g} to {most:g}°"
    if len(found) > 1:
        first, *others = map(as_read, found)
        if len(others) > _LISTED:
            others = [*others[: _LISTED - 1], f"{len(others) - _LISTED + 1} more ways"]
        ways = "; or ".join([first + leaves, *others])
        return f"phases may be {ways} ({because}): judged in each, clear only if clear in each"
    words = f"phases are read as {as_read(found[0])} ({because}"
    if leaves and numbers.project.phaser_of(side) is not None:
        return f"{words}){leaves}: are sign, zero (--{side}-zero) and degrees (--{side}-in) right?"
    return words + (", and only this fits the travel)" if "not stated" in by and fits else ")")


def _listed(names: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _value_words(name: str, value: str | float | None) -> str:
    if name == "degrees":
        return f"{value} degrees"
    if name == "sign":
        return "+ = advanced" if value == 1 else "+ = retarded"
    if value in CENTRELINES:
        return str(value)
    return f"0 is {value}" if isinstance(value, str) else f"rest is {value:g}"
