"""Builds on a simulation, run in earnest on a small grid: what comes out says what it rests on, and agrees with it."""

import csv
import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from cycle.test_from_project import CYCLE
from engines import write_project
from printed import printed
from read_document import unexplained
from simulated_pulls import SMALL, with_pulls

from phaseopt.clearance.drop_sources import drop_laws
from phaseopt.cycle.torque_grid import FOLDER
from phaseopt.job.build import Build, build
from phaseopt.job.gains import between_curves
from phaseopt.output.files import build_files
from phaseopt.project import Project
from phaseopt.project.load import load_project
from phaseopt.report.document import Depth
from phaseopt.report.subjects.build import build_document
from phaseopt.report.terminal import terminal_text
from phaseopt.surrogate import leave_one_pull_out
from phaseopt.torque_model import efficiency_at, torque_model
from phaseopt.values.errors import InputError
from phaseopt.values.progress import silent


def printed_of(built: Build, depth: Depth = Depth.ANSWER) -> str:
    """What is printed of a build, `Depth.DETAIL` with `--verbose`."""
    return terminal_text(build_document(built, depth=depth), depth)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("simulated")


@pytest.fixture(scope="module")
def found(folder: Path) -> Build:
    """A project without a single log."""
    return build(load_project(write_project(folder, **SMALL)))


@pytest.fixture(scope="module")
def on_simulation(tmp_path_factory: pytest.TempPathFactory) -> Build:
    """Four pulls of an engine with a third more friction than the project says."""
    path = write_project(tmp_path_factory.mktemp("prior"), **SMALL)
    return build(load_project(with_pulls(path, (0.0, 4.0, 8.0, 12.0), {"friction": 1.33})))


def test_a_project_without_logs_builds_tables_from_simulation_alone(found: Build) -> None:
    assert found.verdict.clear
    assert found.model.reduction is None
    assert found.model.simulation is not None
    assert found.model.simulation.alone
    assert np.isfinite(found.torque["torque"]).all()
    assert found.torque["in_reach"].all()
    assert not found.torque["measured"].any()


def test_every_output_of_it_says_so(found: Build, folder: Path) -> None:
    """Each file is read; a table's own format has no room for words, so its metadata says it."""
    assert found.model.simulation is not None
    files = build_files(found)
    texts = {"summary": printed_of(found), **{n: t for n, t in files.items() if not n.endswith(".csv")}}
    assert {"intake_phase.csv-metadata.json", "cells.csv-metadata.json", "airflow.csv-metadata.json", "run.json",
            "report.html", "limits.csv-metadata.json"} <= set(texts)  # fmt: skip
    for name, text in texts.items():
        shown = " ".join(unexplained(text).split())
        for note in found.model.simulation.notes:
            assert note in shown, name
    record = printed("build", folder / "project.toml", "--out", folder / "out")
    assert set(found.model.simulation.notes) <= set(record["torque"]["source_notes"])


def test_the_grid_is_simulated_once(found: Build, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second build takes the grid from beside the project, and gives the same bytes."""
    assert list((folder / FOLDER).glob("grid-*.nc"))

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("simulated again")

    monkeypatch.setattr("phaseopt.cycle.torque_grid.simulate", refuse)
    assert build_files(build(load_project(folder / "project.toml"))) == build_files(found)


def test_the_contact_model_is_made_once(found: Build, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every stage and every file takes it from the limits: the drop readings are fitted once in a build."""
    calls = []

    def counted(project: Project) -> Any:
        calls.append(project)
        return drop_laws(project)

    monkeypatch.setattr("phaseopt.clearance.model.drop_laws", counted)
    build_files(build(found.project))
    assert len(calls) == 1


def test_airflow_is_what_the_grid_says(found: Build) -> None:
    """Each cell of the baseline at full load, on a node of the grid: efficiency times p V / (R T), by hand.

    Dry air of 99 kPa and 25 °C (the air that SAE J1349 corrects to) with R = 287.05 J/(kg K); a bore of 81 and a stroke
    of 86 mm. Rest stands between two nodes, so efficiency there must lie between or near its neighbours.
    """
    assert found.model.simulation is not None
    grid, config = found.model.simulation.grid, found.model.simulation.config
    rows = list(csv.DictReader(io.StringIO(build_files(found)["airflow.csv"])))
    assert len(rows) == 6
    filled = 99e3 / (287.05 * 298.15) * np.pi / 4 * 0.081**2 * 0.086 * 1e6
    assert (config.ambient_pressure, config.ambient_temperature) == (99.0, 298.15)
    for row in rows:
        rpm, load = float(row["rpm"]), float(row["load"])
        cell = grid["volumetric_efficiency"].sel(rpm=rpm, load=load)
        air = float(row["air_before"]) / filled
        assert float(cell.min()) - 0.01 <= air <= float(cell.max()) + 0.01
        assert float(row["ratio"]) == pytest.approx(float(row["air"]) / float(row["air_before"]), abs=3e-4)
    node = grid.isel(rpm=1, load=1, icl=1, ecl=0)
    place = [[float(node[axis]) for axis in ("rpm", "load", "icl", "ecl")]]
    assert efficiency_at(grid, np.array(place))[0] == pytest.approx(float(node["volumetric_efficiency"]), abs=1e-12)


def test_what_is_unknown_adds_up_to_the_deviation_of_torque(on_simulation: Build) -> None:
    """With pulls: what they leave of each variable and what they leave beyond them, at every speed."""
    unknowns = on_simulation.unknowns
    assert unknowns is not None
    total = unknowns.effects @ unknowns.covariance @ unknowns.effects.T + unknowns.residual
    assert np.sqrt(np.diag(total)) == pytest.approx(on_simulation.torque["torque_sd"].isel(load=-1).to_numpy())
    assert np.linalg.eigvalsh(unknowns.residual).min() > -1e-9


def test_pulls_show_how_far_the_same_engine_simulated_alone_is_off(found: Build, on_simulation: Build) -> None:
    """Both builds are of one engine, so the true difference is nothing; only its friction is described wrong."""
    curves = [np.column_stack([row[n] for n in ("rpm", "torque", "torque_sd", "measured")])
              for row in (each.torque.isel(load=-1) for each in (on_simulation, found))]  # fmt: skip
    between = between_curves(curves[0], curves[1], (on_simulation.unknowns, found.unknowns))
    assert between is not None
    difference, about = float(between["difference"].mean()), float(between["deviation_about"])
    assert difference > 5.0  # N·m that a third more friction takes
    assert abs(difference + float(between["mean_off"])) < 3.0 * about < 0.5 * difference
    assert float(between["mean_deviation"]) < float(between["mean_at_most"])


def test_without_pulls_a_scale_moves_the_torque_of_the_tables(found: Build) -> None:
    """By its share of torque simulated at the timings of the tables, within what cycles that settle leave (0.5 %)."""
    assert found.unknowns is not None
    torque = found.torque["torque"].isel(load=-1).sel(rpm=found.unknowns.rpm).to_numpy()
    assert found.unknowns.effects[:, 0] / found.unknowns.scale == pytest.approx(torque, rel=0.01)


def test_the_uncertainty_of_the_gain_follows_from_the_stated_one(found: Build, folder: Path) -> None:
    """A judgement: half as much uncertainty halves the deviation of torque in every cell."""
    (folder / "sure").mkdir()
    cycle = {**CYCLE, "uncertainty": 0.04}
    (folder / "sure" / FOLDER).symlink_to(folder / FOLDER, target_is_directory=True)
    sure = build(load_project(write_project(folder / "sure", **{**SMALL, "cycle": cycle})))
    here, there = found.torque["torque_sd"].to_numpy(), sure.torque["torque_sd"].to_numpy()
    np.testing.assert_allclose(there, here / 2.0, rtol=1e-9)


def test_part_load_of_a_road_car_is_searched_shown_and_written(found: Build, folder: Path) -> None:
    """A cap just under what torque alone leaves at a cell holds there, and every figure comes from the grid."""
    assert found.comparison.simulated is not None
    assert found.model.simulation is not None
    free, grid = (
        found.comparison.simulated["peak_pressure"].isel(load=0),
        found.model.simulation.grid["peak_pressure"].isel(load=0),
    )
    r = int((free / grid.min(("icl", "ecl"))).to_numpy().argmax())
    most, rpm = round(float(free[r] + grid[r].min()) / 2), float(free["rpm"][r])
    cap = {"rpm": [rpm, rpm], "load": [70, 70], "of": "peak pressure", "most": f"{most} kPa"}
    search = {"part_load": "road car", "caps": [cap]}
    (folder / "road").mkdir()
    (folder / "road" / FOLDER).symlink_to(folder / FOLDER, target_is_directory=True)
    road = build(load_project(write_project(folder / "road", **{**SMALL, "search": search})))
    assert road.verdict.clear
    assert road.comparison.simulated is not None
    assert float(road.comparison.simulated["peak_pressure"].isel(load=0)[r]) <= most + 1e-6
    assert f"cap 1: peak pressure at most {most} kPa" in {
        name for row in road.best.search.limited_by for names in row for name in names
    }
    np.testing.assert_array_equal(road.limits.phases_intake, found.limits.phases_intake)
    shown = " ".join(printed_of(road, Depth.DETAIL).split())
    assert (
        "Part load as for a road car: on average at 70 kPa, simulated (with rest timing in brackets): residual gas "
        in shown
    )
    assert "torque less uncertainty, roughness and what part load costs" in shown
    files = build_files(road)
    rows = list(csv.DictReader(io.StringIO(files["cells.csv"])))
    wanted = road.comparison.simulated["residual"].to_numpy().ravel()
    np.testing.assert_allclose([float(row["residual"]) for row in rows], wanted, atol=0.051)
    assert "30 N·m for each % of residual beyond 20 % at 3000 to 4000 rpm, 70 to 70 kPa" in files["report.html"]
    assert "Beside torque, as simulated" in files["report.html"]


def test_progress_reaches_the_end_and_never_goes_back(folder: Path, found: Build) -> None:
    shown: list[float] = []
    build(load_project(folder / "project.toml"), lambda share, _: shown.append(share))
    assert shown == sorted(shown)
    assert shown[0] == 0.0
    assert 0.95 <= shown[-1] <= 1.0


def test_a_project_that_says_nothing_of_torque_names_both_ways_out(tmp_path: Path) -> None:
    changes = {name: value for name, value in SMALL.items() if name != "cycle"}
    with pytest.raises(InputError, match=r"has no torque.*\[torque\].*\[cycle\].*phaseopt limits"):
        build(load_project(write_project(tmp_path, **changes)))


def test_calibration_finds_what_the_true_engine_has_more_of(on_simulation: Build) -> None:
    """The true engine is known here: friction is found within two standard errors, flow that is as said stays so."""
    assert on_simulation.model.simulation is not None
    found = on_simulation.model.simulation.calibration
    assert found is not None
    assert set(found.factors) | set(found.refused) == {"flow", "friction", "wall temperature", "burn duration"}
    assert found.after < found.before / 2.0
    assert abs(found.factors["friction"] - 1.33) < 2.0 * found.errors["friction"]
    assert abs(found.factors.get("flow", 1.0) - 1.0) < 2.0 * found.errors.get("flow", 1.0)


def test_what_pulls_make_of_each_part_holds_the_truth(on_simulation: Build) -> None:
    """Of the true engine friction alone is other than described: all factors within two and a half deviations of it."""
    parts = {part.name: part for part in on_simulation.model.learned_parts}
    for name, part in parts.items():
        truth = 1.33 if name == "friction" else 1.0
        assert abs(part.factor - truth) < 2.5 * part.deviation, name
        assert part.deviation <= part.before
    record = json.loads(build_files(on_simulation)["run.json"])
    assert {each["name"] for each in record["simulation"]["learned_parts"]} == set(parts)


def test_pulls_on_a_simulation_say_what_each_gave(on_simulation: Build) -> None:
    assert on_simulation.model.reduction is not None
    assert on_simulation.model.simulation is not None
    assert on_simulation.model.simulation.points is not None
    shown = " ".join(printed_of(on_simulation, Depth.DETAIL).split())
    for note in on_simulation.model.simulation.notes:
        assert note in shown
    record = json.loads(build_files(on_simulation)["run.json"])
    assert record["torque"]["points"] == on_simulation.model.reduction.points.sizes["point"] == 20
    points = on_simulation.model.simulation.points
    error = float(np.sqrt(((points["before"] - points["torque"]) ** 2).mean()))
    assert record["simulation"]["calibration"]["error_before_Nm"] == pytest.approx(error, abs=1e-4)
    assert on_simulation.model.lopo_rmse >= on_simulation.model.loo_rmse > 0.0


def test_with_nothing_calibrated_the_left_out_error_is_the_surface_s_own(on_simulation: Build) -> None:
    """No calibration to repeat, so leaving a pull out is the closed form on the surface that the tables rest on.

    Half of the points lie between two simulated speeds: both must take the simulation at the points themselves.
    """
    file = on_simulation.project.file
    bare = file.with_name("bare.toml")
    text = file.read_text(encoding="utf-8")
    bare.write_text(text.replace("[torque.prior]", "[torque.prior]\ncalibrate = []"), encoding="utf-8")
    model = torque_model(load_project(bare), silent)
    assert model.lopo_rmse == pytest.approx(leave_one_pull_out(model.surface).rmse, rel=1e-9)


def test_light_load_that_no_pull_reached_rests_on_the_simulation(on_simulation: Build) -> None:
    """All pulls are at full throttle; the 70 kPa row is known by the simulation alone and marked."""
    measured = on_simulation.torque["measured"]
    assert on_simulation.torque["in_reach"].all()
    assert bool(measured.isel(load=-1).all())
    shown = json.loads(build_files(on_simulation)["run.json"])["torque"]
    assert shown["cells_on_simulation_only"] == int((~measured).sum()) > 0


def test_an_engine_that_does_not_run_is_refused_with_its_section(
    found: Build, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert found.model.simulation is not None
    dead = found.model.simulation.grid.copy()
    dead["torque"] = dead["torque"] * np.nan
    monkeypatch.setattr("phaseopt.torque_model.simulation.torque_grid", lambda *_, **__: dead)
    with pytest.raises(InputError, match=r"project.toml: cycle: no point of it settled. Fix: check the dimensions"):
        build(load_project(folder / "project.toml"))


def _holed(grid: xr.Dataset, **place: int) -> xr.Dataset:
    """The grid with points that did not settle."""
    found = grid.copy(deep=True)
    for name in ("torque", "volumetric_efficiency"):
        found[name][place] = np.nan
    found["settled"][place] = 0.0
    return found


def _intake_centrelines(build: Build) -> np.ndarray:
    return np.asarray(build.contact.engine.intake.true_centreline(build.tables.intake.to_numpy()))


def test_a_timing_that_did_not_settle_is_never_taken(
    found: Build, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The best timings of the lowest speed are made a hole: the tables keep off it."""
    assert found.model.simulation is not None
    node = found.model.simulation.grid["icl"].to_numpy()[:3]
    assert node[0] < float(_intake_centrelines(found)[0].min()) < node[2]
    holed = _holed(found.model.simulation.grid, rpm=0, icl=1)
    monkeypatch.setattr("phaseopt.torque_model.simulation.torque_grid", lambda *_, **__: holed)
    again = build(load_project(folder / "project.toml"))
    assert (_intake_centrelines(again)[0] >= node[2] - 1e-9).all()
    assert np.isfinite(again.torque["torque"]).all()
    assert np.isfinite(again.comparison.gains.deviation)


def test_a_baseline_that_did_not_settle_is_left_out_of_the_gain_and_left_empty(
    found: Build, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rest at the lowest speed did not settle: nothing is made up for it."""
    assert found.model.simulation is not None
    holed = _holed(found.model.simulation.grid, rpm=0, icl=-2)
    assert float(holed["icl"][-2]) == float(found.contact.engine.intake.true_centreline(0.0))
    monkeypatch.setattr("phaseopt.torque_model.simulation.torque_grid", lambda *_, **__: holed)
    again = build(load_project(folder / "project.toml"))
    gain = again.torque["gain"].isel(load=-1).to_numpy()
    assert np.isnan(gain).tolist() == [True, False, False]
    assert again.comparison.gains.gain == pytest.approx(gain[1:].mean())  # of two speeds the area is their mean
    assert "known at 2 of 3 speeds" in " ".join(printed_of(again).split())
    files = build_files(again)
    rows = list(csv.DictReader(io.StringIO(files["airflow.csv"])))
    assert rows[0]["air_before"] == rows[0]["ratio"] == ""
    assert float(rows[0]["air"]) > 0.0
    assert not re.search(r"\bnan\b", files["report.html"].lower())
