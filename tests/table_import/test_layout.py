"""Any layout reads back as the same phases, none nearer to contact than it was."""

import tempfile
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hillclimb import pulls_alone
from hypothesis import given, settings
from hypothesis import strategies as st

from phaseopt.project import SIDES, Channel
from phaseopt.table_import import Source, read_pair
from phaseopt.table_import.layout import Layout, grid_text, readings
from phaseopt.tables import PhaseTables

PROJECT = pulls_alone()

layouts = st.builds(
    Layout,
    rpm=st.sampled_from(["down", "across"]),
    rpm_falls=st.booleans(),
    load_falls=st.booleans(),
    delimiter=st.sampled_from(["semicolon", "tab"]),
    decimal=st.sampled_from(["point", "comma"]),
    decimals=st.sampled_from([None, 2, 3]),
    step=st.sampled_from([None, 0.05, 0.1, 0.5, 1.0, 3.0]),
    counts=st.fixed_dictionaries(
        {
            side: st.builds(
                lambda sign, zero, unit: Channel(sign=sign, zero=zero, **{"in": unit}),
                st.sampled_from([1, -1]),
                st.sampled_from([0.0, 4.5, -12.3, 0.1]),
                st.sampled_from(["crank deg", "cam deg"]),
            )
            for side in SIDES
        }
    ),
)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(layout=layouts, seed=st.integers(0, 99))
def test_a_layout_reads_back_away_from_contact(layout: Layout, seed: int) -> None:
    rng = np.random.default_rng(seed)
    phases = {"intake": rng.integers(80, 300, (3, 2)) / 10.0, "exhaust": -rng.integers(80, 300, (3, 2)) / 10.0}
    tables = PhaseTables.of([1000, 2500, 6000], [40, 100], *phases.values())
    sources = {}
    with tempfile.TemporaryDirectory() as folder:
        for side in SIDES:
            path = Path(folder) / f"{side}.csv"
            text = grid_text(tables, readings(PROJECT, side, phases[side], layout), layout, side)
            path.write_text(text, encoding="utf-8")
            sources[side] = Source(path)
        pair = read_pair(PROJECT, sources["intake"], sources["exhaust"])
    back = pair.phases
    assert len(pair.readings) == 1
    assert isinstance(back, PhaseTables)
    assert back.rpm.tolist() == tables.rpm.tolist()
    assert back.load.tolist() == tables.load.tolist()
    for side, way in (("intake", -1.0), ("exhaust", 1.0)):
        moved = way * (back.of_side(side).to_numpy() - phases[side])  # type: ignore[arg-type]
        if layout.step is None:
            assert np.abs(moved).max() < 1e-9
        else:
            degree = 2.0 if layout.counts[side].unit == "cam deg" else 1.0  # type: ignore[index]
            assert (moved > -1e-9).all()
            assert (moved < layout.step * degree + 1e-9).all()


@pytest.mark.parametrize(("phase", "wanted"), [(0.4, "0"), (-0.4, "0"), (11.0, "10")])
def test_one_phaser_for_both_cams_rounds_towards_rest(phase: float, wanted: str) -> None:
    """Towards rest a phase stays in the box around rest, safe in any combination, whichever cam comes nearer."""
    assert PROJECT.intake.phaser is not None
    whole = PROJECT.model_copy(
        update={
            "phaser": PROJECT.intake.phaser,
            "intake": PROJECT.intake.model_copy(update={"phaser": None}),
            "exhaust": PROJECT.exhaust.model_copy(update={"phaser": None}),
        }
    )
    assert whole.arrangement == "together"
    (row,) = readings(whole, "intake", np.array([[phase]]), Layout(step=2.0))
    assert Layout(step=2.0).number(row[0]) == wanted


@pytest.mark.parametrize(
    ("value", "decimals", "wanted"), [("0", 1, "0,0"), ("-0.0", 2, "0,00"), ("-0", 0, "0"), ("-1.5", 1, "-1,5")]
)
def test_rest_is_written_with_the_decimal_mark_of_all_other_numbers(value: str, decimals: int, wanted: str) -> None:
    assert Layout(decimal="comma", decimals=decimals).number(Decimal(value)) == wanted
