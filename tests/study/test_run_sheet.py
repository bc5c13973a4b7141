"""The run sheet: gaps that are there, timings in the log's counting, and nothing of a timing that is not clear."""

import csv
import io
import math
import re
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path

import csvw
import numpy as np
import pytest
from engines import SEATS, cosine_lift, piston_fall, project_of, write_project
from printed import printed
from small_builds import TORQUE
from typer.testing import CliRunner

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.clearance.model import ContactModel
from phaseopt.cli import app
from phaseopt.output.records.plan import PlanRecord
from phaseopt.output.run_sheet_files import run_sheet_files
from phaseopt.project import Channel
from phaseopt.report.document import Table
from phaseopt.report.subjects.plan import clamp_words, plan_document, turn_text
from phaseopt.report.terminal import terminal_text
from phaseopt.study.initial_design import first_pulls
from phaseopt.study.planned_pulls import Plan, PlannedPull
from phaseopt.study.run_sheet import run_sheet
from phaseopt.values.errors import InputError


def plan_of(model: ContactModel, *timings: tuple[float, float]) -> Plan:
    rpm = np.array(model.project.tables.rpm)
    pulls = tuple(
        PlannedPull("fixed", np.full(rpm.size, intake), np.full(rpm.size, exhaust), 0.3, 0.5)
        for intake, exhaust in timings
    )
    return Plan(rpm, pulls, (1.0, 1.4, 1.5)[: len(timings) + 1], "stop when the next adds less than 0.1 N·m", ())


def test_gaps_are_those_of_the_textbook_engine(tmp_path: Path) -> None:
    """By hand as slider-crank and lobe formula have it, to the scatter of the readings; the worst case is less."""
    model = contact_model(project_of(tmp_path))
    (pull,) = run_sheet(model, plan_of(model, (12.0, -9.0))).pulls
    theta = np.arange(-40.0, 40.0, 0.05)
    for side, peak, half, drop, wheel, lash, centre in (
        ("intake", 10.5, 66.0, 6.2, 0.6, 0.2, 110.0 + 6.0 - 12.0),
        ("exhaust", 10.0, 64.0, 6.6, 0.4, 0.25, -(110.0 + 6.0 - 9.0)),
    ):
        lift = np.maximum(cosine_lift((theta - centre) / 2.0, peak, half) - lash, 0.0)
        least = float((drop + piston_fall(theta - wheel) - lift).min())
        contact = f"{side}_piston"
        assert pull.by_hand(contact) == pytest.approx(least, abs=0.06)
        assert pull.box.running[contact] < pull.box.static[contact] < least
    assert float(pull.timings["icl"][0]) == 104.0
    assert float(pull.timings["ecl"][0]) == 107.0


def test_a_pull_that_is_not_clear_is_never_shown(tmp_path: Path) -> None:
    model = contact_model(project_of(tmp_path))
    (box,) = phase_limits(model).boxes
    bold = box.intake_to + 3.0
    sheet = run_sheet(model, plan_of(model, (4.0, -3.0), (bold, 0.0), (41.5, 0.0)))
    assert [pull.box.verdict for pull in sheet.pulls] == ["clear"]
    assert sheet.left_out == 2
    assert sheet.expected == ()  # of more pulls than are record
    files = run_sheet_files(run_sheet(model, plan_of(model, (4.0, -3.0), (bold, 0.0)), ("Torque is simulated.",)))
    assert all("Torque is simulated." in files[name] for name in ("run_sheet.html", "run_sheet.csv-metadata.json"))
    files = run_sheet_files(sheet)
    rows = list(csv.DictReader(io.StringIO(files["run_sheet.csv"])))
    assert {row["intake_phase"] for row in rows} == {"4"}
    icl = 110.0 + 6.0 - bold
    for text in (*files.values(), terminal_text(plan_document(sheet)), PlanRecord.of(sheet).model_dump_json()):
        for number in (bold, icl, 41.5):
            assert not re.search(rf"(?<![\d.]){number:g}(?![\d.])", text)
    assert "2 planned pulls were not clear" in terminal_text(plan_document(sheet))


def test_clamps_for_the_day_only_where_any_timing_may_meet_any(tmp_path: Path) -> None:
    """Seats so near that the earliest intake and the latest exhaust are safe one by one and not together."""
    near = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
    model = contact_model(project_of(tmp_path, seats=near))
    boxes = phase_limits(model).boxes
    intake, exhaust = max(box.intake_to for box in boxes), min(box.exhaust_from for box in boxes)
    together = run_sheet(model, plan_of(model, (2.0, -1.0), (3.0, -2.0)))
    assert "intake 0° to +3°, exhaust -2° to 0°" in clamp_words(together)
    apart = run_sheet(model, plan_of(model, (intake, 0.0), (0.0, exhaust)))
    assert len(apart.pulls) == 2
    assert "back to rest" in clamp_words(apart)


def test_a_reading_is_what_the_log_would_show() -> None:
    """The inverse of the channel, and by hand: 20° retarded in cam degrees, counted backwards from 3, reads 13."""
    channel = Channel(sign=-1, zero=3.0, **{"in": "cam deg"})
    assert channel.reading(-20.0) == 13.0
    phases = np.linspace(-30.0, 10.0, 9)
    assert np.allclose(channel.phase(channel.reading(phases)), phases, atol=1e-12)


def test_first_pulls_are_spread_over_the_safe_timings(tmp_path: Path) -> None:
    """Against all choices of as many labels: never less than half as far apart as the best (Gonzalez 1985)."""
    project = project_of(tmp_path, intake={"phaser": {"resolution": 6.0}}, exhaust={"phaser": {"resolution": 6.0}})
    model = contact_model(project)
    limits = phase_limits(model)
    plan = first_pulls(limits, 4)
    assert [pull.kind for pull in plan.pulls] == ["in turn"] * 4
    made = list(dict.fromkeys((p.intake[k], p.exhaust[k]) for p in plan.pulls for k in (0, -1)))
    assert len(made) == 4
    assert made[0] == (0.0, 0.0)
    bolder = [pull.boldness for pull in first_pulls(limits, 9).pulls]
    assert min(bolder[:4]) > max(bolder[4:8])
    assert all(pull.boldness >= 0 for pull in plan.pulls)
    assert all(math.isnan(pull.expected_gain) for pull in plan.pulls)
    (box,) = limits.boxes
    labels = [(i, e) for i in limits.phases_intake for e in limits.phases_exhaust
              if i <= box.intake_to and e >= box.exhaust_from]  # fmt: skip

    def apart(chosen: list[tuple[float, float]]) -> float:
        return min(math.dist(a, b) for a, b in combinations(chosen, 2))

    best = max(apart([(0.0, 0.0), *others]) for others in combinations([p for p in labels if p != (0.0, 0.0)], 3))
    assert apart(made) >= best / 2


def test_pulls_in_turn_differ_at_a_glance(tmp_path: Path) -> None:
    """The sheet says of each band which timing it gets, and which of the pulls with these timings each is."""
    model = contact_model(project_of(tmp_path))
    limits = phase_limits(model)
    sheet = run_sheet(model, first_pulls(limits, 4))
    assert [turn_text(sheet, pull) for pull in sheet.pulls] == [f"in turn, {k} of 4" for k in (1, 2, 3, 4)]
    text = terminal_text(plan_document(sheet))
    rows = [re.findall(r"[-+]?[\d.]+, [-+]?[\d.]+", line) for line in text.splitlines() if " rpm" not in line]
    turns = [row for row in rows if len(row) > 1]
    for before, row in pairwise(turns):
        assert row[:-1] == before[1:]
    assert all(text.count(f"in turn, {k} of 4 ") == 1 for k in (1, 2, 3, 4))
    assert "check the boldest by hand first" in " ".join(text.split())
    assert "safe to bold" not in text  # the first is as bold as the last
    two = run_sheet(model, first_pulls(limits, 2))
    assert [turn_text(two, pull) for pull in two.pulls] == ["in turn, 1 of 2", "in turn, 2 of 2"]


def test_an_engine_without_room_has_nothing_to_try(tmp_path: Path) -> None:
    """Rest a twentieth of a millimetre above the rule, and every advance nearer still."""
    at_rest = contact_model(project_of(tmp_path)).gaps(np.zeros((1, 4))).static[0]
    gap = {"static": {"intake": float(at_rest[0]) - 0.05, "exhaust": float(at_rest[1]) - 0.05}}
    model = contact_model(project_of(tmp_path, gap=gap))
    with pytest.raises(InputError, match="no timing but rest"):
        first_pulls(phase_limits(model), 3)


def test_a_band_of_speed_shows_every_timing_in_it(tmp_path: Path) -> None:
    """A pull that moves within a band: the summary by band and the sheet's own rows must say the same."""
    model = contact_model(project_of(tmp_path))
    rpm = np.array(model.project.tables.rpm)
    plan = plan_of(model, (0.0, -9.0))
    moving = replace(plan.pulls[0], kind="in turn", intake=np.arange(1.0, rpm.size + 1.0))
    document = plan_document(run_sheet(model, replace(plan, pulls=(moving,))))
    (found,) = [part for each in document.sections if each.title == "In turn" for part in each.blocks]
    assert isinstance(found, Table)
    for band, cell in zip(found.head[1:], found.rows[0].cells, strict=True):
        low, high = (float(word) for word in re.findall(r"\d+", band))
        inside = moving.intake[(rpm >= low) & (rpm <= high)]
        assert cell.startswith(f"+{inside[0]:g} to +{inside[-1]:g}, ")


def test_a_plan_has_exactly_as_many_pulls_as_asked_for(tmp_path: Path) -> None:
    """The baseline again after four pulls at most, and last: common practice, no source."""
    limits = phase_limits(contact_model(project_of(tmp_path)))
    for count in range(1, 13):
        kinds = [pull.kind for pull in first_pulls(limits, count).pulls]
        held = count == 1 or count > 4
        assert kinds == ["in turn"] * (count - held) + ["baseline"] * held
    slow = {"phaser": {"slew": {"advance": 1.0, "retard": 1.0}}}
    limits = phase_limits(contact_model(project_of(tmp_path, intake=slow, exhaust=slow)))
    for count in range(1, 13):
        kinds = [pull.kind for pull in first_pulls(limits, count).pulls]
        assert len(kinds) == count
        if count > 3:
            again = [k for k, kind in enumerate(kinds) if kind == "baseline"]
            assert len(again) == 1 + math.ceil((count - 1) / 5)
            assert (again[0], again[-1]) == (0, count - 1)
            assert max(b - a for a, b in pairwise(again)) <= 5


@pytest.mark.parametrize(("pulls", "groups"), [(2, [2]), (4, [4]), (9, [4, 4])])
def test_pulls_in_turn_make_a_latin_square(tmp_path: Path, pulls: int, groups: list[int]) -> None:
    """Each band of speed gets each timing of a group in one of its pulls, and no pull has one timing alone (Fisher,
    The Design of Experiments, 1935, from memory)."""
    plan = first_pulls(phase_limits(contact_model(project_of(tmp_path))), pulls)
    assert not plan.pulls[0].intake[0]
    timings = [list(zip(pull.intake.tolist(), pull.exhaust.tolist(), strict=True)) for pull in plan.pulls]
    for start, count in zip(np.cumsum([0, *groups[:-1]]), groups, strict=True):
        group = timings[start : start + count]
        ends = [[pull[k] for pull in group] for k in (0, -1)]  # between bands the phasers move
        assert len(set(ends[0])) == count
        assert set(ends[0]) == set(ends[1])
        assert all(low != high for low, high in zip(*ends, strict=True))


def test_phasers_of_unknown_speed_hold_every_timing(tmp_path: Path) -> None:
    slow = {"phaser": {"slew": None}}
    plan = first_pulls(phase_limits(contact_model(project_of(tmp_path, intake=slow, exhaust=slow))), 5)
    assert all(np.ptp(pull.intake) == np.ptp(pull.exhaust) == 0.0 for pull in plan.pulls)


@pytest.mark.parametrize("blank", [False, True])
def test_plan_with_a_torque_section_and_no_pulls_yet(tmp_path: Path, blank: bool) -> None:
    """What logs need may still be blank; once a pull is stated it may not, since the plan would pass it over."""
    project = write_project(tmp_path, gap={"tables_only_guard": True})
    torque = TORQUE.replace('torque = "torque"', 'torque = "?"') if blank else TORQUE
    project.write_text(project.read_text(encoding="utf-8") + torque, encoding="utf-8")
    assert len(printed("plan", project, "--pulls", 5)["pulls"]) == 5
    if blank:
        pull = '[[torque.pulls]]\nkind = "sweep"\nfiles = ["a.csv"]\n'
        project.write_text(project.read_text(encoding="utf-8") + pull, encoding="utf-8")
        places = [mistake["where"] for mistake in printed("plan", project, "--pulls", 5)["mistakes"]]
        assert "torque.columns.torque" in places


def test_plan_without_pulls_or_simulation(tmp_path: Path) -> None:
    """The command on geometry alone: a sheet on disk, valid to package `csvw`, with its cautions and blanks."""
    project = write_project(tmp_path, gap={"tables_only_guard": True})
    out = tmp_path / "sheet"
    found = CliRunner().invoke(app, ["plan", str(project), "--pulls", "5", "--out", str(out)])
    assert found.exit_code == 0, found.output
    for words in ("Not covered", "every cylinder by hand", "Enter clamps", "torque is not known yet"):
        assert words.lower() in found.output.lower()
    assert csvw.CSVW(str(out / "run_sheet.csv"), validate=True).is_valid
    page = (out / "run_sheet.html").read_text(encoding="utf-8")
    for words in ("Barometer", "Intake at rest", "Log file", "assembled engine by hand", "Make all of these"):
        assert words in page
    record = printed("plan", project, "--pulls", 5)
    assert [pull["kind"] for pull in record["pulls"]] == ["in turn"] * 4 + ["baseline"]
    assert all(pull["verdict"] == "clear" for pull in record["pulls"])
    again = CliRunner().invoke(app, ["plan", str(project), "--pulls", "5", "--out", str(out)])
    assert again.exit_code == 0
    (out / "mine.txt").write_text("mine")
    assert CliRunner().invoke(app, ["plan", str(project), "--pulls", "5", "--out", str(out)]).exit_code == 2


def test_plan_needs_the_tables_accepted_as_the_only_guard(tmp_path: Path) -> None:
    refused = CliRunner().invoke(app, ["plan", str(write_project(tmp_path)), "--pulls", "2"])
    assert refused.exit_code == 2
    assert "tables_only_guard" in refused.output
