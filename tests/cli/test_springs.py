"""Springs on the command line: an overspeed beyond valve control is no verdict of clear anywhere."""

from pathlib import Path

from clearance.test_separation import STRONG, WEAK
from engines import write_project
from printed import printed
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.project.load import load_project
from phaseopt.tables import rest_tables


def test_limits_beyond_valve_control_name_the_key_and_the_fix(tmp_path: Path) -> None:
    found = printed("limits", write_project(tmp_path, intake={"spring": WEAK}))
    (mistake,) = found["mistakes"]
    assert mistake["where"] == "intake.spring"
    assert "valve control" in mistake["problem"]
    assert "crank.overspeed" in mistake["hint"]


def test_tables_beyond_valve_control_are_not_clear(tmp_path: Path) -> None:
    path = write_project(tmp_path, exhaust={"spring": WEAK})
    tables = rest_tables(load_project(path))
    files = {}
    for side in ("intake", "exhaust"):
        files[side] = tmp_path / f"{side}_phase.csv"
        rows = tables.of_side(side).to_pandas()
        rows.index.name = "rpm"
        rows.to_csv(files[side])
    result = CliRunner().invoke(app, ["check", str(path), *(f"--{s}={f}" for s, f in files.items())])
    assert result.exit_code == 1
    assert "exhaust valve control" in " ".join(result.stdout.split())


def test_limits_with_springs_that_hold_say_how_far(tmp_path: Path) -> None:
    spring = {**STRONG, "seat_force": 480.0, "full_lift_force": 1150.0, "solid_height": 22.0}
    found = printed("limits", write_project(tmp_path, intake={"spring": spring}))
    assert found["springs"]["exhaust"] is None
    assert found["springs"]["intake"]["held_rpm"] >= 8400
    assert "exhaust valve springs (not given)" in found["not_covered"]
