"""Tables on the page: cells that are held, what they cost, and contact that nothing overrides."""

import csv
import json
import os
import re
import shutil
from collections.abc import Iterator
from html import unescape
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hillclimb import ROOT

from phaseopt.job.stages import check_tables, phase_limits, search_tables
from phaseopt.live.edits import KeyChange, change, edit
from phaseopt.live.pins import cap, pin, pin_in
from phaseopt.live.tables import FOLDER, TablesView, refuse_not_clear
from phaseopt.project.load import load_project
from phaseopt.study.day import Day
from phaseopt.values.errors import InputError

from .looks import Looks
from .served import small_project


class Shown(NamedTuple):
    """Tables of the small project's day, shown once."""

    file: Path
    day: Day
    view: TablesView
    parts: Looks


@pytest.fixture(autouse=True)
def _no_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _handle: None)


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Day:
    day = Day.begin(load_project(small_project(tmp_path_factory.mktemp("morning"))))
    assert day.tables.value <= day.tables.bound
    return day


@pytest.fixture
def shown(morning: Day) -> Iterator[Shown]:
    file = morning.project.file
    text, parts, view = file.read_bytes(), Looks(), TablesView(file)
    view.look(parts.put, morning)
    yield Shown(file, morning, view, parts)
    file.write_bytes(text)


def test_a_held_cell_is_held_and_the_cost_is_shown_beside_what_was(shown: Shown) -> None:
    before = shown.parts.facts["tables"]
    assert before["before"] is None
    r, k = before["rpm"].index(5000.0), before["load"].index(100.0)
    held = before["cells"]["intake"][r][k] - 8.0
    body = {"rpm": 5000.0, "load": 100.0, "intake": held}
    shown.view.may_pin(body)
    pin(shown.file, body)
    day = shown.day.after(load_project(shown.file))
    assert day.model is shown.day.model
    shown.view.look(shown.parts.put, day)
    after = shown.parts.facts["tables"]
    assert after["cells"]["intake"][r][k] == held
    assert after["before"] == before["score"]
    assert after["score"]["value"] < before["score"]["value"]
    assert after["accepted"]
    # The same as a search from the beginning, and clear by a check that knows nothing of the search.
    project = load_project(shown.file)
    limits = phase_limits(project)
    anew = search_tables(project, limits, day.model)
    assert after["score"]["value"] == pytest.approx(anew.value, abs=1e-6)
    assert after["cells"]["intake"] == anew.tables.intake.to_numpy().tolist()
    assert check_tables(project, anew.tables).accepted


def test_a_cap_on_overlap_is_kept_and_can_be_taken_out(shown: Shown) -> None:
    before = shown.parts.facts["tables"]["score"]
    band = {"rpm_from": "0", "rpm_to": "9000", "load_from": "0", "load_to": "200"}
    with pytest.raises(InputError, match="no phases are left"):
        shown.view.may_cap({**band, "degrees": "-90"})
    shown.view.may_cap({**band, "degrees": "12,5"})
    cap(shown.file, {**band, "degrees": "12,5"})
    project = load_project(shown.file)
    assert project.search.overlap_cap[-1].degrees == 12.5
    shown.view.look(shown.parts.put, shown.day.after(project))
    assert shown.parts.facts["tables"]["score"]["value"] < before["value"]
    change(shown.file, [KeyChange(f"search.overlap_cap.{len(project.search.overlap_cap)}", None)])
    shown.view.look(shown.parts.put, shown.day.after(load_project(shown.file)))
    assert shown.parts.facts["tables"]["score"] == before


def test_no_pin_overrides_contact() -> None:
    """Every timing outside the safe box of the hill-climb is refused, with the contact and both clearances."""
    limits = phase_limits(load_project(ROOT / "examples" / "hillclimb" / "project.toml"))
    (box,) = limits.boxes
    for intake in np.linspace(0.0, 45.0, 10):
        for exhaust in np.linspace(-40.0, 0.0, 9):
            inside = box.intake_from <= intake <= box.intake_to and box.exhaust_from <= exhaust <= box.exhaust_to
            if inside:
                refuse_not_clear(limits, float(intake), float(exhaust))
            else:
                with pytest.raises(InputError, match=r"at least -?[\d.]+ mm.*required") as refused:
                    refuse_not_clear(limits, float(intake), float(exhaust))
                assert any(each in str(refused.value) for each in ("HITS", "TIGHT", "clear by itself"))


# Asked for more clearance than full travel leaves: the safe box is then smaller than it.
TIGHTER = [KeyChange("gap.static.intake", 3.5), KeyChange("gap.tables_only_guard", True)]


def test_a_typed_timing_is_read_as_it_is_typed_and_judged_before_it_is_pinned(shown: Shown) -> None:
    cell = {"rpm": 5000.0, "load": 100.0}

    def typed(value: str, way: str = "advanced") -> dict[str, object]:
        return {**cell, "intake": {"value": value, "way": way}}

    change(shown.file, TIGHTER)
    day = shown.day.after(load_project(shown.file))
    shown.view.look(shown.parts.put, day)
    (box,) = day.limits.boxes
    assert shown.view.try_pin(typed("12,5"))["remarks"] == ["intake +12.5°: CLEAR in any combination, calculated."]
    beyond = f"{box.intake_to + 0.5:g}"
    assert box.intake_to + 0.5 < 40.0  # the phaser goes there, the rules of contact do not
    refused = {
        beyond: r"intake \+[\d.]+°, exhaust 0° is (HITS|TIGHT|clear by itself).*at least -?[\d.]+ mm.*required",
        "45": r"beyond the phaser's travel. Fix: enter one from 0° to \+40°",
        "12,3": r"between two steps of the tables. Fix: enter \+12° or \+12.5°",
        "-5": "has a sign",
        "late": "no number of degrees",
        "1e9": "no timing in degrees",
        "nan": "no number of degrees",
        "": "no timing to pin",
    }
    text = shown.file.read_bytes()
    for value, why in refused.items():
        for ask in (shown.view.try_pin, shown.view.may_pin):
            with pytest.raises(InputError, match=why):
                ask(typed(value))
    with pytest.raises(InputError, match="no phaser"):
        shown.view.try_pin({**cell, "exhaust": {"value": "5", "way": "retarded"}})
    assert shown.file.read_bytes() == text
    shown.view.may_pin(typed("12,5"))
    pin(shown.file, typed("12,5"))
    assert [each.intake for each in load_project(shown.file).search.pinned] == [12.5]


def test_pins_of_one_cell_replace_each_other_and_stand_before_bands(tmp_path: Path) -> None:
    file = small_project(tmp_path)
    pin(file, {"rpm": 3000, "load": 100, "intake": 5.0})
    pin(file, {"rpm": 4000, "load": 100, "intake": 6.0})
    pin(file, {"rpm": 3000, "load": 100, "intake": 7.0})
    assert [(each.rpm[0], each.intake) for each in load_project(file).search.pinned] == [(3000, 7.0), (4000, 6.0)]
    change(file, [KeyChange("search.pinned", [{"rpm": [0, 9000], "load": [0, 200], "intake": 0.0}])])
    pin(file, {"rpm": 3000, "load": 100, "intake": 7.0})
    assert [each.intake for each in load_project(file).search.pinned] == [7.0, 0.0]


NO_PINS: list[dict[str, object]] = [
    {},
    {"rpm": 3000, "load": 100},
    {"rpm": "3000", "load": 100, "intake": 1},
    {"rpm": True, "load": 1, "intake": 1},
    {"rpm": 3000, "load": float("nan"), "intake": 1.0},
    {"rpm": 3000, "load": 100, "intake": 1e9},
]


@pytest.mark.parametrize("body", NO_PINS)
def test_what_is_no_pin_is_refused(body: dict[str, object]) -> None:
    with pytest.raises(InputError):
        pin_in(body)


def test_written_tables_read_back_as_the_cells_shown(shown: Shown) -> None:
    done = shown.view.write({})
    assert done["files"] == ["intake_phase.csv"]
    with (shown.file.parent / FOLDER / "intake_phase.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.reader(file) if row and not row[0].startswith("#")]
    cells = [[float(cell) for cell in row[1:]] for row in rows[1:]]
    assert cells == shown.parts.facts["tables"]["cells"]["intake"]


def test_tables_found_before_the_files_changed_are_judged_by_the_files_as_they_are(shown: Shown) -> None:
    """The page may still show them as they were."""
    shutil.rmtree(shown.file.parent / FOLDER, ignore_errors=True)
    change(shown.file, [KeyChange("gap.static.intake", 8.0)])
    assert not check_tables(load_project(shown.file), shown.day.tables.tables).accepted
    with pytest.raises(InputError, match="may not be written"):
        shown.view.write({})
    assert not (shown.file.parent / FOLDER).exists()


def test_tables_found_by_other_rules_of_the_search_are_not_written(shown: Shown) -> None:
    change(shown.file, [KeyChange("search.caution", 3.0)])
    with pytest.raises(InputError, match="changed since"):
        shown.view.write({})


def test_a_pin_is_released_by_what_the_page_saw_of_it(shown: Shown) -> None:
    """Another page may have taken one out before: the next one then has its number."""
    pin(shown.file, {"rpm": 5000, "load": 100, "intake": 5.0})
    shown.view.look(shown.parts.put, shown.day.after(load_project(shown.file)))
    was = json.loads(
        unescape(re.findall(r'data-key="search.pinned.1" data-was="([^"]*)"', shown.parts.html["tables"])[0])
    )
    assert was == {"rpm": [5000, 5000], "load": [100, 100], "intake": 5.0}
    pin(shown.file, {"rpm": 5000, "load": 100, "intake": 7.0})
    with pytest.raises(InputError, match="by now"):
        edit(shown.file, {"key": "search.pinned.1", "value": "", "was": json.dumps(was)})


def test_before_there_are_tables_nothing_is_pinned_or_written(tmp_path: Path) -> None:
    view = TablesView(tmp_path / "project.toml")
    with pytest.raises(InputError):
        view.may_pin({"rpm": 3000, "load": 100, "intake": 5.0})
    with pytest.raises(InputError):
        view.write({})
