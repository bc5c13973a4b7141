"""Lobe files as a bench writes them: both flanks side by side, several lobes, or the heading to write."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from engines import write_project

from phaseopt.clearance import contact_model
from phaseopt.engine.camshaft import engine_of
from phaseopt.engine.lobe_columns import side_of
from phaseopt.engine.lobe_file import read_lobe
from phaseopt.project.load import load_project
from phaseopt.values.errors import InputError

from .profiles import polynomial_345

FROM_NOSE = np.arange(0.0, 81.0)  # cam degrees
OPENING, CLOSING = 9.5 * polynomial_345(FROM_NOSE / 66.0), 9.5 * polynomial_345(FROM_NOSE / 72.0)
TURN = np.arange(0.0, 360.0)


def bench_lobe(peak: float, nose: float) -> np.ndarray:
    """A lobe of 2 × 70 cam degrees about a place on the bench's wheel."""
    return peak * polynomial_345((TURN - nose) / 70.0)


def written(folder: Path, heading: str, *columns: np.ndarray, falling: bool = False) -> Path:
    rows = list(zip(*columns, strict=True))[:: -1 if falling else 1]
    text = "".join(",".join(f"{each:.6f}" for each in row) + "\n" for row in rows)
    (folder / "bench.csv").write_text(f"{heading}\n{text}", encoding="utf-8")
    return folder / "bench.csv"


def right(crank_deg: np.ndarray) -> np.ndarray:
    """What both flanks make together, over crank degrees: two to a cam degree, the opening flank negative."""
    return 9.5 * polynomial_345(np.where(crank_deg < 0, crank_deg / 132.0, crank_deg / 144.0))


@pytest.mark.parametrize("falling", [False, True])
@pytest.mark.parametrize(
    ("heading", "size", "closing_first"),
    [
        ("cam_deg,opening_lift_mm,closing_lift_mm", 1.0, False),
        ("Cam degrees from nose,Closing lobe lift (in),Opening lobe lift (in)", 1 / 25.4, True),
        ("cam_deg,closing_lift_thou,opening_lift_thou", 1000 / 25.4, True),
        ("Cam angle,Opening lifter lift,Closing lifter lift", 1 / 25.4, False),  # the size of a lobe shows the unit
    ],
)
def test_both_flanks_side_by_side_are_one_lobe(
    tmp_path: Path, heading: str, size: float, closing_first: bool, falling: bool
) -> None:
    """The lobe is put together from its two profiles of different length: the opening flank is the shorter one."""
    flanks = (CLOSING, OPENING) if closing_first else (OPENING, CLOSING)
    path = written(tmp_path, heading, FROM_NOSE, *(each * size for each in flanks), falling=falling)
    x = np.arange(-150.0, 151.0, 2.0)
    np.testing.assert_allclose(read_lobe(path, ratio=1.0).lift(x), right(x), atol=1e-4)


def test_crank_degrees_and_a_nose_between_two_readings(tmp_path: Path) -> None:
    half = FROM_NOSE + 0.5
    flanks = [9.5 * polynomial_345(half / length) for length in (66.0, 72.0)]
    path = written(tmp_path, "crank_deg,opening_lift_mm,closing_lift_mm", 2 * half, *flanks)
    x = np.r_[-2 * half[::-1], 2 * half]
    np.testing.assert_allclose(read_lobe(path, ratio=1.0).lift(x), right(x), atol=1e-6)


@pytest.mark.parametrize(
    ("heading", "flanks", "says"),
    [
        ("Degrees,Opening lobe lift,Closing lobe lift", (OPENING, CLOSING), "cam_deg"),
        ("cam_deg,Opening,Closing", (OPENING, CLOSING), "lifter Opening"),
        ("cam_deg,flank 1,flank 2", (OPENING, CLOSING), "lobe_column"),
        ("cam_deg,opening_lift_mm,lift 2", (OPENING, CLOSING), "closing"),
        ("cam_deg,opening_lift_in,closing_lift_in", (OPENING, CLOSING), "(mm)"),
        ("cam_deg,opening_lift_mm,closing_lift_mm", (OPENING[::-1], CLOSING[::-1]), "where lift is greatest"),
        ("cam_deg,opening_lift_mm,closing_lift_mm", (OPENING, 0.98 * CLOSING), "both are of one lobe"),
        ("bench_deg,opening_lift_mm,closing_lift_mm", (OPENING, CLOSING), "cam_deg"),
        ("cam_deg,opening_lift_mm,opening_lift_mm", (OPENING, CLOSING), "name of its own"),
    ],
)
def test_what_could_be_read_in_two_ways_is_asked(
    tmp_path: Path, heading: str, flanks: Sequence[np.ndarray], says: str
) -> None:
    """Swapped flanks are the mirrored lobe: no heading that leaves it open is guessed at."""
    with pytest.raises(InputError) as caught:
        read_lobe(written(tmp_path, heading, FROM_NOSE, *flanks), ratio=1.0)
    assert says in str(caught.value)
    assert "Fix:" in str(caught.value)


def test_one_of_several_lobes_is_chosen_by_its_heading(tmp_path: Path) -> None:
    path = written(tmp_path, "bench_deg,lobe 1 intake,lobe 2 exhaust", TURN, bench_lobe(9.5, 110), bench_lobe(9.0, 280))
    assert read_lobe(path, ratio=1.0, name="Lobe 2  exhaust").peak == pytest.approx(9.0)
    assert read_lobe(path, ratio=1.0, name="lobe 1 intake").span(5.0)[0] == pytest.approx(
        -read_lobe(path, ratio=1.0, name="lobe 1 intake").span(5.0)[1], abs=0.01
    )
    for name in (None, "lobe 3"):
        with pytest.raises(InputError) as caught:
            read_lobe(path, ratio=1.0, name=name)
        assert '"lobe 1 intake", "lobe 2 exhaust"' in str(caught.value)


def test_degrees_of_one_flank_a_column_need_their_direction(tmp_path: Path) -> None:
    """Cam degrees that may rise against the cam's turning would mirror the lobe."""
    path = written(tmp_path, "Cam degrees,lobe 1", TURN, bench_lobe(9.5, 110))
    with pytest.raises(InputError, match="bench_deg"):
        read_lobe(path, ratio=1.0)


@pytest.mark.parametrize(
    ("name", "side"),
    [("cyl 3 in", "intake"), ("Inlet lobe 2", "intake"), ("lobe 4 EX (in)", "exhaust"), ("lift in inches", None),
     ("lift_in", None), ("lobe 2", None), ("lobe 2 between intake and exhaust", None)],
)  # fmt: skip
def test_the_kind_of_valve_in_a_heading(name: str, side: str | None) -> None:
    assert side_of(name) == side


def bench_project(folder: Path, columns: list[str] | str) -> Path:
    """A project whose intake lobes are three in a file."""
    heading = "bench_deg,lobe 1 intake,lobe 3 intake,lobe 2 exhaust"
    lobes = bench_lobe(9.5, 110), bench_lobe(9.6, 200), bench_lobe(9.0, 280)
    written(folder, heading, TURN, *lobes)
    return write_project(folder, intake={"lobe": "bench.csv", "lobe_column": columns})


def test_of_several_lobes_of_a_kind_the_highest_counts_and_it_is_shown(tmp_path: Path) -> None:
    one, both = (
        engine_of(load_project(bench_project(tmp_path, names))).intake
        for names in ("lobe 1 intake", ["lobe 1 intake", "lobe 3 intake"])
    )
    assert (one.lobe.peak, one.most.peak) == pytest.approx((9.5, 9.5))
    assert (both.lobe.peak, both.most.peak) == pytest.approx((9.5, 9.6), abs=0.01)
    x = np.linspace(-150.0, 150.0, 601)
    third = read_lobe(tmp_path / "bench.csv", ratio=1.0, name="lobe 3 intake")
    assert (both.most.lift(x) > np.maximum(third.lift(x), both.lobe.lift(x)) - 1e-4).all()
    assert "lobe 3 intake" in " ".join(one.notes)
    assert "0.10 mm more" in " ".join(one.notes)
    assert "highest" in " ".join(both.notes)
    assert set(both.notes) <= set(contact_model(load_project(tmp_path / "project.toml")).notes)


def test_a_lobe_of_the_other_kind_by_its_name_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        engine_of(load_project(bench_project(tmp_path, "lobe 2 exhaust")))
    assert caught.value.mistakes[0].where == "intake.lobe_column"


def test_clay_goes_with_one_lobe(tmp_path: Path) -> None:
    bench_project(tmp_path, [])
    clay = {"clay": {"thickness": 2.0, "centreline": 110.0}}
    cam = {"lobe": "bench.csv", "lobe_column": ["lobe 1 intake", "lobe 3 intake"]}
    with pytest.raises(InputError, match="clay"):
        load_project(write_project(tmp_path, intake=cam, drop={"intake": clay}))


def test_springs_hold_every_lobe_at_the_lift_of_the_highest(tmp_path: Path) -> None:
    """Source: coils close by what the valve lifts, and a valve leaves the lobe that slows it hardest first."""
    bench_project(tmp_path, [])
    spring = {"seat_force": 260.0, "full_lift_force": 560.0, "fitted_height": 36.0, "solid_height": 24.0,
              "valve": 48.0, "retainer": 9.0, "keepers": 2.0, "follower": 45.0, "spring": 48.0,
              "train": "bucket"}  # fmt: skip
    names = ["lobe 1 intake", "lobe 3 intake"]
    found = []
    for columns in (*([name] for name in names), names, names[::-1]):
        cam = {"lobe": "bench.csv", "lobe_column": columns, "spring": spring}
        control = engine_of(load_project(write_project(tmp_path, intake=cam))).intake.control
        assert control is not None
        found.append(control)
    alone, together = found[:2], found[2:]
    for each in together:
        assert each.spring.coil_bind == pytest.approx(min(one.spring.coil_bind for one in alone))
        assert each.least <= min(one.least for one in alone) + 1e-6
        for rpm in (6000.0, each.speed.rpm, 9000.0):
            for one in alone:
                assert each.flight.most(rpm, -720.0, 720.0) >= one.flight.most(rpm, -720.0, 720.0) * 0.9
