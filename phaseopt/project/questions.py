"""What `phaseopt new` asks: each question with its reason, an example and the keys that its answer fills in.

Answers are text, as typed; `answers_of` turns all of them into `Answers`. Nothing here talks to anybody, so a terminal
and a page may ask the same questions.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from phaseopt.project.answers import Answers, DropBy, Lobes, TorqueBy
from phaseopt.project.load import check_value
from phaseopt.project.quantities import SIDES, Arrangement
from phaseopt.values.display_units import Units
from phaseopt.values.errors import InputError
from phaseopt.values.units import UnitError, to_number, to_number_in

Given = Mapping[str, str]  # answers by the names of their questions; "" = left blank

_BETWEEN = re.compile(r"\s*(?:[x×;&]|\band\b|,(?=\s))\s*", re.IGNORECASE)
_A_NUMBER = re.compile(r"[+-]?[0-9.]")


@dataclass(frozen=True)
class Question:
    """One question.

    `text` is what is asked, `why` the reason, `example` an answer as it may be typed. `choices` are pairs of an answer
    and what it means; without them the answer is free text where `keys` is ("name",), and else one number for each key
    (`both`: one may stand for all).
    """

    name: str
    text: str
    why: str
    example: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    keys: tuple[str, ...] = ()
    both: bool = False

    def parse(self, answer: str, given: Given) -> dict[str, Any]:
        """Values by key from an answer, checked; {} where it is left blank. Raises `InputError`.

        >>> asked = {question.name: question for question in questions({})}
        >>> asked["bore and stroke"].parse("86 x 82.5", {})
        {'crank.bore': 86, 'crank.stroke': 82.5}
        >>> asked["intake travel"].parse("-40", {})
        {'intake.phaser.travel': [-40.0, 0.0]}
        >>> asked["speeds"].parse("1000 rpm 7400 rpm", {})
        {'idle': 1000, 'crank.redline': 7400}
        """
        answer = answer.strip()
        if not answer:
            return {}
        if self.choices:
            return {self.name: self._chosen(answer)}
        if self.keys == ("name",):
            return {"name": answer}
        units = units_of(given)
        if self.name.endswith("travel"):
            return _checked({self.keys[0]: _span(answer)}, units)
        if self.name == "speeds":
            answer = re.sub(r"\s*rpm\b", "", answer, flags=re.IGNORECASE)
        parts = _parts(answer, len(self.keys))
        if len(parts) == 1 and self.both:
            parts *= len(self.keys)
        if len(parts) != len(self.keys):
            asked = f"{len(self.keys)} value{'s' if len(self.keys) > 1 else ''}"
            raise _no(f"{answer!r} is not {asked}", f"write {asked}, such as {self.example}")
        found = _checked(dict(zip(self.keys, map(_number, parts), strict=True)), units)
        self._refuse_impossible(found, given)
        return found

    def _chosen(self, answer: str) -> str:
        if answer.isdecimal() and 1 <= int(answer) <= len(self.choices):
            return self.choices[int(answer) - 1][0]
        meant = [value for value, _ in self.choices if value.lower().startswith(answer.lower())]
        if len(meant) != 1:
            raise _no(f"{answer!r} is none of these", f"answer with a number from 1 to {len(self.choices)}")
        return meant[0]

    def _refuse_impossible(self, found: dict[str, Any], given: Given) -> None:
        """What only two answers together show to be wrong."""
        bare = "in" if units_of(given) == "inch" else "mm"
        if self.name == "rod" and given.get("bore and stroke"):
            stroke = _by_name("bore and stroke").parse(given["bore and stroke"], given)["crank.stroke"]
            half = to_number_in(stroke, "mm", bare) / 2
            if to_number_in(found["crank.rod"], "mm", bare) <= half:
                raise _no(f"that rod is shorter than half the stroke, {half:.1f} mm", "measure from centre to centre")
        if self.name == "speeds" and float(found[_IDLE]) >= float(found["crank.redline"]):
            raise _no("idle is not below the redline", f"give idle first, such as {self.example}")


_IDLE = "idle"
_WHY_TRAVEL = (
    "It decides how near the valves can come to the piston. 45: advances up to 45° from rest. -40: retards up to 40°. "
    "-15 30: does both. These are crank degrees; for cam degrees add the unit, as 22.5 cam deg."
)


def questions(given: Given) -> Iterator[Question]:
    """The questions that the answers so far leave to be asked, in their order, those answered too."""
    inch = units_of(given) == "inch"
    length, area = ("inches", "in²") if inch else ("mm", "mm²")
    moves = given.get("moves") or "both"
    yield Question(
        "units",
        "Which units do you work in?",
        "Numbers without a unit count in these, and answers come in them. Another unit beside a number counts too.",
        choices=(("metric", "millimetres, N·m, kW"), ("inch", "inches, lb-ft, hp")),
    )
    yield Question("name", "What is the engine called?", "It heads every report.", "hill-climb four", keys=("name",))
    yield Question(
        "cylinders",
        "How many cylinders?",
        "The measuring sheet has a column for each; torque is shared among them.",
        "4",
        keys=("cylinders",),
    )
    yield Question(
        "bore and stroke",
        f"Bore and stroke, {length}?",
        "The stroke sets how fast the piston drops away from the valves.",
        "3.39 x 3.23" if inch else "86 x 82",
        keys=("crank.bore", "crank.stroke"),
    )
    yield Question(
        "rod",
        f"Rod, centre to centre, {length}?",
        "With the stroke it gives the piston position at every crank angle.",
        "5.59" if inch else "142",
        keys=("crank.rod",),
    )
    yield Question(
        "speeds",
        "Idle and redline, rpm?",
        "Tables run from idle to the redline; rods stretch most at the redline.",
        "1000 7400",
        keys=(_IDLE, "crank.redline"),
    )
    yield Question(
        "moves",
        "Which cams does a phaser move?",
        "Each phaser gets a table of its own.",
        choices=(
            ("both", "both cams, a phaser on each"),
            ("intake", "the intake cam alone"),
            ("exhaust", "the exhaust cam alone"),
            ("together", "both cams, one phaser on both"),
        ),
    )
    if moves == "together":
        yield Question("travel", "Phaser travel from rest, crank degrees?", _WHY_TRAVEL, "-40", keys=("phaser.travel",))
    for side, example in zip(SIDES, ("45", "-40"), strict=True):
        if moves in (side, "both"):
            text = f"{side.capitalize()} phaser travel from rest, crank degrees?"
            yield Question(f"{side} travel", text, _WHY_TRAVEL, example, keys=(f"{side}.phaser.travel",))
    yield _pair("valves", "Valves per cylinder", "The sheets have a place for each.", "2 2", "valves")
    yield _pair(
        "tilt",
        "Valve angle, stem to cylinder axis, degrees",
        "It sets how much of the lift goes towards the piston. It is half the included angle if both are alike.",
        "12 14",
        "tilt",
    )
    yield Question(
        "lobes",
        "What do you have of the lobes?",
        "Measured lobes leave you the most travel. What a card does not say counts at its worst.",
        choices=(
            ("files", "measured: lift over cam degrees, from a bench or with a dial gauge"),
            ("card", "a cam card: durations at check lifts"),
        ),
    )
    yield _pair(
        "centrelines",
        "Design centreline at rest, °ATDC and °BTDC",
        "From the cam card or the maker: where full lift, or the middle of equal lifts, should be with no offset.",
        "110 112",
        "centreline",
        one=False,
    )
    yield _pair(
        "offsets",
        "Offset from that as fitted, crank degrees, + = advanced",
        "It moves everything the phaser can reach. 0 if the cam is fitted as designed; -12 is 12° retarded.",
        "-12 8",
        "offset",
        one=False,
    )
    yield _pair(
        "lash",
        f"Lash set cold, {length}, 0 if hydraulic",
        "Lash keeps the valve that much farther from the piston than the lobe alone would.",
        ".008 .010" if inch else "0.20 0.25",
        "lash",
    )
    yield Question(
        "drop",
        "How do you measure valve drop, the room from valve to piston?",
        "Everything rests on it. Readings around TDC show when the degree wheel is out; one reading cannot.",
        choices=(
            ("readings", "readings every 5° around TDC with a dial gauge, in a file (best)"),
            ("list", "the same readings, typed into the project: one cylinder"),
            ("at TDC", "one reading at TDC"),
            ("clay", "clay squeezed at a known timing"),
        ),
    )
    yield Question(
        "mass",
        "Weight of piston, pin, rings and the rod's small end together, g?",
        "At speed their weight stretches the rod towards the valves.",
        "430",
        keys=("gap.running.rod.reciprocating_mass",),
    )
    yield Question(
        "section",
        f"Cross-section of the rod's beam, {area}?",
        "A thin beam stretches more. Take it at the thinnest place; an I-beam is width times depth less its recesses.",
        ".26" if inch else "165",
        keys=("gap.running.rod.section",),
    )
    yield Question(
        "torque",
        "Where does torque come from?",
        "Contact limits need none. Tables need pulls, or a simulation until you have some.",
        choices=(
            ("pulls", "dyno pulls"),
            ("simulation", "a simulation of the engine, until you have pulls"),
            ("both", "dyno pulls on top of a simulation"),
        ),
    )
    if given.get("torque") != "simulation":
        yield Question(
            "measured",
            "Where does the dyno measure torque?",
            "A roller dyno reads less than the flywheel makes, so it needs your losses and overall ratio too.",
            choices=(("flywheel", "at the flywheel: an engine dyno"), ("wheel", "at the wheels: a roller dyno")),
        )


def units_of(given: Given) -> Units:
    """The units that were answered; metric until then."""
    return "inch" if given.get("units") == "inch" else "metric"


def answers_of(given: Given) -> Answers:
    """All answers together. Raises `InputError` for one that is wrong, such as in a damaged file of answers."""
    found: dict[str, Any] = {}
    chosen: dict[str, Any] = {}
    for question in questions(given):
        values = question.parse(given.get(question.name, ""), given)
        (chosen if question.choices else found).update(values)
    idle = found.pop(_IDLE, None)
    lobes: Lobes = chosen.get("lobes", get_args(Lobes)[0])
    drop: DropBy = chosen.get("drop", get_args(DropBy)[0])
    torque: TorqueBy = chosen.get("torque", get_args(TorqueBy)[0])
    moves: Arrangement = chosen.get("moves", "both")
    measured: Literal["flywheel", "wheel"] = chosen.get("measured", "flywheel")
    return Answers(moves, lobes, drop, torque, units_of(given), found, idle, measured)


def _by_name(name: str) -> Question:
    return next(question for question in questions({}) if question.name == name)


def _pair(name: str, text: str, why: str, example: str, key: str, *, one: bool = True) -> Question:
    keys = tuple(f"{side}.{key}" for side in SIDES)
    return Question(name, f"{text}: intake, exhaust?", why, example, keys=keys, both=one)


def _parts(answer: str, count: int) -> list[str]:
    """The values in an answer: parted by x, ; or a comma and a space, else by spaces, each with or without a unit."""
    parts = [part for part in _BETWEEN.split(answer) if part]
    if len(parts) != 1 or count == 1:
        return parts
    words: list[str] = []
    for word in answer.split():
        if _A_NUMBER.match(word) and not (words and "/" in word):  # "3 1/2" is one value
            words.append(word)
        elif words:
            words[-1] += f" {word}"
        else:
            words.append(word)
    return words


def _number(text: str) -> float | int | str:
    """A plain number where it is one, else the text, which may carry a unit; a decimal comma counts as a point."""
    text = text.replace(",", ".")
    try:
        found = float(text)
    except ValueError:
        return text
    return int(found) if found.is_integer() and "." not in text and "e" not in text.lower() else found


def _span(answer: str) -> list[float]:
    """[least, most] crank degrees from rest."""
    ends = []
    parts = _parts(answer, 2)
    unit = re.search(r"[^\d\s.,+-].*$", parts[-1]) if parts else None
    for part in parts:
        text = part.replace(",", ".")
        if unit is not None and not re.search(r"[a-z°]", text, re.IGNORECASE):
            text += f" {unit[0]}"  # "-7.5 15 cam deg": the unit is of both
        try:
            ends.append(to_number(_number(text), "crank deg"))
        except UnitError as error:
            raise _no(str(error), "give degrees, such as 45, -40, -15 30 or 22.5 cam deg") from error
    if len(ends) == 1:
        ends = [min(ends[0], 0.0), max(ends[0], 0.0)]
    if len(ends) != 2 or not -180.0 <= ends[0] <= 0.0 <= ends[1] <= 180.0 or ends[0] == ends[1]:
        raise _no(f"{answer!r} is no travel through rest", "give 45, -40 or -15 30: how far it retards and advances")
    return ends


def _checked(values: dict[str, Any], units: Units) -> dict[str, Any]:
    for key, value in values.items():
        check_value("crank.redline" if key == _IDLE else key, value, units)
    return values


def _no(problem: str, hint: str) -> InputError:
    return InputError.one(problem, hint=hint)
