"""Measured lobes: read as they are, or refused with the line and the fix."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from phaseopt.engine.lobe_file import read_lobe
from phaseopt.values.errors import InputError

from .profiles import polynomial_345

Table = tuple[np.ndarray, np.ndarray]
FLANK = 70.0  # cam degrees


def good(spacing: float = 1.0) -> Table:
    """A 9.5 mm lobe of 2 × 70 cam degrees."""
    angle = np.arange(-80.0, 80.0 + spacing / 2, spacing)
    return angle, 9.5 * polynomial_345(angle / FLANK)


def written(folder: Path, table: Table, before: str = "") -> Path:
    path = folder / "lobe.csv"
    rows = "".join(f"{angle:g},{lift:.6f}\n" for angle, lift in zip(*table, strict=True))
    path.write_text(before + "cam_deg,lift_mm\n" + rows, encoding="utf-8")
    return path


def test_lift_is_ratio_times_tappet_lift_over_crank_degrees(tmp_path: Path) -> None:
    """Source: 1 cam degree is 2 crank degrees; a rocker multiplies lift by its ratio. With a byte-order mark."""
    lobe = read_lobe(written(tmp_path, good(), before="\ufeff"), ratio=1.4)
    assert lobe.peak == pytest.approx(1.4 * 9.5)
    x = np.linspace(-200, 200, 801)
    np.testing.assert_allclose(lobe.lift(x), 1.4 * 9.5 * polynomial_345(x / (2 * FLANK)), atol=0.003)


def test_a_file_over_the_whole_turn(tmp_path: Path) -> None:
    """Source: a cam turns 360 degrees; the base circle lifts nothing."""
    angle = np.arange(-180.0, 181.0)
    lobe = read_lobe(written(tmp_path, (angle, 9.5 * polynomial_345(angle / FLANK))), ratio=1.0)
    assert float(lobe.lift(360.0)) == 0.0
    assert float(lobe.highest(200.0, 520.0)) == 0.0


def test_ends_within_the_tolerance_are_brought_to_zero(tmp_path: Path) -> None:
    """Source: none; a gauge reads hundredths on a base circle. No lift beyond one step from the last line."""
    angle, lift = good()
    lobe = read_lobe(written(tmp_path, (angle, lift + 0.04)), ratio=1.0)
    assert float(lobe.lift(160.0)) == pytest.approx(0.04)
    assert float(lobe.lift(162.0)) == 0.0
    assert float(lobe.lift(-162.0)) == 0.0


def _changed(row: int, angle: float | None = None, lift: float | None = None) -> Callable[[], Table]:
    def table() -> Table:
        angles, lifts = good()
        if angle is not None:
            angles[row] = angle
        if lift is not None:
            lifts[row] = lift
        return angles, lifts

    return table


def _part(keep: Callable[[np.ndarray], np.ndarray]) -> Callable[[], Table]:
    def table() -> Table:
        angles, lifts = good()
        kept = keep(angles)
        return angles[kept], lifts[kept]

    return table


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (_changed(30, angle=-51.0), "line 32: cam_deg -51 is given twice"),
        (_changed(30, angle=-60.0), "line 32: cam_deg -60 follows -51"),
        (_changed(3, lift=-0.01), "line 5: lift_mm -0.01 is below zero"),
        (_changed(0, lift=0.06), "line 2: the lobe does not close"),
        (_part(lambda a: a < 40), "line 121: the lobe does not close"),
        (_part(lambda a: a > -40), "line 2: the lobe does not close"),
        (_part(lambda a: (a < -20) | (a > -12)), "at most 5 apart"),
        (lambda: (good()[0] * 2, good()[1]), "halve them"),
        (lambda: (good()[0] * 2.5, good()[1]), "more than half a turn"),
        (lambda: (good()[0] * np.pi / 180, good()[1]), "only"),
        (lambda: (good()[0] + 80, good()[1]), "count cam_deg from the lobe's centre"),
        (lambda: (good()[0] + 12, good()[1]), "count cam_deg from the lobe's centre"),
        (lambda: (good()[0], good()[1] / 25.4), "not inches"),
        (lambda: (good()[0], good()[1] * 25.4), "in mm"),
        (lambda: (good()[0], good()[1] * 0), "in mm"),
        (lambda: (np.array([0.0]), np.array([9.5])), "does not close"),
    ],
)
def test_a_lobe_that_cannot_be_is_refused(tmp_path: Path, table: Callable[[], Table], says: str) -> None:
    """Source: the limits stated in `lobe_file`; each message names file and line and the fix."""
    with pytest.raises(InputError) as caught:
        read_lobe(written(tmp_path, table()), ratio=1.0)
    assert says in str(caught.value)
    assert "lobe.csv: line " in str(caught.value)
    assert "Fix:" in str(caught.value)


def on_the_engine(folder: Path, lash: float, header: str = "crank_deg,valve_lift_mm", spread: float = 2.0) -> Path:
    """The same lobe as a dial gauge at the retainer shows it, with lash, rocker ratio 1.4."""
    angle, lift = good()
    table = spread * angle, np.maximum(1.4 * lift - lash, 0.0)
    path = written(folder, table)
    path.write_text(path.read_text(encoding="utf-8").replace("cam_deg,lift_mm", header), encoding="utf-8")
    return path


@pytest.mark.parametrize("lash", [0.0, 0.25])
def test_lift_at_the_retainer_over_crank_degrees_is_the_same_lobe(tmp_path: Path, lash: float) -> None:
    """Source: kinematics: a valve with lash moves lash less than its tappet; the ratio is in the reading already."""
    lobe = read_lobe(on_the_engine(tmp_path, lash), ratio=9.9, lash=lash)
    x = np.linspace(-360.0, 360.0, 7201)
    true = 1.4 * 9.5 * polynomial_345(x / (2 * FLANK))
    off = lobe.lift(x) - true
    opened = true > lash + 0.01
    assert np.abs(off[opened]).max() < 0.006
    assert off.min() > -0.006  # nowhere below the lobe itself, its ramps within the lash included
    assert off.max() <= lash + 0.006
    assert float(lobe.lift(355.0)) == 0.0


@pytest.mark.parametrize(
    ("header", "spread", "says"),
    [
        ("crank_deg,valve_lift_mm", 1.0, "the lobe lifts for only"),
        ("crank_deg,valve_lift_mm", 1.0, "name the column cam_deg, or double them"),
        ("cam_deg,valve_lift_mm", 2.0, "name the column crank_deg, or halve them"),
        ("crank_deg,lift", 2.0, "does not say where lift was measured"),
    ],
)
def test_the_other_kind_of_degrees_is_recognised(tmp_path: Path, header: str, spread: float, says: str) -> None:
    """Source: the limits stated in `lobe_file`."""
    with pytest.raises(InputError) as caught:
        read_lobe(on_the_engine(tmp_path, 0.2, header, spread), ratio=1.0, lash=0.2)
    assert says in str(caught.value)


def test_columns_given_twice_over_and_a_lash_beyond_the_lift(tmp_path: Path) -> None:
    """Source: none; two columns could contradict each other, and a lash as large as the lift leaves none."""
    both = written(tmp_path, good())
    both.write_text(both.read_text(encoding="utf-8").replace("cam_deg,", "cam_deg,crank_deg,"), encoding="utf-8")
    with pytest.raises(InputError, match="cam_deg and crank_deg are both there"):
        read_lobe(both, ratio=1.0)
    with pytest.raises(InputError, match="lash 15 mm is not below the lift"):
        read_lobe(on_the_engine(tmp_path, 0.2), ratio=1.0, lash=15.0)


@pytest.mark.parametrize(("spacing", "scatter"), [(1.0, 0.0), (1.0, 0.02), (2.0, 0.0), (2.0, 0.02), (5.0, 0.0)])
@pytest.mark.parametrize("slip", [-0.3, 0.3])
def test_one_wrong_row_is_named_and_a_noisy_file_is_not(
    tmp_path: Path, spacing: float, scatter: float, slip: float
) -> None:
    """A slip of 0.3 mm in each row of the lobe in turn; the 3-4-5 polynomial with the scatter of a bench."""
    angle, lift = good(spacing)
    noisy = np.where(lift > 0, lift + np.random.default_rng(4).normal(0.0, scatter, lift.size), 0.0).clip(0.0)
    assert read_lobe(written(tmp_path, (angle, noisy)), ratio=1.0).peak == pytest.approx(9.5, abs=0.1)
    for row in np.flatnonzero(lift > 0.4)[::3]:
        wrong = noisy.copy()
        wrong[row] += slip
        with pytest.raises(InputError) as caught:
            read_lobe(written(tmp_path, (angle, wrong)), ratio=1.0)
        assert caught.value.mistakes[0].where == f"line {row + 2}"


@pytest.mark.parametrize("zero", [-37.0, 0.0, 107.3, 355.0])
@pytest.mark.parametrize("unit", ["mm", "in", "thou"])
def test_a_bench_may_count_from_any_zero_in_any_unit(tmp_path: Path, zero: float, unit: str) -> None:
    """The same lobe, over a whole turn from any zero: it comes back with the middle of equal lifts at 0."""
    size = {"mm": 1.0, "in": 25.4, "thou": 0.0254}[unit]
    from_nose = np.arange(-180.0, 180.0, 1.0)
    lift = np.where(abs(from_nose) < 62.0, 10.0 * np.cos(np.pi * from_nose / 124.0) ** 2, 0.0)
    bench = (from_nose + zero) % 360.0
    order = np.argsort(bench)
    rows = "".join(f"{a:.3f},{each / size:.6f}\n" for a, each in zip(bench[order], lift[order], strict=True))
    (tmp_path / "bench.csv").write_text(f"bench_deg,lift_{unit}\n{rows}", encoding="utf-8")
    lobe = read_lobe(tmp_path / "bench.csv", ratio=1.0)
    low, high = lobe.span(8.75)
    assert low + high == pytest.approx(0.0, abs=0.02)
    assert lobe.peak == pytest.approx(10.0, abs=0.01)


def test_a_bench_zero_and_another_angle_are_not_mixed(tmp_path: Path) -> None:
    (tmp_path / "bench.csv").write_text("bench_deg,cam_deg,lift_mm\n0,0,1\n", encoding="utf-8")
    with pytest.raises(InputError, match="keep one of them"):
        read_lobe(tmp_path / "bench.csv", ratio=1.0)


def bench(folder: Path, end: float, sign: float = 1.0) -> Path:
    """A lobe over bench degrees from 0 to an end, the gauge counting up or down."""
    angles = np.arange(0.0, end, 2.0)
    rows = "".join(f"{a:g},{sign * max(10.0 - abs(a - 180.0) / 6.0, 0.0):g}\n" for a in angles)
    (folder / "bench.csv").write_text(f"bench_deg,lift_mm\n{rows}", encoding="utf-8")
    return folder / "bench.csv"


@pytest.mark.parametrize(("end", "line"), [(400.0, "line 201"), (361.0, "line 182")])
def test_a_bench_file_of_a_whole_turn_has_its_first_angle_once(tmp_path: Path, end: float, line: str) -> None:
    """0 and 360 are the same place of the cam; the message names the column that the file has."""
    with pytest.raises(InputError, match=f"{line}: bench_deg") as caught:
        read_lobe(bench(tmp_path, end), ratio=1.0)
    assert "cam_deg" not in str(caught.value)


def test_a_bench_gauge_that_counts_down_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="below zero"):
        read_lobe(bench(tmp_path, 360.0, -1.0), ratio=1.0)


def test_a_bench_angle_that_falls_is_not_to_be_sorted(tmp_path: Path) -> None:
    """Sorted, a file of a cam turned as it runs on a wheel that counts down is the mirrored lobe."""
    angles = np.arange(300.0, 0.0, -2.0)
    rows = "".join(f"{a:g},{max(10.0 - abs(a - 180.0) / 6.0, 0.0):g}\n" for a in angles)
    (tmp_path / "bench.csv").write_text(f"bench_deg,lift_mm\n{rows}", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_lobe(tmp_path / "bench.csv", ratio=1.0)
    assert "360 less" in caught.value.mistakes[0].hint
    assert "sort" not in caught.value.mistakes[0].hint
