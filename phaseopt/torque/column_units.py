"""The unit of a log's column: as the project states it, as the file has it beside or under the name, and whether both
agree."""

import re
from pathlib import Path

from phaseopt.project import Torque
from phaseopt.table_import.lexicon import Words, statements_in
from phaseopt.values.errors import InputError
from phaseopt.values.units import UnitError, WrongKindError, to_number

UNITS = {
    "rpm": "rpm",
    "torque": "N m",
    "load": "kPa",
    "time": "s",
    "throttle": "percent",
    "air_temperature": "degC",
    "coolant": "degC",
    "oil": "degC",
    "mixture": "1",
    "spark_retard": "degree",
    "knock": "1",
    "spark": "degree",
    "exhaust_temperature": "degC",
    "roller": "rpm",
}
STATED = (
    "torque",
    "load",
    "air_temperature",
    "coolant",
    "oil",
    "exhaust_temperature",
    "time",
)  # quantities whose unit a project may state
_BRACKETS = re.compile(r".*[\[(]([^\[\]()]+)[\])]\s*")
_MARKS = re.compile(r"[\s.·⋅*_\-^()/]+")
# How units are written in logs, lower case without blanks and marks; common practice, no source. A workshop's lb/ft is
# the product of both.
_SPELLINGS = {
    "N m": "nm nmeter newtonmeter newtonmeters newtonmetres",
    "dN m": "dnm",
    "daN m": "danm",
    "kN m": "knm",
    "lbf ft": "lbft lbsft lbfft ftlb ftlbs ftlbf footpounds footpound poundfeet poundsfeet poundfoot",
    "lbf inch": "inlb inlbs inlbf lbin lbsin lbfin inchpounds",
    "kgf m": "kgm kgfm mkg mkgf mkp kpm",
    "kPa": "kpa kpaa kpaabs",
    "hPa": "hpa hpaa hpaabs",
    "mbar": "mbar mbara mbarabs",
    "bar": "bar bara barabs",
    "psi": "psi psia psiabs",
    "inHg": 'inhg inhga inhgabs "hg',
    "mmHg": "mmhg mmhga mmhgabs torr",
    "Pa": "pa",
    "atm": "atm",
    "kgf / cm^2": "kgcm2 kgfcm2 kpcm2 kgcm² kgfcm²",
    "degC": "°c c degc celsius",
    "degF": "°f f degf fahrenheit",
    "kelvin": "k kelvin",
    "s": "s sec secs second seconds sek",
    "ms": "ms msec msecs millisec milliseconds",
    "rpm": "rpm 1min min1 umin rmin revmin upm trmin tmin girimin otmin varvmin tpm",
    "krpm": "krpm rpmx1000 x1000rpm 1000rpm x1000",
    "revolution / second": "1s s1 hz rps revs",
}
_WRITTEN = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in spellings.split()}
_NONE = ("-", "--", "n/a", "none", "[]", "()", "unit", "1")  # under a name: no unit
_GAUGE = re.compile(r"(psi|k?pa|m?bar|in\.?hg)[ (]*(g|ga|gauge|rel)\)?", re.IGNORECASE)
_MIXTURES = {"lambda": "lambda", "λ": "lambda", "afr": "air-fuel ratio", "air-fuel ratio": "air-fuel ratio"}


def scale_of(file: Path, torque: Torque, name: str, column: str, written: str) -> tuple[float, float, str]:
    """Factor and shift that bring a column to the program's unit (value × factor + shift), and a note or "".

    Parameters: the `file`, for messages; quantity `name`; `column`; `written`, the unit text the file has for it, or
    "". Raises `InputError` where the file's unit is of another kind, or contradicts the one the project states.
    """
    if name == "mixture":
        return _mixture(file, torque, column, written or _in_brackets(column))
    if name.endswith(("_phase", "_command")):
        return _refuse_phase_unit(file, torque, name, column, written or _in_brackets(column))
    if name not in STATED and name not in ("rpm", "roller"):
        return 1.0, 0.0, ""
    stated = getattr(torque.units, name) if name in STATED else "rpm"
    explicit = name in STATED and name in torque.units.model_fields_set
    own = conversion(stated, UNITS[name])
    written = "" if written.lower() in _NONE else written
    text = written or _in_name(column)
    if not text:
        return *own, ""
    if _GAUGE.fullmatch(text):
        hint = "log manifold absolute pressure, or add the barometer before"
        raise InputError.one(f"{column} is in {text}, a gauge pressure", hint=hint, file=file)
    try:
        found = conversion(_WRITTEN.get(_plain(text), text), UNITS[name])
    except WrongKindError as error:
        if not written:  # words in a name may mean anything
            return *own, ""
        hint = f"check which column torque.columns.{name} names"
        raise InputError.one(f"{column} is in {text}, not a unit like {UNITS[name]}", hint=hint, file=file) from error
    except UnitError as error:
        if written and name in STATED and not explicit:
            hint = f'say what it is, such as {name} = "{UNITS[name]}", under [torque.units]'
            raise InputError.one(f"{column} is in {text}, an unknown unit", hint=hint, file=file) from error
        return *own, f"the unit {text!r} of {column} is unknown, so it is read in {stated}" if written else ""
    same = all(abs(a - b) <= 1e-6 * max(1.0, abs(b)) for a, b in zip(found, own, strict=True))
    if not same and explicit:
        raise InputError.one(
            f"{column} is in {text} by the file and in {stated} by torque.units.{name}",
            hint=f"fix torque.units.{name}, or leave it out to use the file's unit",
            file=file,
        )
    return *found, "" if same else f"{column} is in {text}, as the file says"


def conversion(unit: str, to: str) -> tuple[float, float]:
    """Factor and shift from one unit to another; two readings fix it, also where its zero is elsewhere.

    >>> [round(number, 6) for number in conversion("degF", "degC")]
    [0.555556, -17.777778]
    """
    shift, far = (to_number(f"{number} {unit}", to) for number in (0, 1000))
    return (far - shift) / 1000, shift


def _plain(text: str) -> str:
    return _MARKS.sub("", text.lower())


def _in_name(column: str) -> str:
    """The unit that a column's name ends with, in brackets or as its last words; "" for none.

    >>> _in_name("Torque [Nm]"), _in_name("brake torque lb-ft"), _in_name("map_psi"), _in_name("Torque")
    ('Nm', 'lb-ft', 'psi', '')
    """
    words = re.split(r"[\s_]+", column.strip())
    tails = (" ".join(words[-count:]) for count in (3, 2, 1) if len(words) > count)
    known = (tail for tail in tails if _plain(tail) in _WRITTEN or _GAUGE.fullmatch(tail))
    return next(known, "") or _in_brackets(column)


def _in_brackets(column: str) -> str:
    found = _BRACKETS.fullmatch(column)
    return found[1].strip() if found else ""


def _mixture(file: Path, torque: Torque, column: str, written: str) -> tuple[float, float, str]:
    stated: str = torque.units.mixture
    found = _MIXTURES.get(written.lower())
    if found not in (None, stated):
        if "mixture" in torque.units.model_fields_set:
            raise InputError.one(
                f"{column} is {found} by the file and {stated} by torque.units.mixture",
                hint="fix torque.units.mixture, or leave it out to use the file's unit",
                file=file,
            )
        stated = found
    note = f"{column} is {stated}, as the file says" if found and found != torque.units.mixture else ""
    return (1.0 if stated == "lambda" else 1.0 / torque.units.stoichiometric), 0.0, note


def _refuse_phase_unit(file: Path, torque: Torque, name: str, column: str, written: str) -> tuple[float, float, str]:
    """Phases keep the log's own degrees; a unit that says radians, or the other kind of degrees, is refused."""
    side = name.partition("_")[0]
    channel = torque.phases.intake if side == "intake" else torque.phases.exhaust
    words = written.lower()
    cam = next((one.value for one in statements_in([Words(column, "its name")]) if one.about == "cam"), side)
    if cam != side and torque.phases.intake is not None and torque.phases.exhaust is not None:
        raise InputError.one(
            f"{column} is the {cam} cam by its name and the {side} cam by torque.columns.{name}",
            hint="give each cam its own column; if the name is wrong, rename it in the log",
            file=file,
        )
    if re.fullmatch(r"m?rad(ians?)?", words):
        raise InputError.one(f"{column} is in {written}", hint="log phases in degrees", file=file)
    kind = next((kind for kind in ("cam", "crank") if re.search(rf"\b{kind}", words)), "")
    if channel is not None and kind and not channel.unit.startswith(kind):
        raise InputError.one(
            f"{column} is in {written} by the file and in {channel.unit} by torque.phases.{side}.in",
            hint=f'in = "{kind} deg" if the file is right',
            file=file,
        )
    return 1.0, 0.0, ""
