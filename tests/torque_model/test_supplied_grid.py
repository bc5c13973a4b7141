"""A torque grid from a file: what is read, and what is refused with its line or axis value and the fix."""

from typing import Any

import numpy as np
import pytest
from cycle.test_from_project import CYCLE, FOUR
from supplied_grid import ECL, ICL, LOAD, RPM, SECTION, given_project, grid_csv, grid_rows, torque_of

from phaseopt.project.load import load_project
from phaseopt.report.supplied_grid import supplied_grid_lines
from phaseopt.torque_model import read_supplied_grid
from phaseopt.values.errors import InputError

ROWS = grid_rows()


def read(folder, text=None, **changes):
    return read_supplied_grid(load_project(given_project(folder, text, **changes)))


def section(**changes: Any) -> dict[str, Any]:
    return {"torque_grid": {**SECTION, **changes}}


def refused(folder, text, *facts, where="", fix="", **changes):
    """One mistake, at this line or key, with these names and figures, and a fix that names this."""
    with pytest.raises(InputError) as caught:
        read(folder, text, **changes)
    (mistake,) = caught.value.mistakes
    assert mistake.where == where
    assert fix in mistake.hint
    for fact in facts:
        assert fact in mistake.problem


def test_rows_in_any_order_come_to_stand_on_their_axes(tmp_path):
    shuffled = [ROWS[k] for k in np.random.default_rng(0).permutation(len(ROWS))]
    found = read(tmp_path, grid_csv(shuffled))
    for axis, wanted in zip(found.axes, (RPM, LOAD, ICL, ECL), strict=True):
        assert axis.tolist() == list(wanted)
    assert (found.nodes, found.holes) == (len(ROWS), 0)
    place = (RPM[3], LOAD[1], ICL[2], ECL[4])
    assert found.torque[3, 1, 2, 4] == pytest.approx(torque_of(*place), abs=5e-4)
    assert "torque-grid.csv" in found.notes


def test_an_empty_cell_and_a_row_that_is_not_there_are_both_holes(tmp_path):
    rows = [(*row[:4], np.nan) if k == 5 else row for k, row in enumerate(ROWS) if k != 77]
    found = read(tmp_path, grid_csv(rows))
    assert np.flatnonzero(np.isnan(found.torque)).tolist() == [5, 77]
    assert found.holes == 2


def test_units_are_brought_to_ours(tmp_path):
    """1 lbf ft = 1.3558179 N·m and 1 psi = 6.894757 kPa (NIST Special Publication 811, appendix B, from memory)."""
    rows = [(r, load / 6.894757293, i, e, t / 1.3558179483) for r, load, i, e, t in ROWS]
    text = "\n".join(["rpm,load,icl,ecl,torque", *(",".join(f"{v:.9g}" for v in row) for row in rows)]) + "\n"
    changes = section(units={"torque": "lbf ft", "load": "psi"})
    found, plain = read(tmp_path, text, **{**changes, "tables": {"load": [70, 99.99]}}), read(tmp_path)
    np.testing.assert_allclose(found.torque, plain.torque, rtol=1e-6)
    np.testing.assert_allclose(found.axes[1], LOAD, rtol=1e-6)


def test_phases_count_from_the_offset_they_were_made_with(tmp_path):
    """By hand, both nominal at 110: fitted at -10, icl = 120 - phase; fitted at +2, ecl = 112 + phase."""
    rows = [(r, load, 120.0 - i, e - 112.0, t) for r, load, i, e, t in ROWS]
    changes = section(columns={"intake_phase": "ip", "exhaust_phase": "ep"}, offsets={"intake": -10.0, "exhaust": 2.0})
    found, plain = read(tmp_path, grid_csv(rows, "rpm,load,ip,ep,torque"), **changes), read(tmp_path)
    for ours, theirs in zip(found.axes, plain.axes, strict=True):
        np.testing.assert_array_equal(ours, theirs)
    np.testing.assert_array_equal(found.torque, plain.torque)


def test_a_fixed_cam_needs_no_column(tmp_path):
    rows = [(r, load, i, t) for r, load, i, e, t in ROWS if e == ECL[3]]
    found = read(
        tmp_path, grid_csv(rows, "rpm,load,icl,torque"), exhaust={"phaser": None}, **section(columns={"icl": "icl"})
    )
    assert found.axes[3].tolist() == [116.0]  # 110 nominal, fitted 6 advanced


def test_standard_errors_are_read_in_the_unit_of_torque(tmp_path):
    text = grid_csv([(*row, 0.5) for row in ROWS], "rpm,load,icl,ecl,torque,se")
    changes = section(columns={**SECTION["columns"], "error": "se"})
    found = read(tmp_path, text, **changes)
    assert found.error is not None
    assert np.unique(found.error).tolist() == [0.5]
    bare = grid_csv([(*row, np.nan if k == 3 else 0.5) for k, row in enumerate(ROWS)], "rpm,load,icl,ecl,torque,se")
    refused(tmp_path, bare, "standard error", where="line 5", **changes)


def test_a_node_twice_is_refused_with_both_lines(tmp_path):
    refused(tmp_path, grid_csv([*ROWS, ROWS[4]]), "line 6", "rpm 1000, load 40", where="line 1010")


def test_what_is_no_grid_is_refused_with_the_values_that_lack_most(tmp_path):
    sparse = [row for row in ROWS if row[0] != RPM[2] or row[2] == ICL[0]]
    rows = [row for row in sparse if row[1] != 40 or row[3] < 90]
    refused(
        tmp_path, grid_csv(rows), "8 rpm × 3 load × 7 icl × 6 ecl", "1008", "rpm 3000 has", "load 40 has", fix="75 %",
    )  # fmt: skip


def test_scattered_readings_are_no_grid(tmp_path):
    rng = np.random.default_rng(2)
    rows = [(r + rng.uniform(0, 5), load, i + rng.uniform(0, 1), e + rng.uniform(0, 1), t) for r, load, i, e, t in ROWS]
    refused(tmp_path, grid_csv(rows[:200]), "200 rows", fix="set points")


@pytest.mark.parametrize(("column", "name"), [(0, "rpm"), (2, "icl")])
def test_one_value_on_an_axis_is_refused(tmp_path, column, name):
    rows = [row for row in ROWS if row[column] in (RPM[3], ICL[2])]
    refused(tmp_path, grid_csv(rows), name, fix=f"two values of {name}")


def test_torque_that_no_engine_makes_is_refused_with_its_line(tmp_path):
    """Brake mean effective pressure is 4 π T / V: 1,900 N·m in 1.77 litres would be 135 bar."""
    rows = [(*row[:4], 1900.0) if k == 1000 else row for k, row in enumerate(ROWS)]
    refused(tmp_path, grid_csv(rows), "1900 N·m", "135 bar", "1.77 litres", where="line 1002", fix="unit")
    small = [(*row[:4], row[4] / 9.80665) for row in ROWS]
    refused(tmp_path, grid_csv(small), "18 N·m", "1.3 bar", "1.77 litres", fix="unit")


def test_timings_that_no_phaser_reaches_are_refused(tmp_path):
    """Phases written where centrelines are meant: 0 to 40, but the cam can be between 76 and 116."""
    rows = [(r, load, 120.0 - i, e, t) for r, load, i, e, t in ROWS]
    refused(tmp_path, grid_csv(rows), "0 to 48° ATDC", "76 and 116°", fix="phase")


def test_loads_that_end_below_full_throttle_are_refused(tmp_path):
    rows = [(r, load / 100.0, i, e, t) for r, load, i, e, t in ROWS]
    refused(tmp_path, grid_csv(rows), "1 kPa", "100 kPa", fix="unit")


def test_too_many_holes_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("phaseopt.torque_model.supplied_grid.MOST_IN_HOLES", 3 * 1008)
    refused(tmp_path, grid_csv(ROWS[5:]), "5 of 1008", "3 may", fix="fill them")


def test_no_torque_and_no_speed_are_refused(tmp_path):
    refused(tmp_path, grid_csv([(*row[:4], np.nan) for row in ROWS]), "no torque", fix="torque column")
    refused(tmp_path, grid_csv([(0.0, *ROWS[0][1:]), *ROWS[1:]]), "engine speed 0", where="line 2")


def test_a_text_in_the_torque_column_is_refused_with_its_line(tmp_path):
    text = grid_csv(ROWS).replace(f",{ROWS[2][4]:g}\n", ",n/a\n", 1)
    refused(tmp_path, text, "torque 'n/a'", where="line 4")


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"columns": {"icl": "icl"}}, "torque_grid.columns.ecl"),
        ({"columns": {"icl": "icl", "exhaust_phase": "ep"}}, "torque_grid.offsets.exhaust"),
        ({"columns": {"icl": "icl", "intake_phase": "ip", "ecl": "ecl"}}, "torque_grid.columns"),
        ({"columns": {"icl": "icl", "ecl": "icl"}}, "torque_grid.columns"),
        ({"units": {"torque": "kPa"}}, "torque_grid.units.torque"),
        ({"file": "nowhere.csv"}, "torque_grid.file"),
    ],
)
def test_mistakes_in_the_section_name_their_key(tmp_path, changes, key):
    with pytest.raises(InputError) as caught:
        load_project(given_project(tmp_path, **section(**changes)))
    assert [mistake.where for mistake in caught.value.mistakes if mistake.where.startswith(key)]


def test_caps_that_need_a_simulation_are_refused_beside_a_grid(tmp_path):
    """[cycle] is there, but takes no part in torque from a grid."""
    with pytest.raises(InputError, match=r"search.part_load: residual gas"):
        load_project(given_project(tmp_path, cycle=CYCLE, firing_order=FOUR, search={"part_load": "road car"}))
    project = load_project(given_project(tmp_path, cycle=CYCLE, firing_order=FOUR))
    said = supplied_grid_lines(project, read_supplied_grid(project), 0.1)
    assert "[cycle] takes no part: torque is from the grid alone." in said


def test_pulls_and_a_grid_together_are_refused(tmp_path):
    (tmp_path / "pull.csv").write_text("rpm,torque,map\n1000,100,100\n", encoding="utf-8")
    torque = {
        "correction": "none", "columns": {"rpm": "rpm", "torque": "torque", "load": "map", "throttle": "t",
                                          "intake_phase": "i", "exhaust_phase": "e"},
        "phases": {side: {"sign": 1, "zero": 0.0, "in": "crank deg"} for side in ("intake", "exhaust")},
        "full_throttle": {"throttle_above": 95}, "pulls": [{"kind": "sweep", "files": ["pull.csv"]}],
    }  # fmt: skip
    with pytest.raises(InputError, match=r"torque_grid: torque is given twice.*Fix: keep one: take \[torque_grid\]"):
        load_project(given_project(tmp_path, torque=torque))
