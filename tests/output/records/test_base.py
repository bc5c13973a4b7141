"""Numbers as records hold them: null where not known, worst cases never rounded up."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, ValidationError

from phaseopt.output.records.base import Figure, Known, Record, RoundedDown


class Sample(Record):
    known: Known = Field(description="a number")
    figure: Figure = Field(description="a figure")
    gap: RoundedDown = Field(description="a clearance")
    sure: float = Field(description="a number that is always there")


@given(gap=st.floats(-50.0, 50.0))
def test_a_gap_is_never_rounded_up_and_rounding_it_again_changes_nothing(gap: float) -> None:
    record = Sample(known=0.0, figure=0.0, gap=gap, sure=0.0)
    assert gap - 0.001 - 1e-12 < record.gap <= gap
    assert Sample.model_validate_json(record.model_dump_json()) == record


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_finite_is_null(value: float) -> None:
    record = Sample(known=value, figure=value, gap=0.0, sure=0.0)
    assert json.loads(record.model_dump_json()) == {"known": None, "figure": None, "gap": 0.0, "sure": 0.0}
    with pytest.raises(ValidationError):
        Sample(known=0.0, figure=0.0, gap=0.0, sure=value)


def test_a_figure_has_four_decimals() -> None:
    assert Sample(known=1 / 3, figure=1 / 3, gap=0.0, sure=0.0).figure == 0.3333
