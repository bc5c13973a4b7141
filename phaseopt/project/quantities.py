"""Numbers with units, files, axes and spans: what the fields of a project file are made of.

Angles are crank degrees unless a field says otherwise.
"""

import inspect
import itertools
import json
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic_core import PydanticCustomError

from phaseopt.values.units import UnitError, to_number


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


def quantity(unit: str) -> BeforeValidator:
    """A field that takes a number in `unit`, or text with a unit of its own."""

    def read(value: object) -> float:
        try:
            return to_number(value, unit)
        except UnitError as error:
            hint = (
                f'give a number in {unit}, or text with a unit such as "1.5 {unit}"' if unit else "give a plain number"
            )
            raise fault(str(error), hint) from error

    return BeforeValidator(read)


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
CrankDegrees = Annotated[float, quantity("crank deg"), Field(allow_inf_nan=False)]
Travel = Annotated[float, quantity("crank deg"), Field(allow_inf_nan=False, ge=-180, le=180)]
SpaceDegrees = Annotated[float, quantity("crank deg"), Field(allow_inf_nan=False, ge=0, lt=60)]
Rpm = Annotated[float, Field(allow_inf_nan=False, le=30000)]
Grams = Annotated[float, quantity("g"), Field(allow_inf_nan=False)]
Kilopascals = Annotated[float, quantity("kPa"), Field(allow_inf_nan=False)]
Celsius = Annotated[float, quantity("degC"), Field(allow_inf_nan=False)]
InputFile = Annotated[Path, BeforeValidator(_file)]

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
