"""Reading a project file: every mistake at once, each with file, key, value and fix."""

import math
from pathlib import Path
from typing import Any

import pytest
from engines import SEATS, project_of, write_project

from phaseopt.project.load import load_project, load_pull
from phaseopt.values.errors import InputError, Mistake

TORQUE: dict[str, Any] = {
    "correction": "none",
    "columns": {"rpm": "n", "torque": "t", "load": "p", "throttle": "tps", "intake_phase": "i", "exhaust_phase": "e"},
    "phases": {side: {"sign": 1, "zero": 0.0, "in": "crank deg"} for side in ("intake", "exhaust")},
    "full_throttle": {"throttle_above": 95},
    "pulls": [{"kind": "sweep", "files": ["log.csv"]}],
}
PHASER: dict[str, Any] = {"travel": [-10.0, 20.0], "slew": {"advance": 80.0, "retard": 80.0}}
WEATHER = {"pressure": "98.7 kPa", "temperature": "64.4 degF", "humidity": 0.55}


def mistakes(folder: Path, **changes: Any) -> tuple[Mistake, ...]:
    with pytest.raises(InputError) as caught:
        project_of(folder, **changes)
    return caught.value.mistakes


def test_units_reach_the_project(tmp_path: Path) -> None:
    project = project_of(tmp_path, crank={"bore": "3.19 in"}, intake={"offset": "-3 cam deg"})
    assert project.crank.bore == pytest.approx(81.026)
    assert project.intake.offset == -6.0


def test_paths_start_from_the_project_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_project(tmp_path)
    monkeypatch.chdir(tmp_path.parent)
    relative = path.relative_to(tmp_path.parent)
    assert load_project(relative).intake.lobe == relative.parent / "intake.csv"
    assert load_project(str(path)).folder == tmp_path


def test_a_project_cannot_be_changed(tmp_path: Path) -> None:
    project = project_of(tmp_path)
    with pytest.raises(ValueError, match="frozen"):
        project.crank.bore = 90.0  # type: ignore[misc]


def test_five_mistakes_give_five_messages(tmp_path: Path) -> None:
    """Each with file, key, what is wrong and the fix; a contradiction between sections is beside the others."""
    found = mistakes(
        tmp_path,
        cylinders=0,
        crank={"rod": "long"},
        intake={"lobe": "missing.csv"},
        exhaust={"lasch": 0.3},
        tables={"rpm": [1000, 3000, 2000]},
    )
    assert len(found) == 5
    assert {mistake.where for mistake in found} == {
        "cylinders",
        "crank.rod",
        "intake.lobe",
        "exhaust.lasch",
        "tables.rpm",
    }
    assert all(mistake.file == tmp_path / "project.toml" and mistake.problem and mistake.hint for mistake in found)
    by_key = {mistake.where: str(mistake) for mistake in found}
    assert "(it is 0)" in by_key["cylinders"]
    assert "'long' is not a number" in by_key["crank.rod"]
    assert by_key["intake.lobe"].count("missing.csv") == 1
    assert "did you mean lash?" in by_key["exhaust.lasch"]
    assert "2000 follows 3000" in by_key["tables.rpm"]


def test_contradictions_are_reported_beside_other_mistakes(tmp_path: Path) -> None:
    found = mistakes(
        tmp_path, name="", firing_order=[1, 3, 3, 2], seats={**SEATS, "intake": {"across": 30.0, "margin": 1}}
    )
    assert [mistake.where for mistake in found] == ["name", "firing_order", "seats.intake"]


@pytest.mark.parametrize(
    ("changes", "key", "near"),
    [
        ({"cylinder": 4}, "cylinder", "cylinders"),
        ({"crank": {"stroek": 86}}, "crank.stroek", "stroke"),
        ({"intake": {"phaser": {"trvel": [0, 40]}}}, "intake.phaser.trvel", "travel"),
        ({"torque": {**TORQUE, "colums": {}}}, "torque.colums", "columns"),
        ({"gap": {"running": {"rod": {"modulous": 205}}}}, "gap.running.rod.modulous", "modulus"),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest_known_one(
    tmp_path: Path, changes: dict[str, Any], key: str, near: str
) -> None:
    (mistake,) = mistakes(tmp_path, **changes)
    assert mistake.where == key
    assert mistake.problem == "unknown key"
    assert mistake.hint.rstrip("?") == f"did you mean {near}"


def test_a_misspelt_key_that_must_be_there_is_one_mistake(tmp_path: Path) -> None:
    (mistake,) = mistakes(tmp_path, crank={"bore": None, "bohre": 81.0})
    assert mistake.where == "crank.bohre"
    assert "bore" in mistake.hint


def test_a_key_near_nothing_is_to_be_taken_out(tmp_path: Path) -> None:
    for key in ("zzz", "file"):
        (mistake,) = mistakes(tmp_path, **{key: 1})
        assert (mistake.where, mistake.problem) == (key, "unknown key")
        assert "take" in mistake.hint


def test_list_entries_are_counted_from_one(tmp_path: Path) -> None:
    pulls = [{"kind": "sweep", "files": ["log.csv"]}, {"kind": "coast", "files": []}]
    found = mistakes(tmp_path, torque={**TORQUE, "pulls": pulls})
    assert {mistake.where for mistake in found} == {"torque.pulls (entry 2).kind", "torque.pulls (entry 2).files"}


@pytest.mark.parametrize(
    ("name", "content", "problem"),
    [
        ("none.toml", None, "there is no such file"),
        (".", None, "this is a folder"),
        ("bad.toml", b"name = 'x'\nbore = 80,5\n", "line 2: is not valid TOML"),
        ("twice.toml", b"name = 'x'\nname = 'y'\n", "not valid TOML"),
        ("latin.toml", "name = 'Müller'".encode("latin-1"), "cannot be read"),
        ("empty.toml", b"", "name: is missing"),
        ("long.toml", b"cylinders = " + b"9" * 5000, "a number too long to read"),
        ("deep.toml", b"a = " + b"[" * 5000, "nested too deeply"),
    ],
)
def test_a_file_that_cannot_be_used_gets_a_message(
    tmp_path: Path, name: str, content: bytes | None, problem: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=problem) as caught:
        load_project(tmp_path / name)
    assert all(mistake.file == tmp_path / name and mistake.hint for mistake in caught.value.mistakes)


def test_a_byte_order_mark_is_tolerated(tmp_path: Path) -> None:
    path = write_project(tmp_path)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load_project(path).name == "a test engine"


CARD: dict[str, Any] = {
    "lift": 10.0,
    "measured_at": "tappet",
    "durations": [{"at": 0.5, "degrees": 240}, {"at": 1.0, "degrees": 220}],
}


@pytest.mark.parametrize(
    ("changes", "key", "fact"),
    [
        ({"crank": {"bore": -81.0}}, "crank.bore", "above 0"),
        ({"crank": {"bore": math.inf}}, "crank.bore", "too large"),
        ({"crank": {"bore": 10**400}}, "crank.bore", "too large"),
        ({"crank": {"bore": 1e9}}, "crank.bore", "below 300"),
        ({"gap": {"running": {"chain": 1e300}}}, "gap.running.chain", "no size"),
        ({"drop": {"exhaust": {"readings": None, "at_tdc": 560.0}}}, "drop.exhaust.at_tdc (entry 1)", "below 25"),
        ({"intake": {"lobe": "a" * 5000}}, "intake.lobe", "there is no file"),
        ({"intake": {"phaser": {"travel": [0.0, 1e9]}}}, "intake.phaser.travel (entry 2)", "180"),
        ({"intake": {"phaser": {"travel": [0, 5, 40]}}}, "intake.phaser.travel", "has 3 entries, takes 2"),
        ({"intake": {"phaser": {"resolution": 1e-9}}}, "intake.phaser.resolution", "0.1"),
        ({"search": {"roughness": math.inf}}, "search.roughness", "finite"),
        ({"search": {"full_load_from": math.nan}}, "search.full_load_from", "finite"),
        ({"tables": {"rpm": [-1000, 3000]}}, "tables.rpm (entry 1)", "above 0"),
        ({"tables": {"load": [0.4, 0.7, 1.0]}}, "tables.load (entry 1)", "5"),
        (
            {"torque": {**TORQUE, "columns": {**TORQUE["columns"], "load": "n"}}},
            "torque.columns",
            "rpm and load both name the column 'n'",
        ),
        (
            {"torque": {**TORQUE, "pulls": [{**TORQUE["pulls"][0], "offsets": {"intake": 900}}]}},
            "torque.pulls (entry 1).offsets.intake",
            "below 90",
        ),
        ({"crank": {"rod": 43.0}}, "crank", "rod 43 mm is not longer than half the stroke"),
        ({"crank": {"rod": 50.0, "pin_offset": 8.0}}, "crank", "plus the pin offset"),
        ({"crank": {"overspeed": 7000}}, "crank", "overspeed 7000 rpm is below redline 7600"),
        ({"intake": {"tilt": 70.0}}, "intake.tilt", "below 60"),
        ({"intake": {"lobe": None}}, "intake", "lobe or card"),
        ({"intake": {"card": CARD}}, "intake", "lobe or card"),
        ({"intake": {"lobe": 7}}, "intake.lobe", "7 is not a file name"),
        ({"intake": {"lobe": None, "card": CARD, "lash": 10.0}}, "intake", "lash 10 mm is not below the lift"),
        ({"intake": {"phaser": {"travel": [40.0, 0.0]}}}, "intake.phaser", "does not run from a least value"),
        ({"intake": {"phaser": {"travel": [5.0, 40.0]}}}, "intake.phaser", "through rest"),
        ({"intake": {"phaser": {"travel": [0.0, 0.0]}}}, "intake.phaser", "does not run"),
        ({"intake": {"phaser": {"resolution": 41.0}}}, "intake.phaser", "more than the whole travel"),
        ({"drop": {"intake": {"readings": None}}}, "drop.intake", "at_tdc"),
        ({"drop": {"intake": {"readings": ["drop_intake.csv"] * 2}}}, "drop.intake", "names a file twice"),
        ({"drop": {"intake": {"clay": {"thickness": 2.0}}}}, "drop.intake.clay.centreline", "is missing"),
        (
            {"drop": {"intake": {"geometry": {"deck": 0.2, "gasket": 1.0, "recession": 1.0, "across": 18.0}}}},
            "drop.intake.geometry",
            "pocket_across",
        ),
        ({"tables": {"load": [40, 40, 100]}}, "tables.load", "40 follows 40"),
        ({"tables": {"load": [100]}}, "tables.load", "has 1 entry, needs 2"),
        (
            {"search": {"weights": [{"rpm": [0, 100], "load": [9, 5], "weight": 1}]}},
            "search.weights (entry 1).load",
            "backwards",
        ),
        ({"torque": {**TORQUE, "full_throttle": {}}}, "torque.full_throttle", "throttle_above or depression_below"),
        (
            {"torque": {**TORQUE, "phases": {"intake": {"sign": 2, "zero": 0, "in": "crank deg"}}}},
            "torque.phases.intake.sign",
            "1 or -1",
        ),
    ],
)
def test_a_section_wrong_by_itself(tmp_path: Path, changes: dict[str, Any], key: str, fact: str) -> None:
    (mistake,) = [m for m in mistakes(tmp_path, **changes) if m.where == key]
    assert fact in mistake.problem
    assert mistake.hint


@pytest.mark.parametrize(
    ("durations", "problem"),
    [
        ([{"at": 0.5, "degrees": 240}, {"at": 0.5, "degrees": 220}], "given twice"),
        ([{"at": 0.5, "degrees": 220}, {"at": 1.0, "degrees": 240}], "not shorter than at 0.5 mm"),
        ([{"at": 1.0, "before": 110, "after": 90}, {"at": 0.5, "before": 105, "after": 120}], "not shorter"),
        ([{"at": 0.5, "degrees": 240}, {"at": 10.0, "degrees": 20}], "not below the peak lift"),
        ([{"at": 0.5, "degrees": 240}, {"at": 1.0, "before": 100}], "either degrees, or before and after"),
        ([{"at": 0.5, "degrees": 240}, {"at": 1.0, "degrees": 200, "before": 100, "after": 100}], "either degrees"),
        ([{"at": 0.5, "degrees": 240}], "has 1 entry, needs 2"),
    ],
)
def test_an_impossible_cam_card(tmp_path: Path, durations: list[dict[str, float]], problem: str) -> None:
    (mistake,) = mistakes(tmp_path, exhaust={"lobe": None, "card": {**CARD, "durations": durations}})
    assert mistake.where.startswith("exhaust.card")
    assert problem in mistake.problem


@pytest.mark.parametrize(
    ("changes", "arrangement"),
    [
        ({}, "both"),
        ({"exhaust": {"phaser": None}}, "intake"),
        ({"intake": {"phaser": None}}, "exhaust"),
        ({"intake": {"phaser": None}, "exhaust": {"phaser": None}, "phaser": PHASER}, "together"),
    ],
)
def test_all_four_arrangements(tmp_path: Path, changes: dict[str, Any], arrangement: str) -> None:
    assert project_of(tmp_path, **changes).arrangement == arrangement


def test_a_whole_torque_section(tmp_path: Path) -> None:
    pulls = [{"kind": "sweep", "files": ["log.csv"], "weather": WEATHER, "offsets": {"intake": "-4 cam deg"}}]
    torque = project_of(tmp_path, torque={**TORQUE, "correction": "SAE J1349", "pulls": pulls}).torque
    assert torque is not None
    (pull,) = torque.pulls
    assert pull.air is not None
    assert pull.air.temperature == pytest.approx(18.0)
    assert pull.offsets.intake == -8.0
    assert pull.offsets.exhaust is None


def test_a_log_that_its_sheet_has_corrected_needs_no_weather(tmp_path: Path) -> None:
    standard = {"correction": "SAE J1349", "already_corrected": "SAE J1349"}
    project = project_of(tmp_path, {"log.csv": "n\n", "next.csv": "n\n"}, torque={**TORQUE, **standard})
    pull, entry = load_pull(tmp_path / "next.csv", project)
    assert entry["files"] == ["next.csv"]
    assert pull.air is None
    measured = project_of(tmp_path, torque={**TORQUE, "correction": "SAE J1349", "weather": WEATHER})
    with pytest.raises(InputError) as caught:
        load_pull(tmp_path / "next.csv", measured)
    (mistake,) = caught.value.mistakes
    assert "--weather" in mistake.hint
    assert "the project's own pulls alone" in mistake.problem  # the weather of their day says nothing of another
