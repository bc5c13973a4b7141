"""What every record shares: it is frozen, has no unknown key, and writes what is not known as null.

A number that is not finite is not known. A gap that is promised is rounded down. Both happen here, by the type of the
field.
"""

import math
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from phaseopt.values.rounding import rounded_down


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _rounded(value: Any) -> Any:
    return round(value, 4) if isinstance(value, float) and math.isfinite(value) else _known(value)


def _down(value: Any) -> Any:
    return rounded_down(value) if isinstance(value, float) and math.isfinite(value) else value


Known = Annotated[float | None, BeforeValidator(_known)]  # null where not known
Figure = Annotated[float | None, BeforeValidator(_rounded)]  # computed: to four decimals, null where not known
RoundedDown = Annotated[float, BeforeValidator(_down)]  # mm, rounded down


class Record(BaseModel):
    """A result as plain values: made by `of`, or by `model_validate` of a result that has the same names."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        from_attributes=True,
        json_schema_serialization_defaults_required=True,
    )


class CommandRecord(Record):
    """What a command prints under `--json`."""

    written: tuple[str, ...] = Field((), description="files and directories that the command wrote")
