"""The examples: they are what their generators write, and the story that goes with them is true."""

import csv
import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import csvw
import numpy as np
import pytest
import xarray as xr

from phaseopt.clearance import check_tables, contact_model, phase_limits
from phaseopt.cycle.grid import KNOCK
from phaseopt.engine.valve_events import events
from phaseopt.output.metadata import table_metadata
from phaseopt.project import SIDES, Project
from phaseopt.project.load import load_project
from phaseopt.tables import PhaseTables, read_table, read_tables, table_text
from phaseopt.torque import reduce_logs

ROOT = Path(__file__).parent.parent
EXAMPLES = ROOT / "examples"
NAMES = ("hillclimb", "intake_only")


def script(path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """A generator as a module; what it puts on the path or imports is forgotten afterwards."""
    monkeypatch.setattr(sys, "path", [*sys.path, str(EXAMPLES)])
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    spec = importlib.util.spec_from_file_location(f"{path.parts[-3]}_{path.stem}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, spec.name, module)
    spec.loader.exec_module(module)
    return module


def numbers(path: Path) -> tuple[list[str], np.ndarray]:
    with path.open(encoding="utf-8", newline="") as lines:
        header, *rows = csv.reader(lines)
    return header, np.array(rows, dtype=float)


def same(written: Path, committed: Path, decimals: list[int]) -> None:
    """Equal but for one unit of a column's last digit, which another machine's rounding may cost."""
    header, table = numbers(written)
    wanted_header, wanted = numbers(committed)
    assert header == wanted_header
    assert table.shape == wanted.shape
    assert (np.abs(table - wanted) <= 1.001 * 10.0 ** -np.array(decimals)).all(), committed


def decimals_of(path: Path) -> list[int]:
    cells = path.read_text(encoding="utf-8").splitlines()[1].split(",")
    return [len(cell.partition(".")[2]) for cell in cells]


@pytest.fixture(scope="module")
def hill() -> Project:
    return load_project(EXAMPLES / "hillclimb" / "project.toml")


def baseline(project: Project) -> PhaseTables:
    pair = project.tables.baseline
    assert pair is not None
    return read_tables(project, pair.intake, pair.exhaust)


@pytest.mark.parametrize("name", NAMES)
def test_the_logs_are_what_the_generator_writes(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The hill-climb's from the clean torque that is kept beside its project."""
    folder = EXAMPLES / name / "dyno"
    generate: Any = script(folder / "generate.py", monkeypatch)
    generate.write_all(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in folder.glob("*.csv")}
    for path in tmp_path.iterdir():
        same(path, folder / path.name, decimals_of(path))


def test_the_logs_on_the_new_tables_are_what_their_generator_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the clean torque kept beside them, made where the tables that are kept now put the cams.

    Where `maps/hillclimb-best` has changed, `python examples/hillclimb/after/generate.py` makes all of it again.
    """
    folder = EXAMPLES / "hillclimb" / "after"
    generate: Any = script(folder / "generate.py", monkeypatch)
    kept = numbers(folder / "true-torque.csv")[1]
    assert np.abs(generate.simulated() - kept[:, :4]).max() < 0.001
    generate.write_all(tmp_path)
    for path in tmp_path.iterdir():
        same(path, folder / path.name, decimals_of(path))
    assert {path.name for path in tmp_path.iterdir()} == {"tables.csv", "phaser-steps.csv"}


def test_the_clean_torque_is_what_the_true_engine_makes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Some points of a sweep and of a steady run, simulated again.

    To the digits that are kept, on the same machine; a processor of another kind may settle a cycle sooner or later.
    """
    generate: Any = script(EXAMPLES / "hillclimb" / "dyno" / "generate.py", monkeypatch)
    engine: Any = script(EXAMPLES / "hillclimb" / "true_engine.py", monkeypatch)
    kept, plans = generate.clean_torque(), {plan.name: plan for plan in generate.plans()}
    assert {name: len(torque) for name, torque in kept.items()} == {n: len(p.simulated()) for n, p in plans.items()}
    points = np.concatenate([plans["sweep-06"].simulated()[5::12], plans["steady-50"].simulated()[7::12]])
    torque = np.concatenate([kept["sweep-06"][5::12], kept["steady-50"][7::12]])
    assert np.abs(engine.true_torque(points) - torque).max() < 0.1


def test_lobes_and_drops_are_what_the_generator_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parts: Any = script(EXAMPLES / "invented_parts.py", monkeypatch)
    parts.write_all(tmp_path)
    written = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*.csv"))
    committed = sorted(
        p.relative_to(EXAMPLES)
        for part in ("lobes", "drops")
        for p in EXAMPLES.rglob(f"{part}/*.csv")
        if "dirty_day" not in p.parts  # by a script of its own
    )
    assert written == committed
    for path in written:
        same(tmp_path / path, EXAMPLES / path, decimals_of(tmp_path / path))


def hidden_torque(name: str, points: xr.Dataset, monkeypatch: pytest.MonkeyPatch) -> np.ndarray:
    """What the engine behind an example's logs makes at torque points, N·m in standard air."""
    generate: Any = script(EXAMPLES / name / "dyno" / "generate.py", monkeypatch)
    if name == "intake_only":
        law: Any = script(EXAMPLES / "invented_engine.py", monkeypatch)
        pressure = np.where(points["full_throttle"], law.FULL_PRESSURE, points["load"])
        return np.asarray(generate.SIZE * law.torque(points["rpm"], pressure, points["icl"], points["ecl"]))
    clean, found = generate.clean_torque(), np.empty(points.sizes["point"])
    for number, plan in enumerate(generate.plans()):
        mine = points["pull"].to_numpy() == number
        simulated, rpm = plan.simulated(), points["rpm"].to_numpy()[mine]
        if plan.points:
            seen = np.column_stack([points[key].to_numpy()[mine] for key in ("rpm", "load", "icl", "ecl")])
            away = np.abs(seen[:, None] - simulated) / np.array([300.0, 20.0, 3.0, 3.0])
            found[mine] = clean[plan.name][away.sum(axis=2).argmin(axis=1)]
        else:
            found[mine] = np.interp(rpm, simulated[:, 0], clean[plan.name])
    return found


@pytest.mark.parametrize("name", NAMES)
def test_reduced_points_find_the_hidden_engine(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Units, signs, zeros, offsets and weather undone, the points stand on the engine that the logs were made of.

    Once each pull's own drift (a percent or so) is taken off, what is left is noise of about one N·m.
    """
    points = reduce_logs(load_project(EXAMPLES / name / "project.toml")).points
    truth = hidden_torque(name, points, monkeypatch)
    share = points["torque"].to_numpy() / truth - 1.0
    for pull in np.unique(points["pull"]):
        mine = points["pull"].to_numpy() == pull
        drift = np.median(share[mine])
        assert abs(drift) < 0.02
        assert np.std((share[mine] - drift) * truth[mine]) < 2.0


@pytest.mark.parametrize("name", NAMES)
def test_every_timing_on_the_dyno_was_safe(name: str) -> None:
    """No builder runs a timing that may touch; checked at what each pull's log says, by the true centrelines."""
    project = load_project(EXAMPLES / name / "project.toml")
    model = contact_model(project)
    points = reduce_logs(project).points
    intake = model.engine.intake.true_centreline(0.0) - points["icl"].to_numpy()
    exhaust = points["ecl"].to_numpy() - model.engine.exhaust.true_centreline(0.0)
    pairs = np.unique(np.round(np.column_stack([intake, exhaust])), axis=0)
    gaps = model.gaps(np.repeat(pairs, 2, axis=1))
    assert (gaps.static >= model.required).all()
    assert (gaps.swept - model.running_mm(model.top_speed) >= model.reserve).all()


def test_the_cams_are_of_their_class(hill: Project) -> None:
    """What `examples/README.md` says: 261° and 255° at 0.4 mm of tappet lift, 10.4 and 9.6 mm."""
    engine = contact_model(hill).engine
    for side, degrees, lift in (("intake", 261.0, 10.4), ("exhaust", 255.0, 9.6)):
        cam = engine.intake if side == "intake" else engine.exhaust
        assert cam.lobe.peak == pytest.approx(lift, abs=0.002)
        assert events(cam, 0.0, 0.4 - cam.lash).duration == pytest.approx(degrees, abs=0.5)


def test_the_degree_wheel_stood_one_degree_out(hill: Project) -> None:
    """The fit finds it, within twice what it says of its own uncertainty."""
    for side, law in contact_model(hill).drops.items():
        assert abs(law.wheel - 1.0) < 2 * np.sqrt(law.covariance[-1, -1]), side


def test_full_travel_touches_and_useful_travel_is_left(hill: Project) -> None:
    """Intake limited by the running rule, exhaust by the static one; 15° or more are left on both, less than travel."""
    model = contact_model(hill)
    limits = phase_limits(model)
    assert limits.full_travel.verdict == "hits"
    (box,) = limits.boxes
    assert 15 <= box.intake_to < 45
    assert -40 < box.exhaust_from <= -15
    beyond = model.gaps([[box.intake_to + 1] * 2 + [0, 0], [0, 0] + [box.exhaust_from - 1] * 2])
    running = beyond.swept - model.running_mm(model.top_speed) - model.reserve
    static = beyond.static - model.required
    intake, exhaust = model.contacts.index("intake_piston"), model.contacts.index("exhaust_piston")
    assert running[0, intake] < 0 < static[0, intake]
    assert static[1, exhaust] < 0 < running[1, exhaust]


def test_the_small_example_is_clear_in_full_travel() -> None:
    project = load_project(EXAMPLES / "intake_only" / "project.toml")
    assert project.arrangement == "intake"
    limits = phase_limits(contact_model(project))
    assert limits.full_travel.verdict == "clear"


def test_the_starting_tables_are_clear_and_on_steps(hill: Project) -> None:
    tables = baseline(hill)
    assert check_tables(contact_model(hill), tables).clear
    assert not (tables.intake.to_numpy() % 1).any()


def test_a_better_timing_partly_fills_the_dip(hill: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the true engine itself: the starting tables leave a dip at 3500 rpm, the corner of the safe box half fills it,
    and more travel would do more.
    """
    engine: Any = script(EXAMPLES / "hillclimb" / "true_engine.py", monkeypatch)
    model = contact_model(hill)
    (box,) = phase_limits(model).boxes
    started = baseline(hill).at([3000.0, 3500.0, 4500.0], [100.0] * 3)
    phases = np.column_stack([np.stack(started), [box.intake_to, box.exhaust_from], [box.intake_to + 14, -25.0]])
    cams = model.engine
    icl, ecl = cams.intake.true_centreline(phases[0]), cams.exhaust.true_centreline(phases[1])
    below, dip, above, safe, further = engine.true_torque(
        np.column_stack([[3000.0, 3500.0, 4500.0, 3500.0, 3500.0], np.full(5, 97.8), icl, ecl])
    )
    assert dip < min(below, above) - 2.0
    assert safe > dip + 8.0
    assert further > safe + 5.0


def test_the_kept_tables_make_more_on_the_true_engine(hill: Project, monkeypatch: pytest.MonkeyPatch) -> None:
    """`maps/hillclimb-best` against the starting tables at full load, on the engine that made the logs.

    By a few percent in the mid-range, as common practice has it for ten or so degrees of phase on both cams; nowhere
    much worse.
    """
    engine: Any = script(EXAMPLES / "hillclimb" / "true_engine.py", monkeypatch)
    best = read_tables(hill, *(ROOT / "maps" / "hillclimb-best" / f"{side}_phase.csv" for side in SIDES))
    rpm, cams = np.array([2500.0, 3500.0, 4000.0, 5000.0, 6500.0, 8000.0]), contact_model(hill).engine
    points = []
    for tables in (baseline(hill), best):
        intake, exhaust = tables.at(rpm, np.full(rpm.size, 100.0))
        icl, ecl = cams.intake.true_centreline(intake), cams.exhaust.true_centreline(exhaust)
        points.append(np.column_stack([rpm, np.full(rpm.size, 97.0), icl, ecl]))
    before, after = np.split(engine.true_torque(np.concatenate(points)), 2)
    gain = after / before - 1.0
    assert gain.min() > -0.01
    assert 0.02 < gain[:4].mean() < 0.08


@pytest.mark.parametrize(
    "path", sorted((ROOT / "maps").rglob("*_phase.csv")), ids=lambda path: "-".join(path.parts[-2:])
)
def test_reference_tables_keep_the_format(path: Path) -> None:
    """Written as `table_text` writes them, and valid to package `csvw` with the metadata beside them.

    Where torque rests on a simulation the metadata says so before all else.
    """
    table = read_table(path)
    assert path.read_bytes().decode() == table_text(table)
    assert csvw.CSVW(str(path), validate=True).is_valid
    side = path.stem
    metadata = path.with_name(f"{path.name}-metadata.json")
    kept, plain = (json.loads(text) for text in (metadata.read_text(), table_metadata(path.name, table.rename(side))))
    notes = kept["dc:description"].removesuffix(plain["dc:description"])
    assert (KNOCK in notes) == (path.parent.name == "hillclimb-best")
    assert kept == plain | {"dc:description": notes + plain["dc:description"]}


def test_the_next_build_has_less_room_and_asks_for_more() -> None:
    """A longer intake cam with more lift comes nearer to the piston at the same timing, so that less advance is safe
    (common practice, no source). Both projects are the same but for what the builder thinks of buying."""
    now, after = (load_project(EXAMPLES / "next_build" / f"{name}.toml") for name in ("now", "next"))
    limits = [phase_limits(contact_model(project)) for project in (now, after)]
    assert limits[1].boxes[0].intake_to < limits[0].boxes[0].intake_to
    assert limits[1].boxes[0].exhaust_from > limits[0].boxes[0].exhaust_from  # by the thinner gasket alone
    (carried,) = {note for note in limits[1].contact.notes if "measured with other parts" in note and "exhaust" in note}
    assert "gasket 1.2, now 1" in carried
    same_but = {"name", "file", "intake", "cycle", "crank", "drop"}
    assert now.model_dump(exclude=same_but) == after.model_dump(exclude=same_but)
    assert now.cycle is not None
    assert now.cycle.factors.named == {"flow": 0.941, "friction": 1.106}
