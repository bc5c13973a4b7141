"""`phaseopt check` and what a file's numbers mean: words are heard, contradictions refused, the rest judged every way.

The engine of `engines.PLAIN`: intake travel 0 to 40°, clear up to about 34°; exhaust travel -35 to 0°. Numbers are
chosen so that one meaning is clear and another is not.
"""

from pathlib import Path

import pytest
from engines import write_project
from printed import printed
from typer.testing import CliRunner

from phaseopt.cli import app

ROWS = "rpm\\load (kPa),30,95\n1000,0,0\n4000,5,18\n8000,0,2\n"  # 18 crank degrees are clear, 18 cam degrees are not
SLEW = {"slew": {"advance": 80.0, "retard": 80.0}}
MIDDLE = {"exhaust": {"phaser": {"travel": [-35.0, 35.0], **SLEW}}}  # rests in mid-travel


def check(project: Path, side: str, text: str, *options: str, name: str = "table.csv") -> tuple[int, str]:
    file = project.parent / name
    file.write_text(text, encoding="utf-8")
    result = CliRunner().invoke(app, ["check", str(project), f"--{side}", str(file), *options])
    return result.exit_code, " ".join(result.output.split())


def spans(project: Path, side: str, *options: str, name: str = "table.csv") -> tuple[float, float]:
    """Least and most phase of a cam as judged, read back from the record."""
    box = printed("check", project, f"--{side}", project.parent / name, *options)["verdict"]["box"]
    return box["range"][f"{side}_from"], box["range"][f"{side}_to"]


PLACES = {
    "line above": "Inlet advance (cam degrees)\n" + ROWS,
    "two lines": "Inlet advance\n\n# all values are cam degrees\n" + ROWS,
    "corner": ROWS.replace("rpm\\load (kPa)", "rpm\\load (kPa) | cam degrees advance"),
    "line of units": ROWS.replace("95\n", "95\nadvance,cam deg,cam deg\n"),
    "line below": ROWS + "Advance in cam degrees.\n",
    "German": "Einlaß Frühverstellung [°NW]\n" + ROWS,
}


@pytest.mark.parametrize("place", PLACES)
def test_cam_degrees_are_heard_wherever_they_are_written(tmp_path: Path, place: str) -> None:
    project = write_project(tmp_path)
    assert check(project, "intake", PLACES[place])[0] == 1
    assert spans(project, "intake") == (0, 36)
    code, output = check(project, "intake", PLACES[place], "--intake-in", "crank")
    assert code == 2
    assert all(words in output for words in ("table.csv", "line ", "--intake-in", "cam degrees"))


def test_cam_degrees_are_heard_in_the_name_of_the_file(tmp_path: Path) -> None:
    project = write_project(tmp_path)
    assert check(project, "intake", ROWS, name="inlet_advance-CamDegrees.csv")[0] == 1
    code, output = check(project, "intake", "crank degrees\n" + ROWS, name="inlet_advance-CamDegrees.csv")
    assert (code, "line 1" in output, "--intake-in" in output) == (2, True, True)


def test_degrees_that_nobody_states_have_to_be_clear_as_both(tmp_path: Path) -> None:
    project, text = write_project(tmp_path), "Inlet advance from rest\n" + ROWS
    code, output = check(project, "intake", text)
    assert (code, "--intake-in crank or cam" in output, "--intake-sign" in output) == (2, True, False)
    assert check(project, "intake", text, "--intake-in", "crank")[0] == 0
    assert check(project, "intake", text, "--intake-in", "cam")[0] == 1
    assert check(project, "intake", text.replace("18", "9"))[0] == 0
    assert spans(project, "intake") == (0, 18)  # the one with the least room is the one that is printed


def test_retard_is_heard_where_the_phaser_rests_in_mid_travel(tmp_path: Path) -> None:
    project = write_project(tmp_path, **MIDDLE)
    text = "Exhaust retard, crank degrees, 0 = rest\n" + ROWS
    check(project, "exhaust", text)
    assert spans(project, "exhaust") == (-18, 0)
    code, output = check(project, "exhaust", text, "--exhaust-sign", "1")
    assert (code, "line 1" in output, "--exhaust-sign" in output) == (2, True, True)
    _, output = check(project, "exhaust", text.replace("retard", "phase"))
    assert "+ = advanced; or crank degrees, 0 at rest, + = retarded" in output


def test_a_retard_that_is_all_negative_may_go_either_way(tmp_path: Path) -> None:
    project = write_project(tmp_path, **MIDDLE)
    rows = ROWS.replace(",5,18", ",-5,-33").replace(",0,2", ",0,-2")
    _, output = check(project, "exhaust", "Exhaust retard, crank degrees, 0 = rest\n" + rows)
    assert "+ = advanced; or crank degrees, 0 at rest, + = retarded" in output


@pytest.mark.parametrize(
    ("text", "options", "named"),
    [
        ("Exhaust advance (crank degrees)\n", (), ("line 1", "--exhaust", "exhaust cam")),
        ("Inlet advance (crank degrees)\nAll values in cam degrees\n", (), ("line 2", "--intake-in crank or cam")),
        ("Inlet advance\npositive = retard\n", (), ("line 2", "--intake-sign 1 or -1")),
        ("rest = 5, crank degrees, advance\nrest = 0\n", (), ("line 2", "--intake-zero")),
        ("Inlet retard (crank degrees, 0 = rest)\n", (), ("line 1", "--intake-sign 1 or -1", "0 to 40°")),
        ("Ignition advance (degrees)\n", (), ("line 1", "ignition timing")),
        ("Inlet valve opens BTDC (crank degrees)\n", (), ("line 1", "opening or closing angles")),
        ("Inlet advance in crank degrees, 0 = straight up\n", (), ("line 1", "--intake-zero")),
        ("Inlet cam, degrees ATDC\n", (), ("line 1", "--intake-sign", "--intake-zero")),
        ("Inlet advance, unit 0.1 deg crank\n", (), ("line 1", "another unit than one degree")),
        ("rest = 0, crank degrees, advance\n", ("--intake-zero", "3"), ("line 1", "--intake-zero")),
    ],
)
def test_what_contradicts_is_refused_with_line_and_option(
    tmp_path: Path, text: str, options: tuple[str, ...], named: tuple[str, ...]
) -> None:
    code, output = check(write_project(tmp_path), "intake", text + ROWS.replace("0,0\n", "6,6\n"), *options)
    assert code == 2
    assert output.count("Fix:") == 1
    assert all(words in output for words in ("table.csv", *named)), output


def test_an_option_settles_words_that_contradict_each_other(tmp_path: Path) -> None:
    text = "Inlet advance (crank degrees)\nAll values in cam degrees\n" + ROWS
    project = write_project(tmp_path)
    assert check(project, "intake", text, "--intake-in", "crank")[0] == 0
    assert check(project, "intake", text, "--intake-in", "cam")[0] == 1


def test_centrelines_count_from_the_centreline_at_rest(tmp_path: Path) -> None:
    """Nominal 110° fitted 6° retarded: 116° after TDC at rest, 98° when 18° advanced. Without the offset they would
    leave the travel; before TDC they would be negative."""
    rows = "rpm\\load (kPa),30,95\n1000,116,116\n4000,111,98\n8000,116,114\n"
    project = write_project(tmp_path)
    for options in ((), ("--intake-zero", "116")):
        assert check(project, "intake", "Inlet centreline, degrees ATDC\n" + rows, *options)[0] == 0
        assert spans(project, "intake", *options) == (0, 18)
    assert check(project, "intake", "Inlet centreline, degrees BTDC\n" + rows)[0] == 2


@pytest.mark.parametrize(
    ("corners", "one_kind"),
    [
        (("rpm\\load (kPa)", "rpm\\load (kPa)"), True), (("rpm\\load (kPa)", "rpm\\load (psi)"), False),
        (("rpm\\load (kPa)", "rpm\\throttle (%)"), False), (("rpm\\load (kPa)", "rpm\\load"), False),
        (("rpm\\load", "rpm\\load"), True),
    ],
)  # fmt: skip
def test_loads_in_different_units_are_not_one_kind(tmp_path: Path, corners: tuple[str, str], one_kind: bool) -> None:
    """Then the record has no cells: at each speed any phase of one cam meets any of the other."""
    project = write_project(tmp_path)
    for name, corner, way in (("i", corners[0], "advance"), ("e", corners[1], "retard")):
        text = f"{way} in crank degrees from rest\n" + ROWS.replace("rpm\\load (kPa)", corner)
        (tmp_path / f"{name}.csv").write_text(text)
    found = printed("check", project, "--intake", tmp_path / "i.csv", "--exhaust", tmp_path / "e.csv")["verdict"]
    assert (found["cells"] is not None, found["speeds"] is not None) == (one_kind, not one_kind)
    assert found["box"]["range"]["intake_to"] == 18
    assert found["box"]["range"]["exhaust_from"] == -18


@pytest.mark.parametrize("speed", ["rpm x 1000", "rpm/1000", "U/min × 1000"])
def test_speeds_in_thousands(tmp_path: Path, speed: str) -> None:
    project = write_project(tmp_path)
    rows = f"{speed}\\MAP kPa,30,95\n1,0,0\n4,5,18\n8,0,2\n"
    assert check(project, "intake", "advance in crank degrees\n" + rows)[0] == 0
    assert check(project, "intake", "advance in crank degrees\n" + rows.replace("\n8,", "\n8000,"))[0] == 2


def test_nearest_tables_keep_the_unit_of_load(tmp_path: Path) -> None:
    """What is written for loads in psi says so in the corner, and reads back as itself."""
    project = write_project(tmp_path)
    text = "Inlet advance in crank degrees\nrpm\\load (psi),4,14\n1000,0,0\n4000,5,38\n8000,0,36\n"
    assert check(project, "intake", text, "--nearest", str(tmp_path / "near"))[0] == 1
    written = tmp_path / "near" / "intake_phase.csv"
    assert "psi" in written.read_text(encoding="utf-8").splitlines()[0]
    assert "kPa" not in (tmp_path / "near" / "intake_phase.csv-metadata.json").read_text(encoding="utf-8")
    alone = tmp_path / "alone.csv"
    alone.write_bytes(written.read_bytes())
    for file in (written, alone):
        assert printed("check", project, "--intake", file)["verdict"]["clear"]
