"""Numbers with units, files, axes and spans: what the fields of a project file are made of.

Angles are crank degrees unless a field says otherwise.
"""

import inspect
import itertools
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from phaseopt.values.display_units import Units
from phaseopt.values.units import UnitError, has_unit, to_number_in


def fault(problem: str, hint: str) -> PydanticCustomError:
    """A validation error that carries its own fix.

    Parameters
    ----------
    problem : str
        What is wrong.
    hint : str
        How to fix it.

    Returns
    -------
    PydanticCustomError
        To be raised by a validator.

    Examples
    --------
    >>> fault("bore is negative", "give it in mm").context["hint"]
    'give it in mm'
    """
    return PydanticCustomError("phaseopt", "{problem}", {"problem": problem, "hint": hint})


_LARGEST = 1e12  # in any documented unit: beyond it sums and squares overflow
# What one who works in inches writes without a unit. Grams, litres, load in kPa and GPa stay: so they do there too.
_INCH_UNITS = {
    "mm": "in", "mm^2": "in^2", "kPa": "inHg", "degC": "degF", "N": "lbf", "N/mm": "lbf/in", "N m": "lbf ft",
    "L/s": "cfm",
}  # fmt: skip


@dataclass(frozen=True)
class Reader:
    """Reads one kind of number: a bare one in the project's units, or text with a unit of its own.

    `unit` is the documented one, `inch` the one of a bare number where the project's `units` are "inch". `likely` is
    the span, in the documented unit, of what such a number can be: a bare one outside it, but 0, is not guessed at but
    asked about. `named`: in an inch project every bare number is, since its size does not show which unit it is in.
    """

    unit: str
    inch: str
    likely: tuple[float, float] | None = None
    named: bool = False

    def __call__(self, value: object, info: ValidationInfo) -> float:
        """The number in the documented unit."""
        bare = self.bare((info.context or {}).get("units", "metric"))
        try:
            number = to_number_in(value, self.unit, bare)
            if abs(number) > _LARGEST:
                raise UnitError(f"{number:g} is no size of anything on an engine")
        except UnitError as error:
            hint = (
                f'give a number in {bare}, or text with a unit such as "1.5 {bare}"' if bare else "give a plain number"
            )
            raise fault(str(error), hint) from error
        if self.named and bare != self.unit and not has_unit(value):
            raise fault(
                f"{value} may be {bare} or {self.unit}",
                f'write "{str(value).strip()} {bare}" or "{str(value).strip()} {self.unit}", as it was measured',
            )
        if self.likely is not None and number and not has_unit(value):
            self._ask(float(str(value)) if bare == self.unit else number, value, bare)
        return number

    def _ask(self, number: float, value: object, bare: str) -> None:
        """Refuse a bare number that is hardly in the unit it would be taken in."""
        assert self.likely is not None
        least, most = self.likely
        # Taken in mm, what was inches is too small; taken in inches, what was mm or thousandths is too large. The keys
        # themselves limit the other end.
        small, large = abs(number) < least, abs(number) > most
        if not (small or large if self.unit == "kPa" else small if bare == self.unit else large):
            return
        more = {"mm": ("thou",), "kPa": ("mbar", "psi")}.get(self.unit, ())  # a barometer is read in many
        units = (self.unit, self.inch, *more)
        fits = [
            unit for unit in units
            if unit != bare and least <= abs(to_number_in(value, self.unit, unit)) <= most
        ]  # fmt: skip
        written = " or ".join(f'"{str(value).strip()} {unit}"' for unit in dict.fromkeys([*fits, bare]))
        raise fault(f"{value} without a unit counts as {value} {bare}, which looks wrong", f"write {written}")

    def bare(self, units: Units) -> str:
        """The unit of a number without one."""
        return self.inch if units == "inch" else self.unit


def quantity(
    unit: str, inch: str | None = None, likely: tuple[float, float] | None = None, *, named: bool = False
) -> BeforeValidator:
    """A field that takes a bare number in `unit`, or text with a unit of its own; see `Reader`."""
    return BeforeValidator(Reader(unit, inch or _INCH_UNITS.get(unit, unit), likely, named))


_UNIT_NAMES = {
    "mm": "mm", "mm^2": "mm²", "kPa": "kPa", "degC": "°C", "N": "N", "N/mm": "N/mm", "N m": "N·m", "L/s": "L/s",
    "in": "in", "in^2": "in²", "inHg": "inHg", "degF": "°F", "lbf": "lbf", "lbf/in": "lbf/in", "lbf ft": "lb-ft",
    "cfm": "cfm", "inH2O": "inH2O",
}  # fmt: skip


def meaning_of(field: FieldInfo, units: Units = "metric") -> str:
    """What a key is, with the unit of a number without one: "bore, mm", and in an inch project "bore, in".

    >>> field = FieldInfo.from_annotation(Millimetres)
    >>> field.description = "lash, mm (0 = hydraulic); read 1.25 mm below full lift"
    >>> meaning_of(field, "inch")
    'lash, in (0 = hydraulic); read 1.25 mm below full lift'
    """
    text, reader = field.description or "", reader_of(field)
    if units == "metric" or reader is None or reader.inch == reader.unit:
        return text
    metric, inch = _UNIT_NAMES.get(reader.unit, reader.unit), _UNIT_NAMES.get(reader.inch, reader.inch)
    return re.sub(rf"(?<![\w·/])(?<![0-9] ){re.escape(metric)}(?![\w²/·])", inch, text)


def inch_default(field: FieldInfo) -> Any:
    """What a key is in an inch project that leaves it out, where it has such a default of its own."""
    extra = field.json_schema_extra
    return extra.get("inch") if isinstance(extra, dict) else None


def reader_of(field: FieldInfo) -> Reader | None:
    """What reads the numbers of a key; None where they have no unit."""
    return _reader([*field.metadata, field.annotation])


def _reader(parts: Iterable[Any]) -> Reader | None:
    """The reader of numbers among what a field is made of; what reads rows of them has it as `read`."""
    for part in parts:
        if isinstance(part, BeforeValidator):
            reader = getattr(part.func, "read", part.func)
            if isinstance(reader, Reader):
                return reader
        if (found := _reader(getattr(part, "__metadata__", ()) or get_args(part))) is not None:
            return found
        if hasattr(part, "__metadata__") and (found := _reader(get_args(part)[:1])) is not None:
            return found
    return None


def _one_or_more(value: object) -> object:
    return value if isinstance(value, list | tuple) else (value,)


ONE_OR_MORE = BeforeValidator(_one_or_more)  # a list of one may be written without brackets


def _file(value: object, info: ValidationInfo) -> Path:
    """A path resolved from the project file's own folder."""
    if not isinstance(value, str | Path) or not str(value):
        raise fault(f"{value!r} is not a file name", "give a file name in quotes")
    folder = Path((info.context or {}).get("folder", "."))
    path = folder / value
    try:
        there = path.is_file()
    except OSError:  # a name no file can have
        there = False
    if not there:
        raise fault(f"there is no file {value}", f"check the name; the folder searched is {folder}")
    return path


Millimetres = Annotated[float, quantity("mm"), Field(allow_inf_nan=False)]
# Lengths whose size shows that a bare number is in another unit. The spans are judgement, no source: wider
# than any engine, and so that a number of one unit taken in another falls outside.
Bore = Annotated[float, quantity("mm", likely=(15.0, 250.0)), Field(allow_inf_nan=False)]
RodLength = Annotated[float, quantity("mm", likely=(40.0, 600.0)), Field(allow_inf_nan=False)]
HeadDiameter = Annotated[float, quantity("mm", likely=(8.0, 90.0)), Field(allow_inf_nan=False)]
LiftLength = Annotated[float, quantity("mm", likely=(0.1, 20.0)), Field(allow_inf_nan=False)]
PeakLift = Annotated[float, quantity("mm", likely=(2.0, 25.0)), Field(allow_inf_nan=False)]
Lash = Annotated[float, quantity("mm", likely=(0.03, 1.5)), Field(allow_inf_nan=False)]
PumpUp = Annotated[float, quantity("mm", likely=(0.02, 1.5)), Field(allow_inf_nan=False)]
Gasket = Annotated[float, quantity("mm", likely=(0.1, 5.0)), Field(allow_inf_nan=False)]
Deck = Annotated[float, quantity("mm", likely=(0.0, 2.5)), Field(allow_inf_nan=False)]
Recession = Annotated[float, quantity("mm", likely=(0.0, 20.0)), Field(allow_inf_nan=False)]
PocketDepth = Annotated[float, quantity("mm", likely=(0.1, 12.0)), Field(allow_inf_nan=False)]
Place = Annotated[float, quantity("mm", likely=(1.5, 90.0)), Field(allow_inf_nan=False)]
PinHeight = Annotated[float, quantity("mm", likely=(10.0, 150.0)), Field(allow_inf_nan=False)]
Thickness = Annotated[float, quantity("mm", likely=(0.2, 10.0)), Field(allow_inf_nan=False)]
Clearance = Annotated[float, quantity("mm", likely=(0.1, 10.0)), Field(allow_inf_nan=False)]
GapLength = Annotated[float, quantity("mm", likely=(0.3, 25.0)), Field(allow_inf_nan=False)]
Error = Annotated[float, quantity("mm", likely=(0.002, 1.5)), Field(allow_inf_nan=False)]
Play = Annotated[float, quantity("mm", likely=(0.01, 1.5)), Field(allow_inf_nan=False)]
Skimmed = Annotated[float, quantity("mm", likely=(0.05, 2.5)), Field(allow_inf_nan=False)]
PinOffset = Annotated[float, quantity("mm", likely=(0.0, 5.0)), Field(allow_inf_nan=False)]
CrankDegrees = Annotated[float, quantity("crank deg"), Field(allow_inf_nan=False)]
Travel = Annotated[float, quantity("crank deg"), Field(allow_inf_nan=False, ge=-180, le=180)]
SpaceDegrees = Annotated[float, quantity("crank deg"), Field(allow_inf_nan=False, ge=0, lt=60)]
FASTEST = 30000.0  # rpm; more is no engine speed
Rpm = Annotated[float, Field(allow_inf_nan=False, le=FASTEST)]
Grams = Annotated[float, quantity("g"), Field(allow_inf_nan=False)]
Kilopascals = Annotated[float, quantity("kPa"), Field(allow_inf_nan=False)]
Celsius = Annotated[float, quantity("degC"), Field(allow_inf_nan=False)]
InputFile = Annotated[Path, BeforeValidator(_file)]


def _order(value: object) -> object:
    """Cylinders in a row as people write a firing order: "1-3-4-2"."""
    if not isinstance(value, str):
        return value
    numbers = re.split(r"\s*[-,;/ ]\s*", value.strip())
    if not all(each.isascii() and each.isdecimal() for each in numbers):
        raise fault(f"{value!r} is no firing order", 'write it as "1-3-4-2" or [1, 3, 4, 2]')
    return [int(each[:6]) for each in numbers]


CylinderOrder = Annotated[tuple[int, ...], BeforeValidator(_order)]

Side = Literal["intake", "exhaust"]
SIDES: tuple[Side, Side] = ("intake", "exhaust")
Arrangement = Literal["both", "intake", "exhaust", "together"]


class ProjectSection(BaseModel):
    """A part of the project file: no unknown keys, no change after reading.

    Examples
    --------
    >>> class Spring(ProjectSection):
    ...     "A valve spring."
    ...     rate: float = Field(gt=0, description="N/mm")
    >>> print(Spring.__doc__)
    A valve spring.
    <BLANKLINE>
    Parameters
    ----------
    rate : float
        N/mm
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=False, allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _inch_defaults(cls, values: Any, info: ValidationInfo) -> Any:
        """What is left out in an inch project, where it has a default of its own in whole thousandths."""
        if (info.context or {}).get("units") != "inch" or not isinstance(values, dict):
            return values
        left_out = {name: inch_default(field) for name, field in cls.model_fields.items() if name not in values}
        return {**values, **{name: value for name, value in left_out.items() if value is not None}}

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Add every key with its meaning to the docstring, from the descriptions that messages and blanks use too."""
        keys = (
            f"{field.alias or name} : {_type_text(field.annotation)}{'' if field.is_required() else ', optional'}"
            + (f"\n    {field.description}" if field.description else "")
            for name, field in cls.model_fields.items()
        )
        text, mark, examples = inspect.cleandoc(cls.__doc__ or "").partition("\n\nExamples\n")
        cls.__doc__ = "\n".join([text, "", "Parameters", "----------", *keys]) + mark + examples


def _type_text(annotation: Any) -> str:
    """A type in a few words.

    >>> _type_text(float), _type_text(tuple[str, ...] | None), _type_text(Literal["a", "b"])
    ('float', 'tuple of str', '"a" or "b"')
    """
    arguments = [each for each in get_args(annotation) if each not in (type(None), Ellipsis)]
    if get_origin(annotation) is Literal:
        return " or ".join(json.dumps(each) for each in arguments)
    if get_origin(annotation) is Annotated:
        return _type_text(arguments[0])
    if get_origin(annotation) is tuple:
        return f"tuple of {' and '.join(dict.fromkeys(map(_type_text, arguments)))}"
    return " or ".join(map(_type_text, arguments)) if arguments else getattr(annotation, "__name__", str(annotation))


def _increasing(values: tuple[float, ...]) -> tuple[float, ...]:
    for before, after in itertools.pairwise(values):
        if after <= before:
            raise fault(f"{after:g} follows {before:g}", "give values that increase, none twice")
    return values


def _span(values: tuple[float, float]) -> tuple[float, float]:
    if values[1] < values[0]:
        raise fault(f"[{values[0]:g}, {values[1]:g}] runs backwards", "give the least first, then the most")
    return values


RpmAxis = Annotated[
    tuple[Annotated[Rpm, Field(gt=0)], ...], Field(min_length=2, max_length=64), AfterValidator(_increasing)
]
LoadAxis = Annotated[
    tuple[Annotated[float, Field(ge=5, le=700)], ...], Field(min_length=2, max_length=64), AfterValidator(_increasing)
]
Span = Annotated[tuple[float, float], AfterValidator(_span)]
