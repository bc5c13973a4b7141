"""`phaseopt check` on tables from anywhere, as a user runs it: what is printed, and the exit code."""

from pathlib import Path
from typing import Any

import pytest
from engines import SEATS, write_project
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.clearance import contact_model, phase_limits
from phaseopt.cli import app
from phaseopt.project.load import load_project

ACROSS = "Exhaust retard;;;\r\n;8000;4000;1000\r\n95,5;5;10;0\r\n30;0;2,5;0\r\n"
NEUTRAL = "rpm\\load_kPa"  # the corner of the neutral format, which says how it counts
STATED = ["--intake-in", "crank", "--intake-sign", "1"]
ROWS = "rpm\\load,30,60,95.5\n1000,0,0,5\n4000,5,5,10\n8000,0,0,2\n"
DOWN = f"crank degrees 0 at rest\n{ROWS}"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["check", *(str(argument) for argument in arguments)])


def everything(found: dict[str, Any]) -> str:
    """All that the record of a check says in words."""
    verdict = found["verdict"]
    words = [*found["read_as"]["intake"], *found["read_as"]["exhaust"], *found["notes"], verdict["closest"] or ""]
    return "\n".join([*words, verdict["box"]["sentence"], (verdict["neighbours"] or {}).get("sentence", "")])


def test_what_is_printed(tmp_path: Path) -> None:
    """The sentences of `check`, in the order in which they are read."""
    (tmp_path / "t.csv").write_text("crank degrees advanced\nrpm\\load,30,95.5\n1000,0,0\n4000,5,39.5\n8000,0,0\n")
    printed_text = run(write_project(tmp_path), "--intake", tmp_path / "t.csv", "--exhaust-at", "-2").output
    flat = " ".join(printed_text.replace(str(tmp_path), "").split())
    places = [
        flat.index(words)
        for words in (
            "a test engine: tables against the contact limits The tables are NOT CLEAR. Do not load them. Full",
            "The tables are the only guard.",
            "Cells 5 of 6 CLEAR. Closest: intake to piston at least",
            "Cells that are not clear rpm load intake exhaust verdict limited by under by, mm",
            "4000 95.5 +39.5° -2° TIGHT",
            "Between cells TIGHT: intake 0° to +39.5° and exhaust -2° to 0° in any combination, up to 8400 rpm",
            "Full travel The intake cam needs",
            "If stuck TIGHT: ",
            "Intake table /t.csv. Read: cells separated by commas, decimal points; rpm runs down, as the corner cell",
            "Exhaust table No file: the cam is at -2° everywhere, as stated",
            "Notes 1 cell is between the controller's steps of 1° in the intake table.",
            "Not covered cam timing",
            "Cautions Calculated from your numbers. Check every cylinder by hand",
        )
    ]
    assert places == sorted(places)


def test_what_was_not_judged_is_on_the_screen(tmp_path: Path) -> None:
    """Four notes on what a controller cannot hold; a screen shows three."""
    (tmp_path / "t.csv").write_text("rpm\\load,30,100\n1000,0.5,0.5\n8000,0.5,0.5\n")
    (tmp_path / "e.csv").write_text("rpm\\load,30,100\n1000,-0.5,-0.5\n8000,-0.5,-0.5\n")
    still: dict[str, Any] = {"phaser": {"rest_until": 1500}}
    project = write_project(tmp_path, intake=still, exhaust=still)
    stated = [f"--{side}-{key}" for side in ("intake", "exhaust") for key in ("sign=1", "zero=0", "in=crank")]
    text = run(project, "--intake", tmp_path / "t.csv", "--exhaust", tmp_path / "e.csv", *stated).output
    flat = " ".join(text.split())
    assert all(f"steps of 1° in the {side} table" in flat for side in ("intake", "exhaust")), text


def test_every_guess_is_stated(tmp_path: Path) -> None:
    project = write_project(tmp_path)
    (tmp_path / "down.csv").write_text(DOWN)
    (tmp_path / "across.csv").write_text(ACROSS, encoding="utf-8-sig")
    given = ("--intake", tmp_path / "down.csv", "--exhaust", tmp_path / "across.csv")
    refused = run(project, *given, "--exhaust-sign", "1")
    assert refused.exit_code == 2
    assert refused.output.count("Fix:") == 1
    assert all(words in refused.output for words in ("across.csv", "line 1", "--exhaust-sign", "Exhaust retard"))
    found = printed("check", project, *given)
    assert found["verdict"]["clear"]
    for words in (
        'rpm runs down, as the corner cell "rpm\\load" says',
        "rpm runs across: only that axis ends between 3800 and 16800",
        "semicolons",
        "rpm descends",
        "load descends",
        "crank degrees, 0 at rest, + = advanced",
        "crank degrees, 0 at rest, + = retarded; or cam degrees, 0 at rest, + = retarded",
        'line 1 "Exhaust retard"',
        "the unit of load is not stated",
        "at each speed any phase of one cam may meet any of the other",
    ):
        assert words in everything(found)


def test_an_ambiguous_table_is_refused_with_the_option_that_settles_it(tmp_path: Path) -> None:
    project = write_project(tmp_path)
    (tmp_path / "t.csv").write_text("x,1000,8000\n500,0,1\n6000,0,1\n")
    refused = run(project, "--intake", tmp_path / "t.csv")
    assert refused.exit_code == 2
    assert "--rpm across or --rpm down" in refused.output
    for way in ("across", "down"):
        stated = ("--rpm", way, "--intake-in", "crank", "--intake-sign", "1")
        found = printed("check", project, "--intake", tmp_path / "t.csv", *stated)["read_as"]
        assert f"rpm runs {way}, as stated" in found["intake"]
        assert "at rest everywhere" in found["exhaust"][0]


def test_two_cells_clear_alone_and_short_together_exit_1_and_are_named(tmp_path: Path) -> None:
    seats = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
    project = write_project(tmp_path, seats=seats)
    boxes = phase_limits(contact_model(load_project(project))).boxes
    early, late = boxes[0], boxes[-1]
    intake, exhaust = (max(early.intake_to, late.intake_to), min(early.exhaust_from, late.exhaust_from))
    (tmp_path / "i.csv").write_text(f"{NEUTRAL},30,100\n1000,0,0\n3000,{intake},0\n8000,0,0\n")
    (tmp_path / "e.csv").write_text(f"{NEUTRAL},30,100\n1000,0,0\n3000,0,0\n8000,0,{exhaust}\n")
    found = run(project, "--intake", tmp_path / "i.csv", "--exhaust", tmp_path / "e.csv")
    assert found.exit_code == 1
    named = f"intake {intake:g}° of 3000 rpm, load 30 with exhaust {exhaust:g}° of 8000 rpm, load 100"
    as_json = printed("check", project, "--intake", tmp_path / "i.csv", "--exhaust", tmp_path / "e.csv")
    assert as_json["verdict"]["box"]["broken_by"].startswith(named)
    assert as_json["verdict"]["cells"] == {"clear": 6, "tight": 0, "hits": 0, "outside_travel": 0}
    assert as_json["read_as"]["intake"]


@pytest.mark.parametrize(
    ("changes", "arguments", "code", "words"),
    [
        ({"exhaust": {"phaser": None}}, ["--intake", "down.csv"], 0, "the cam has no phaser"),
        ({"exhaust": {"phaser": None}}, ["--intake", "down.csv", "--exhaust", "down.csv"], 1, "OUTSIDE TRAVEL"),
        ({}, ["--intake", "down.csv", "--exhaust-at", "-5"], 0, "the cam is at -5°"),
        ({}, ["--intake", "down.csv", "--exhaust-at", "5"], 1, "OUTSIDE TRAVEL"),
        ({}, ["--intake", "rows.csv", "--intake-in", "cam", "--intake-sign", "1"], 0, "read as cam degrees"),
        ({}, ["--intake", "down.csv", "--intake-in", "cam"], 2, "line 1"),
        ({}, ["--intake", "rows.csv", *STATED, "--intake-zero", "-40"], 1, "HITS: intake 0° to"),
        ({}, ["--intake", "rows.csv", *STATED, "--intake-zero", "-40"], 1, "40 to 50° leaves the intake travel"),
        ({}, ["--exhaust", "down.csv", "--exhaust-sign", "-1"], 0, "+ = retarded"),
        ({}, ["--intake", "clamps.csv", "--intake-in", "crank"], 0, "CLEAR: intake 0° to +10°, up to 8400 rpm"),
        ({}, ["--intake", "clamps.csv"], 0, "CLEAR: intake 0° to +20°, up to 8400 rpm"),
        ({"intake": {"offset": 22.0}}, ["--intake", "clamps.csv"], 1, "TIGHT: intake 0° to +10°"),
        ({}, ["--intake", "clamps.csv", "--intake-sign", "2"], 2, "--intake-sign"),
        ({}, [], 2, "--intake"),
    ],
)
def test_one_table_and_clamps(
    tmp_path: Path, changes: dict[str, dict[str, object]], arguments: list[str], code: int, words: str
) -> None:
    """The other cam fixed, at rest or at a stated phase; clamps in two columns, their degrees stated or not."""
    (tmp_path / "down.csv").write_text(DOWN)
    (tmp_path / "rows.csv").write_text(ROWS)
    (tmp_path / "clamps.csv").write_text("rpm,most advanced\n1000,5\n4000,10\n8000,2\n")
    given = [tmp_path / word if word.endswith(".csv") else word for word in arguments]
    project = write_project(tmp_path, **changes)
    assert run(project, *given).exit_code == code
    if code == 2:
        assert words in run(project, *given).output
        return
    found = printed("check", project, *given)
    assert words in everything(found)
    assert found["verdict"]["clear"] is (code == 0)


def test_a_single_cam_moved_by_one_phaser(tmp_path: Path) -> None:
    """One camshaft with both sets of lobes: one table is both cams', two that differ are not clear."""
    phaser = {"travel": [-20.0, 20.0], "slew": {"advance": 80.0, "retard": 80.0}}
    project = write_project(tmp_path, intake={"phaser": None}, exhaust={"phaser": None}, phaser=phaser)
    (tmp_path / "down.csv").write_text(DOWN)
    (tmp_path / "other.csv").write_text(DOWN.replace("10", "9"))
    for side in ("--intake", "--exhaust"):
        found = printed("check", project, side, tmp_path / "down.csv", f"{side}-sign", "1")
        assert found["verdict"]["clear"]
        assert "one phaser moves both cams" in everything(found)
        assert "both cams 0° to +10°" in found["verdict"]["box"]["sentence"]
    signs = ("--intake-sign", "1", "--exhaust-sign", "1")
    parted = (project, "--intake", tmp_path / "down.csv", "--exhaust", tmp_path / "other.csv", *signs)
    assert run(*parted).exit_code == 1
    assert printed("check", *parted)["verdict"]["cells"]["outside_travel"] > 0


def test_the_looser_rule_between_cells_is_chosen_by_name_and_shown(tmp_path: Path) -> None:
    """The same two cells, far apart: refused by default, accepted by name where phasers follow, not called clear."""
    seats = {side: {**SEATS[side], "across": sign * 15.6} for side, sign in (("intake", 1), ("exhaust", -1))}
    project = write_project(tmp_path, seats=seats)
    boxes = phase_limits(contact_model(load_project(project))).boxes
    intake, exhaust = max(box.intake_to for box in boxes), min(box.exhaust_from for box in boxes)
    (tmp_path / "i.csv").write_text(f"{NEUTRAL},30,100\n1000,0,0\n3000,{intake},0\n5000,0,0\n7000,0,0\n8000,0,0\n")
    (tmp_path / "e.csv").write_text(f"{NEUTRAL},30,100\n1000,0,0\n3000,0,0\n5000,0,0\n7000,0,0\n8000,0,{exhaust}\n")
    arguments = (project, "--intake", tmp_path / "i.csv", "--exhaust", tmp_path / "e.csv")
    assert run(*arguments).exit_code == 1
    slow = {"between": "neighbouring cells", "fastest_crossing": 2000}
    write_project(tmp_path, seats=seats, gap=slow | {"fastest_crossing": 15000})
    assert "the phasers cannot follow" in " ".join(run(*arguments).output.split())
    write_project(tmp_path, seats=seats, gap=slow)
    found = run(*arguments)
    assert found.exit_code == 0, found.output
    assert "NOT CLEAR in any combination" in found.output
    shown = printed("check", *arguments)["verdict"]
    assert (shown["clear"], shown["accepted"], shown["neighbours"]["verdict"]) == (False, True, "clear")
    write_project(tmp_path, seats=seats, gap={"between": "neighbors"})
    assert run(*arguments).exit_code == 2


def test_faults_are_shown_and_not_counted_in_the_exit_code(tmp_path: Path) -> None:
    (tmp_path / "down.csv").write_text(DOWN)
    project = write_project(tmp_path)
    found = run(project, "--intake", tmp_path / "down.csv")
    assert found.exit_code == 0
    as_json = printed("check", project, "--intake", tmp_path / "down.csv")["verdict"]
    assert as_json["clear"]
    assert as_json["faults"][0]["verdict"] == "tight"
    assert as_json["faults"][0]["for_clear"][0]["side"] == "intake"
    clamped = printed("limits", project)["faults"][0]
    for fault, follows in ((as_json["faults"][0], "its table"), (clamped, "its clamps")):
        assert fault["box"]["intake_from"] == fault["box"]["intake_to"] == 40.0
        assert fault["name"].endswith(follows)


def spoiled(folder: Path) -> tuple[Path, list[object]]:
    """A project, and options that name a pair of tables with three cells that are not clear."""
    project = write_project(folder)
    (folder / "i.csv").write_text("rpm\\load_kPa,30,100\n1000,0,10\n3000,38,40\n8000,0,36.5\n")
    (folder / "e.csv").write_text("rpm\\load_kPa,30,100\n1000,0,0\n3000,-3,0\n8000,0,-12\n")
    counts = [f"--{side}-{name}" for side in ("intake", "exhaust") for name in ("sign", "zero", "in")]
    stated = [word for option, value in zip(counts, ("1", "0", "crank") * 2, strict=True) for word in (option, value)]
    return project, ["--intake", folder / "i.csv", "--exhaust", folder / "e.csv", *stated]


def written(folder: Path) -> list[object]:
    return ["--intake", folder / "intake_phase.csv", "--exhaust", folder / "exhaust_phase.csv"]


def test_cells_that_are_not_clear_show_how_far_to_go_back(tmp_path: Path) -> None:
    """On this engine the intake may go to 34° beside any exhaust phase: valve to valve is not covered."""
    project, pair = spoiled(tmp_path)
    found = printed("check", project, *pair)
    assert found["nearest"] is None
    assert [(each["rpm"], each["load"], each["intake"]) for each in found["ways_back"]] == [
        (3000, 30, 38), (3000, 100, 40), (8000, 100, 36.5)
    ]  # fmt: skip
    assert [each["intake_alone"] for each in found["ways_back"]] == [34, 34, 34]
    assert [each["exhaust_alone"] for each in found["ways_back"]] == [None] * 3
    assert [each["both"] for each in found["ways_back"]] == [[34, -3], [34, 0], [34, -12]]
    shown = " ".join(run(project, *pair).output.split())
    assert "Moving intake alone clears 3 of 3 cells, 6° at most." in shown
    assert "Moving exhaust alone clears none." in shown
    assert "cell by cell" in run(project, *pair, "--verbose").output
    assert printed("check", project, "--intake-at", "5", "--exhaust", tmp_path / "e.csv", *pair[10:])["ways_back"] == []


def test_the_nearest_clear_tables_are_written_and_check_clear(tmp_path: Path) -> None:
    project, pair = spoiled(tmp_path)
    place = tmp_path / "near"
    found = run(project, *pair, "--nearest", place)
    assert found.exit_code == 1  # the tables given are not clear
    assert "3 cells moved, 6° at most, 12.5° in all." in " ".join(found.output.split())
    assert run(project, *written(place)).exit_code == 0
    assert (place / "intake_phase.csv").read_bytes().endswith(b"\r\n3000,34,34\r\n8000,0,34\r\n")
    assert (place / "exhaust_phase.csv").read_bytes().endswith(b"\r\n3000,-3,0\r\n8000,0,-12\r\n")
    as_json = printed("check", project, *pair, "--nearest", place)  # again, over what it wrote
    assert as_json["written"] == [str(place)]
    assert (as_json["nearest"]["largest"], as_json["nearest"]["total"]) == (6, 12.5)
    assert as_json["nearest"]["moved"][0] == {
        "rpm": 3000, "load": 30, "intake": 38, "exhaust": -3, "intake_to": 34, "exhaust_to": -3
    }  # fmt: skip


def test_clear_tables_have_nothing_to_do_and_write_nothing(tmp_path: Path) -> None:
    project, pair = spoiled(tmp_path)
    assert run(project, *pair, "--nearest", tmp_path / "near").exit_code == 1
    again = run(project, *written(tmp_path / "near"), "--nearest", tmp_path / "more")
    assert again.exit_code == 0
    assert "Nothing to do" in again.output
    assert not (tmp_path / "more").exists()


@pytest.mark.parametrize(
    ("changes", "option", "words"),
    [
        ({}, ["--intake", "clamps.csv"], "clamps by speed"),
        ({"intake": {"offset": 40.0}}, [], "intake.offset"),
        ({}, ["--nearest", "."], "--nearest"),
        ({"intake": {"offset": 12.0}}, ["--intake", "silent.csv"], "not known which tables to go back from"),
    ],
)
def test_nearest_is_refused_with_why_and_nothing_is_written(
    tmp_path: Path, changes: dict[str, dict[str, object]], option: list[str], words: str
) -> None:
    """Clamps, an engine that no table is clear on, a folder with other files, a table that may mean two things."""
    project, pair = spoiled(tmp_path)
    write_project(tmp_path, **changes)
    (tmp_path / "clamps.csv").write_text("rpm,from,to\n1000,0,5\n4000,0,39\n8000,0,2\n")
    (tmp_path / "silent.csv").write_text("rpm/kPa,30,100\n1000,0,15\n3000,15,19.5\n8000,0,18\n")
    given = {"--intake": pair[1], "--exhaust": pair[3], "--nearest": tmp_path / "near"}
    if option:
        given[option[0]] = tmp_path / option[1]
    stated = pair[4:] if not option or option[0] != "--intake" else pair[10:]
    arguments = [word for both in given.items() for word in both]
    refused = run(project, *arguments, *stated)
    assert refused.exit_code == 2, refused.output
    assert words in " ".join(refused.output.split())
    assert not (tmp_path / "near").exists()


def test_the_tables_of_a_directory_are_checked_as_if_named_one_by_one(tmp_path: Path) -> None:
    project = write_project(tmp_path, gap={"tables_only_guard": True})
    for side in ("intake", "exhaust"):
        (tmp_path / f"{side}_phase.csv").write_text(DOWN.replace("5", "0"), encoding="utf-8")
    both = ("--intake", tmp_path / "intake_phase.csv", "--exhaust", tmp_path / "exhaust_phase.csv")
    assert run(project, "--tables", tmp_path).output == run(project, *both).output
    refused = run(project, "--tables", tmp_path, *both[:2])
    assert refused.exit_code == 2
    assert "--tables" in refused.output
