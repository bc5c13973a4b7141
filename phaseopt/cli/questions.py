"""The questions that `phaseopt new` asks on a terminal, each answer checked as it is given."""

import sys
from typing import Any, get_args

import typer

from phaseopt.project.answers import Answers, DropBy, Lobes, TorqueBy
from phaseopt.project.load import check_value
from phaseopt.project.quantities import Arrangement
from phaseopt.values.display_units import Units
from phaseopt.values.errors import InputError
from phaseopt.values.units import UnitError, to_number

_FIRST = """\
A few questions, then a project to fill in. Enter takes what is in [ ], or leaves a blank to fill in later.
Ctrl-C stops: nothing is written before the last answer.
"""
_UNITS = ("millimetres, N·m, kW", "thousandths of an inch, lb-ft, hp")
_MOVES = (
    "both cams, a phaser on each",
    "the intake cam alone",
    "the exhaust cam alone",
    "both cams, one phaser on both",
)
_LOBES = ("measured: lift over cam degrees, from a bench or with a dial gauge", "a cam card: durations at check lifts")
_DROP = (
    "readings every 5° around TDC with a dial gauge (best)",
    "one reading at TDC",
    "clay squeezed at a known timing",
)
_TORQUE = (
    "dyno pulls",
    "a simulation of the engine, until there are pulls",
    "dyno pulls on top of a simulation",
)
_WAYS = ("advances", "retards", "goes both ways")


def asked() -> Answers:
    """Ask on the terminal what a project depends on.

    Questions go to standard error, so that what is printed stays clean. Raises `InputError` where standard input is
    no terminal, and `KeyboardInterrupt` where the answers end.
    """
    if not on_a_terminal():
        raise InputError.one(
            "it asks its questions on a terminal, and this is none",
            hint="add --yes for the commonest engine with everything left blank, or --example for a finished project",
            where="phaseopt new",
        )
    typer.echo(_FIRST, err=True)
    known: dict[str, Any] = {}
    units = _choice("Which units do you read?", get_args(Units), _UNITS)
    if name := _answer("What is the engine called?"):
        known["name"] = name
    moves: Arrangement = _choice("Which cams does a phaser move?", ("both", "intake", "exhaust", "together"), _MOVES)
    for section, called in _phasers(moves):
        if (travel := _travel(called, "retards" if called.startswith("exhaust") else "advances")) is not None:
            known[f"{section}.travel"] = travel
    known |= _value("cylinders", "How many cylinders?", whole=True)
    for key, what in (("bore", "Bore"), ("stroke", "Stroke"), ("rod", "Rod, centre to centre")):
        known |= _length(f"crank.{key}", what, units, known)
    known |= _value("crank.redline", "Redline, rpm?")
    idle = _value("crank.redline", "Idle, rpm, where the tables begin? [1000]").get("crank.redline")
    return Answers(
        units=units,
        moves=moves,
        lobes=_choice("How are the lobes known?", get_args(Lobes), _LOBES),
        drop=_choice("How is the room between valve and piston measured?", get_args(DropBy), _DROP),
        torque=_choice("Where does torque come from?", get_args(TorqueBy), _TORQUE),
        known=known,
        idle=idle,
    )


def on_a_terminal() -> bool:
    """Whether somebody can answer."""
    return sys.stdin.isatty()


def _phasers(moves: Arrangement) -> list[tuple[str, str]]:
    """Each phaser's section, and what to call it."""
    if moves == "together":
        return [("phaser", "phaser")]
    return [(f"{side}.phaser", f"{side} phaser") for side in ("intake", "exhaust") if moves in (side, "both")]


def _travel(called: str, usual: str) -> list[float] | None:
    """[least, most] crank degrees from rest; None where the answer is left blank."""
    way = _choice(f"From rest the {called} ...", (usual, *(w for w in _WAYS if w != usual)))
    advance = _degrees("How far does it advance, crank degrees?") if way != "retards" else 0.0
    retard = _degrees("How far does it retard, crank degrees?") if way != "advances" else 0.0
    return None if advance is None or retard is None else [0.0 - retard, advance]


def _degrees(question: str) -> float | None:
    while answer := _answer(question):
        try:
            degrees = to_number(_number(answer), "crank deg")
            if 0.0 < degrees <= 180.0:
                return degrees
            typer.echo("  It is above 0 and up to 180: how far, without a sign.", err=True)
        except UnitError as error:
            typer.echo(f'  {error}. Give a number, or text such as "22.5 cam deg".', err=True)
    return None


def _length(key: str, what: str, units: str, known: dict[str, Any]) -> dict[str, Any]:
    """A length by its key, with its unit written beside it where it is in inches."""
    while answer := _answer(f"{what}, {'in' if units == 'inch' else 'mm'}?"):
        value = _number(answer)
        if units == "inch" and not isinstance(value, str):
            value = f"{value:g} in"
        if _accepted(key, value) and _rod_long_enough(key, value, known):
            return {key: value}
    return {}


def _rod_long_enough(key: str, value: object, known: dict[str, Any]) -> bool:
    if key != "crank.rod" or "crank.stroke" not in known:
        return True
    rod, stroke = to_number(value, "mm"), to_number(known["crank.stroke"], "mm")
    if rod > stroke / 2:
        return True
    typer.echo(f"  A rod of {rod:g} mm is not longer than half the stroke, {stroke / 2:g} mm. Measure again.", err=True)
    return False


def _value(key: str, question: str, *, whole: bool = False) -> dict[str, Any]:
    """A number by its key, asked until it is one that the key takes; nothing where it is left blank."""
    while answer := _answer(question):
        value = _number(answer)
        if whole and isinstance(value, float) and value.is_integer():
            value = int(value)
        if _accepted(key, value):
            return {key: value}
    return {}


def _accepted(key: str, value: object) -> bool:
    try:
        check_value(key, value)
    except InputError as error:
        for mistake in error.mistakes:
            typer.echo(f"  {mistake.problem}. Fix: {mistake.hint}.", err=True)
        return False
    return True


def _choice(question: str, of: tuple[Any, ...], words: tuple[str, ...] | None = None) -> Any:
    """One of some answers, by its number or its first letters; the first where nothing is answered."""
    typer.echo(question, err=True)
    for number, word in enumerate(words or of, start=1):
        typer.echo(f"  {number}  {word}", err=True)
    while answer := _answer(f"1 to {len(of)}? [1]"):
        if answer.isdecimal() and 1 <= int(answer) <= len(of):
            return of[int(answer) - 1]
        meant = [each for each in of if str(each).startswith(answer.lower())]
        if len(meant) == 1:
            return meant[0]
        typer.echo(f"  {answer!r} is none of these. Answer with a number from 1 to {len(of)}.", err=True)
    return of[0]


def _number(answer: str) -> float | str:
    """A plain number where it is one, else the text, which may carry a unit; a decimal comma counts as a point."""
    text = answer.replace(",", ".")
    try:
        return float(text)
    except ValueError:
        return text


def _answer(question: str) -> str:
    typer.echo(f"{question} ", err=True, nl=False)
    try:
        return input().strip()
    except EOFError:
        raise KeyboardInterrupt from None
