"""The printed drop curve, read back and worked out by hand."""

import re
from pathlib import Path

import numpy as np
import pytest
from engines import cosine_lift, drop_csv, piston_fall, project_of, uneven_lobe_csv, write_project
from printed import printed

from phaseopt.clearance import contact_model
from phaseopt.clearance.limits import phase_limits
from phaseopt.report.document import Table
from phaseopt.report.drop_table import drop_table
from phaseopt.report.subjects.limits import limits_document, lobe_section
from phaseopt.values.display_units import METRIC

FILES = {"drop_intake.csv": drop_csv(6.2)}


def read_back(printed: Table) -> dict[str, np.ndarray]:
    """The columns of a table by name, angles first."""
    columns = zip(*((row.label, *row.cells) for row in printed.rows), strict=True)
    return {name: np.array(cells, dtype=float) for name, cells in zip(printed.head, columns, strict=True)}


def test_the_printed_curve_is_the_slider_cranks_and_gives_the_gap_by_hand(tmp_path: Path) -> None:
    """Source: the textbook slider-crank; the trade's sum: gap = drop less lift at the same angle (common practice).
    Found every 5°, it is never below the least gap over all angles, and within what the gap changes in 5°."""
    model = contact_model(project_of(tmp_path, FILES))
    rows = read_back(drop_table({"intake": model.drops["intake"]}, METRIC.gap))
    angle = rows["° after TDC"]
    assert np.diff(angle) == pytest.approx(5.0)
    assert rows["as fitted"] == pytest.approx(6.2 + piston_fall(angle), abs=0.02)
    used = model.drops["intake"].low(angle)
    assert np.all(rows["used"] <= used + 1e-9)
    assert np.all(rows["used"] > used - 0.0101)
    cam = model.engine.intake
    lift = np.maximum(cosine_lift((angle - float(cam.centre(20.0))) / 2, 10.5, 66.0) - 0.2, 0.0)
    by_hand = float((rows["as fitted"] - lift).min())
    found = float(model.by_hand([[20.0, 0.0]])[0, 0])
    assert found - 0.006 < by_hand < found + 0.15


def test_limits_show_the_curve_of_each_source(tmp_path: Path) -> None:
    model = contact_model(project_of(tmp_path, FILES, drop={"intake": {"at_tdc": 6.2}}))
    tables = limits_document(phase_limits(model)).blocks(Table)
    (found,) = (each for each in tables if each.head[0] == "° after TDC")
    assert found.columns[1:5] == tuple(
        f"intake {words}" for words in ("as fitted", "used", "readings alone", "at_tdc alone")
    )


def test_limits_as_json_hold_the_curve(tmp_path: Path) -> None:
    drops = printed("limits", write_project(tmp_path, FILES))["drops"]
    assert set(drops) == {"intake", "exhaust"}
    middle = drops["intake"]["crank_deg"].index(0.0)
    assert drops["intake"]["fitted"][middle] == pytest.approx(6.2, abs=0.01)
    assert drops["intake"]["worst_cylinder"] == 1


def test_lobes_are_printed_as_they_were_found(tmp_path: Path) -> None:
    """Source: the formula of the lobe's two flanks, 60 and 70 cam degrees long, read over crank degrees."""
    project = project_of(tmp_path, {"intake.csv": uneven_lobe_csv(10.0, 60.0, 70.0)})
    (lines,) = lobe_section(phase_limits(contact_model(project))).blocks
    text = next(line for line in lines.items if line.startswith("Intake"))
    nose, middle, opens, closes, _, centre, at_tdc = (float(each) for each in re.findall(r"[-+]?\d+\.?\d*", text))
    fine = np.linspace(-140.0, 140.0, 280001)
    lift = cosine_lift(fine / 2 / np.where(fine < 0, 60.0, 70.0), 10.0, 1.0)
    high, low = fine[lift >= 8.75], fine[lift >= 0.1]
    assert nose == pytest.approx(0.0, abs=1.0)
    assert middle == pytest.approx((high[0] + high[-1]) / 2, abs=0.1)
    assert (-opens, closes) == pytest.approx((low[0], low[-1]), abs=1.0)
    assert centre == 116.0
    assert at_tdc == pytest.approx(max(float(np.interp(-116.0, fine, lift)) - 0.2, 0.0), abs=0.01)
