"""What is shown and drawn of a simulated grid: against a grid whose peak, dip and holes are set by hand."""

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
import xarray as xr
from cycle.test_from_project import CYCLE, FOUR
from engines import project_of

from phaseopt.clearance.model import contact_model
from phaseopt.cycle.from_project import cycle_config
from phaseopt.cycle.grid import KNOCK, LESS_SPARK, VARIABLES, dataset
from phaseopt.cycle.knock_heard import KnockLimit
from phaseopt.cycle.torque_grid import contact_marks, grid_axes
from phaseopt.output.records.simulate import SimulateRecord
from phaseopt.project import Project
from phaseopt.project.load import load_project
from phaseopt.report.figures.simulation import filling, waves
from phaseopt.report.simulation_facts import full_throttle, notable_points, of_use
from phaseopt.report.subjects.simulate import knock_line, simulation_document
from phaseopt.report.terminal import terminal_text

EXAMPLE = Path(__file__).parents[2] / "examples" / "hillclimb" / "project.toml"
RPM = [1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 6000.0, 7000.0, 8000.0]


def made_up(project: Project) -> xr.Dataset:
    """Torque by speed alone, a little more with the intake advanced; a peak at 5500, a dip at 4000 rpm."""
    axes = grid_axes(project)
    rpm, load, icl, ecl = axes
    shape = (len(rpm), len(VARIABLES), len(load), len(icl), len(ecl))
    by_speed = 190.0 - 40.0 * ((rpm - 5500.0) / 4500.0) ** 2 - 30.0 * np.exp(-(((rpm - 4000.0) / 500.0) ** 2))
    rows = np.ones(shape)
    advance = (project.intake.centreline - project.intake.offset - icl)[None, None, :, None]
    rows[:, 0] = by_speed[:, None, None, None] * (load / load[-1])[None, :, None, None] + 0.1 * advance
    grid = dataset(rows, axes)
    grid["contact"] = contact_marks(contact_model(project), rpm, icl, ecl)
    grid.attrs["fingerprint"] = "0" * 32
    return grid


@pytest.fixture
def project(tmp_path: Path) -> Project:
    return made(tmp_path)


def made(folder: Path, **changes: Any) -> Project:
    tables = {"rpm": RPM, "load": [40, 100]}
    return project_of(folder, firing_order=FOUR, cycle=CYCLE, **{"tables": tables, **changes})


def test_full_throttle_at_rest_and_at_the_best_timing_in_reach(project: Project) -> None:
    grid = made_up(project)
    full = full_throttle(project, grid)
    best = int(np.argmax(full.best))
    assert full.rpm[best] == 5500.0
    assert full.rest[best] == pytest.approx(190.0, abs=0.01)
    use = of_use(project, grid).sel(rpm=5500.0)
    advance = 116.0 - grid["icl"].to_numpy()[use.any("ecl").to_numpy()]
    assert full.intake_phase[best] == advance.max()
    assert full.best[best] == pytest.approx(190.0 + 0.1 * advance.max(), abs=0.01)
    assert advance.min() >= 0.0  # what lies past the ends of the travel is no timing of a table
    assert advance.max() <= 40.0


def test_the_points_to_look_at(project: Project) -> None:
    points = notable_points(project, full_throttle(project, made_up(project)))
    found = [(point.what, point.rpm) for point in points]
    assert found[:2] == [("peak", 5500.0), ("dip", 4000.0)]
    assert found[-1] == ("top speed", 7500.0)
    assert len({rpm for _, rpm in found}) == len(found)


def test_timing_that_gains_most_at_one_speed_is_to_look_at(project: Project) -> None:
    grid = made_up(project)
    rest = full_throttle(project, grid).rest
    grid["torque"].loc[{"rpm": 2500.0, "icl": grid["icl"] < 116.0}] += 9.0
    full = full_throttle(project, grid)
    assert ("most gain", 2500.0) in [(point.what, point.rpm) for point in notable_points(project, full)]
    assert full.rest == pytest.approx(rest)


def test_a_timing_that_would_touch_is_never_the_best(tmp_path: Path) -> None:
    """With a piston raised until advance hits, only timings the rules allow are left."""
    from engines import drop_csv

    project = made(tmp_path, files={"drop_intake.csv": drop_csv(4.2)}, gap={"tables_only_guard": True})
    grid = made_up(project)
    assert int((grid["contact"] == 2).sum()) > 0
    full = full_throttle(project, grid)
    for phase, rpm in zip(full.intake_phase, full.rpm, strict=True):
        marks = grid["contact"].sel(rpm=rpm, icl=116.0 - phase)
        assert bool((marks == 0).any())


def test_what_did_not_settle_is_counted_and_said_where(project: Project) -> None:
    grid = made_up(project)
    lost = {"rpm": slice(0, 2), "load": 0, "icl": 0}
    grid["settled"][lost] = 0.0
    grid["torque"][lost] = np.nan
    text = " ".join(terminal_text(simulation_document(project, grid, cached=False)).split())
    count = 2 * grid.sizes["ecl"]
    assert f"ll but {count} (" in text
    assert f"at 1000 to 1500 rpm, {count} of them at 40 kPa" in text
    assert "could not be kept beside the project" in text
    assert "est 19" in text
    assert "N·m at 5500 rpm; it sags to" in text
    full = full_throttle(project, grid)
    assert f"(cams at rest: {full.rest[full.rpm == 4000.0][0]:.0f}) at 4000 rpm" in text
    assert KNOCK in text
    assert SimulateRecord.of(project, grid, cached=False).not_settled == count


def test_a_grid_is_said_to_be_used_again_only_by_builds_that_do(project: Project) -> None:
    """One that learns from pulls simulates the engine that they show, or none."""
    grid, torque = made_up(project), load_project(EXAMPLE).torque
    assert torque is not None
    assert torque.prior is not None

    def text(torque: object) -> str:
        known = project.model_copy(update={"torque": torque})
        return " ".join(terminal_text(simulation_document(known, grid, cached=True)).split())

    assert "uses this grid again" in text(None)
    assert "fits the engine to your pulls" in text(torque)
    assert "from your pulls alone" in text(torque.model_copy(update={"prior": None}))


def test_nothing_in_reach_is_said_and_not_invented(project: Project) -> None:
    grid = made_up(project)
    grid["contact"][:] = 2
    assert notable_points(project, full_throttle(project, grid)) == []
    assert "o timing that the phasers reach" in simulation_document(project, grid, cached=True).verdict


def test_filling_names_its_timings_and_marks_those_that_touch(project: Project) -> None:
    grid = made_up(project)
    full = full_throttle(project, grid)
    drawn = filling(project, grid, full)
    text = "".join(ElementTree.fromstring(drawn).itertext())
    for words in ("intake moved, exhaust at rest", "intake at rest (centreline 116°)", "engine speed, rpm"):
        assert words in text
    assert "HITS" not in text
    grid["contact"][:] = 2
    assert "HITS" in filling(project, grid, full)
    assert drawn == filling(project, made_up(project), full)
    assert LESS_SPARK in drawn
    assert "listen for knock" in drawn  # on its face, too
    assert "<metadata" not in drawn


def test_waves_are_drawn_with_the_point_they_belong_to(project: Project) -> None:
    angle = np.linspace(-360.0, 360.0, 145)
    swing = 100.0 + 20.0 * np.sin(np.radians(angle))
    flat = dict.fromkeys(("runner_pressure", "primary_pressure"), ("crank_angle", swing))
    lifts = {
        name: ("crank_angle", np.maximum(0.0, 9.0 - (angle / 20.0) ** 2)) for name in ("intake_lift", "exhaust_lift")
    }
    cylinder = {"cylinder_pressure": ("crank_angle", 100.0 + 6900.0 * np.exp(-(((angle - 360.0) / 40.0) ** 2)))}
    about = {"volumetric_efficiency": 1.04, "torque": 181.0}
    trace = xr.Dataset({**flat, **lifts, **cylinder}, {"crank_angle": angle}, about)
    point = notable_points(project, full_throttle(project, made_up(project)))[0]
    drawn = waves(point, trace, cycle_config(project).ambient_pressure, project.display_units)
    text = "".join(ElementTree.fromstring(drawn).itertext())
    for words in ("5500 rpm (peak)", "peak 70 bar", "volumetric efficiency 1.04, torque 181 N·m", "pressure, kPa"):
        assert words in text
    assert drawn == waves(point, trace, cycle_config(project).ambient_pressure, project.display_units)
    assert LESS_SPARK in drawn
    assert "listen for knock" in drawn  # on its face, too


def test_knock_decides_wherever_the_charge_waits_for_it() -> None:
    """At 1500 rpm it waits 4 degrees, and where knock allows was found a trace early; from 2000 rpm on it need not."""
    rpm, none = np.array([1000.0, 1500.0, 2000.0, 2500.0]), np.zeros(4)
    earliest, phasing = np.array([14.0, 12.0, 7.0, 2.0]), np.array([13.99, 12.00002, 8.0, 8.0])
    waits = KnockLimit(earliest, phasing, none, none, none, none, none)
    assert waits.margin.tolist() == [0.0, 0.0, 1.0, 6.0]
    line = knock_line(rpm, waits)
    assert "1000 to 1500" in line
    assert "2000" not in line
    freely = KnockLimit(earliest, earliest + np.array([9.0, 9.0, 1.0, 6.0]), none, none, none, none, none)
    assert "2000 rpm, with 1°" in knock_line(rpm, freely)
