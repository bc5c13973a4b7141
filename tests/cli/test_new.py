"""`phaseopt new` and the sheets of `limits` and `check`, as a user runs them: exit codes, messages, files."""

import itertools
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from engines import write_project
from hillclimb import HILLCLIMB
from printed import require_documented
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.output.fresh import write_fresh
from phaseopt.project.answers import Answers
from phaseopt.project.blank import blank_files, blank_project, section_names, section_text
from phaseopt.project.degree_in import DegreeIn
from phaseopt.project.drops import Clay
from phaseopt.project.keys import keys
from phaseopt.project.load import load_project
from phaseopt.project.questions import answers_of, questions
from phaseopt.project.rules import StaticGaps
from phaseopt.project.search_settings import Report
from phaseopt.values.display_units import SHOWN
from phaseopt.values.errors import InputError

FILES = {
    "project.toml", "intake_lobe.csv", "exhaust_lobe.csv", "intake_drop.csv", "exhaust_drop.csv",
    "measuring_sheet.html",
}  # fmt: skip
TABLE = "rpm\\load_kPa,40,100\r\n1000,{0},{1}\r\n8000,{0},{1}\r\n"


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def test_new_writes_a_project_to_fill_in(tmp_path: Path) -> None:
    result = run("new", tmp_path / "deep" / "mine", "--yes")
    assert result.exit_code == 0, result.output
    assert {path.name for path in (tmp_path / "deep" / "mine").iterdir()} == FILES | {"logs"}
    assert str(tmp_path / "deep" / "mine" / "project.toml") in result.output


PRINTED = {
    "--yes": (
        "A project to fill in.", "Next Print measuring_sheet.html", "Fill in project.toml and the CSV files.",
        "Then run phaseopt next.", "phaseopt next /mine/project.toml",
        "Written",
    ),
    "--example": (
        "An invented hill-climb car: 39 files, ready to build.", "Copy nothing in it to a real engine.",
        "Next The first build simulates the engine", "phaseopt limits /mine/project.toml",
        "phaseopt build /mine/project.toml --out /mine/out", "Written",
    ),
}  # fmt: skip


@pytest.mark.parametrize("option", PRINTED)
def test_what_is_printed(tmp_path: Path, option: str) -> None:
    """The sentences of `new`, in the order in which they are read."""
    flat = " ".join(run("new", tmp_path / "mine", option).output.replace(str(tmp_path), "").split())
    places = [flat.index(words) for words in PRINTED[option]]
    assert places == sorted(places)


def test_new_takes_an_empty_directory_and_overwrites_nothing(tmp_path: Path) -> None:
    assert run("new", tmp_path, "--yes").exit_code == 0
    (tmp_path / "project.toml").write_text("mine", encoding="utf-8")
    again = run("new", tmp_path, "--yes")
    assert again.exit_code == 2
    assert "nothing is overwritten" in again.output
    assert (tmp_path / "project.toml").read_text(encoding="utf-8") == "mine"
    (tmp_path / "file").write_text("x", encoding="utf-8")
    on_a_file = run("new", tmp_path / "file", "--yes")
    assert on_a_file.exit_code == 2
    assert "not a directory" in on_a_file.output
    inside_a_file = run("new", tmp_path / "file" / "below", "--yes")
    assert inside_a_file.exit_code == 2


def test_what_is_still_open_is_named_and_nothing_else(tmp_path: Path) -> None:
    run("new", tmp_path, "--yes")
    result = run("limits", tmp_path / "project.toml")
    assert result.exit_code == 2
    *messages, count = result.output.splitlines()
    assert all("is blank. Fix: give " in message for message in messages)
    with pytest.raises(InputError) as refused:
        load_project(tmp_path / "project.toml")
    open_keys = [mistake.where for mistake in refused.value.mistakes]
    text = (tmp_path / "project.toml").read_text(encoding="utf-8")
    assert len(open_keys) == len(re.findall(r'^\w+ = \[?"\?"', text, re.MULTILINE))
    assert {"name", "crank.bore", "intake.offset", "exhaust.lash", "torque.units.load"} <= set(open_keys)
    for_limits = [key for key in open_keys if not key.startswith("torque") and ".slew" not in key]
    assert int(count.split()[0]) == len(for_limits)


def all_keys() -> str:
    """What `phaseopt keys` prints of every section."""
    top = [name for name in section_names() if "." not in name]
    return "\n".join(section_text(name) for name in ("", *top))


def test_every_key_is_there_with_its_meaning() -> None:
    text = all_keys()
    flat = " ".join(line.lstrip("#").strip() for line in text.splitlines())
    for key in keys():
        assert " ".join(key.meaning.split()) in flat, key
    found, section = set(), ""
    for line in text.splitlines():
        if head := re.fullmatch(r"(?:# )?\[(\[?)([\w.]+)\]?\]", line):
            section = head[2] + "."
        elif value := re.match(r"(?:# )?(\w+) = ", line):
            found.add(section + value[1])
    assert found == {key.name.replace("[]", "") for key in keys()}


def test_every_line_that_holds_a_key_can_be_taken_into_use() -> None:
    """With the # taken away everywhere, it is still TOML: what stands there is a value."""
    lines = [line.removeprefix("# ") for line in all_keys().splitlines()]
    assert tomllib.loads("\n".join(lines))["seats"]["error"] == 0.25


@pytest.mark.parametrize("name", ["gap.static", "report", "drop.intake.clay"])
def test_a_default_pasted_into_a_project_in_inches_stays_what_it_is(name: str) -> None:
    lines = [line.removeprefix("# ") for line in section_text(name, "inch").splitlines()]
    found = tomllib.loads("\n".join(lines))
    for part in name.split("."):
        found = found[part]
    model = {"gap.static": StaticGaps, "report": Report, "drop.intake.clay": Clay}[name]
    given = {"thickness": "2 mm", "centreline": 110.0} if model is Clay else {}
    stated = {key: value for key, value in found.items() if value != "?"}
    assert model.model_validate({**given, **stated}, context={"units": "inch"}) == model.model_validate(
        given, context={"units": "inch"}
    )


def test_keys_are_printed_by_section() -> None:
    assert "# rate = 0.1" in section_text("gap.running") or "loft" in section_text("gap.running")
    listed = run("keys")
    assert listed.exit_code == 0
    assert {"crank", "gap.running", "torque.dyno"} <= set(listed.output.replace(",", " ").split())
    assert "# bore = " in run("keys", "crank").output
    assert "bore, in" in run("keys", "crank", "--inch").output
    wrong = run("keys", "cranks")
    assert wrong.exit_code == 2
    assert "did you mean crank?" in wrong.output
    require_documented("keys", json.loads(run("keys", "crank", "--json").output))


@pytest.mark.parametrize("units", ["metric", "inch"])
def test_the_file_is_short(units: Any) -> None:
    assert len(blank_project(Answers(units=units)).splitlines()) <= 120


def filled(text: str, values: dict[str, Any]) -> str:
    """A project with the values of another in its blanks."""
    lines, section = [], ""
    for line in text.splitlines():
        if head := re.fullmatch(r"\[\[?([\w.]+)\]\]?", line):
            section = head[1]
        if key := re.match(r'(\w+) = \[?"\?"', line):
            value: Any = values
            for name in (*filter(None, section.split(".")), key[1]):
                value = (value[0] if isinstance(value, list) else value)[name]
            line = f"{key[1]} = {json.dumps(value)}"
        lines.append(line)
    return "\n".join(lines) + "\n"


def test_filled_in_with_the_example_it_builds(tmp_path: Path) -> None:
    """Every blank from the example, its lobes, readings and pulls: a project as a builder would fill it in."""
    folder, example = tmp_path / "mine", HILLCLIMB.parent
    run("new", folder, "--yes")
    path = folder / "project.toml"
    source = HILLCLIMB.read_text(encoding="utf-8")
    values = tomllib.loads(source)
    values["torque"]["weather"] = values["torque"]["pulls"][0]["weather"]
    text = filled(path.read_text(encoding="utf-8"), values)
    pulls = source[source.index("[[torque.pulls]]") :]
    text = f"{text}\n[gap]\ntables_only_guard = true\n\n{pulls}".replace('"dyno/', f'"{example.as_posix()}/dyno/')
    path.write_text(text, encoding="utf-8")
    project = load_project(path)
    assert (project.crank.bore, project.intake.offset, project.torque.units.torque) == (81.5, -12.0, "lbf ft")
    lobes = run("limits", path)
    assert lobes.exit_code == 2
    assert "intake_lobe.csv: the file has a header and no rows" in lobes.output
    for side in ("intake", "exhaust"):
        (folder / f"{side}_lobe.csv").write_text((example / "lobes" / f"{side}.csv").read_text(encoding="utf-8"))
    drops = run("limits", path)
    assert drops.exit_code == 2
    assert "intake_drop.csv: line 2: drop_mm is empty" in drops.output
    for side in ("intake", "exhaust"):
        readings = (example / "drops" / f"{side}.csv").read_text(encoding="utf-8").splitlines()
        (folder / f"{side}_drop.csv").write_text(
            "\n".join([f"{readings[0]},cylinder", *(f"{r},1" for r in readings[1:])])
        )
    built = run("build", path, "--out", tmp_path / "out")
    assert built.exit_code == 0, built.output
    assert (tmp_path / "out" / "intake_phase.csv").exists()


# A value for every blank that any answers leave, by the end of its key; all invented.
ANY: dict[str, Any] = {
    **dict.fromkeys(("head_diameter", "tilt", "length", "start"), 30.0),
    "name": "x", "cylinders": 4, "bore": 81.0, "stroke": 86.0, "rod": 137.0, "compression_ratio": 11.0,
    "redline": 7000, "valves": 2, "throat": 26.0, "firing_order": [1, 3, 4, 2],
    "tilt": 12.0, "lash": 0.2, "centreline": 110.0, "offset": 0.0, "travel": [-20, 20],
    "advance": 80.0, "retard": 80.0, "reciprocating_mass": 430.0, "section": 165.0, "lift": 9.0,
    "measured_at": "tappet", "at_tdc": 5.1, "thickness": 2.2, "stem": 5.5, "plenum_volume": 8.0,
    "throttle": "tps", "time": "t", "files": ["log.csv"], "sign": 1, "zero": 0.0, "in": "crank deg",
    "pressure": 99.0, "temperature": 20.0, "humidity": 0.5,
}  # fmt: skip


OWN_UNIT = {
    **dict.fromkeys(("bore", "stroke", "rod", "head_diameter", "lash", "at_tdc", "thickness", "throat", "stem"), "mm"),
    **dict.fromkeys(("length", "start", "lift", "at"), "mm"),
    "section": "mm^2", "pressure": "kPa", "temperature": "degC",
}  # fmt: skip


@pytest.mark.parametrize("moves", ["both", "intake", "exhaust", "together"])
@pytest.mark.parametrize("torque", ["pulls", "simulation", "both"])
def test_whatever_is_answered_it_loads_once_filled_in(tmp_path: Path, moves: Any, torque: Any) -> None:
    for lobes, drop, units in itertools.product(("files", "card"), ("readings", "at TDC", "clay"), ("metric", "inch")):
        answers = Answers(moves, lobes, drop, torque, units)
        for name, text in blank_files(answers).items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        (tmp_path / "logs").mkdir(exist_ok=True)
        path = tmp_path / "project.toml"
        lines, section, cards = [], "", 0
        for line in path.read_text(encoding="utf-8").splitlines():
            if head := re.fullmatch(r"\[\[?([\w.]+)\]\]?", line):
                section, cards = head[1], cards + line.endswith("durations]]")
            if key := re.match(r'(\w+) = \[?"\?"', line):
                named = section == "torque.columns"
                value = f"{key[1]} column" if named else {"rpm": [1000, 7000], **ANY}.get(key[1])
                if section.endswith("durations"):
                    value = (1.0 + cards % 2) if key[1] == "at" else 240 - 20 * (cards % 2)
                if section == "torque.units":
                    value = {"torque": "N m", "load": "kPa"}[key[1]]
                if units == "inch" and key[1] in OWN_UNIT:
                    value = f"{value} {OWN_UNIT[key[1]]}"
                line = f"{key[1]} = {json.dumps(value)}"
            lines.append(line)
        path.write_text("\n".join(lines), encoding="utf-8")
        project = load_project(path)
        assert project.arrangement == moves
        assert (project.torque is not None, project.cycle is not None) == (torque != "simulation", torque != "pulls")
        assert (project.intake.card is not None, project.display_units) == (lobes == "card", SHOWN[units])


def test_a_degree_in_check_is_offered_and_can_be_taken_into_use() -> None:
    """The lines without their mark are keys of the project, which read once they are filled in."""
    for units, unit in (("metric", "mm"), ("inch", "in")):
        text = blank_project(Answers(units=units))
        (block,) = re.findall(r"^## Cams degreed in\?.*?\n((?:# .*\n)+)", text, re.MULTILINE)
        assert f"gauge in {unit}," in text
        keys = tomllib.loads(re.sub("^# ", "", block, flags=re.MULTILINE))["intake"]["degree_in"]
        assert {"lifts", "full_lift"} == set(keys)
        filled = {"lifts": [dict.fromkeys(line, "5 mm") | {"opening": 40, "closing": 200} for line in keys["lifts"]]}
        read = DegreeIn.model_validate(filled | {"full_lift": "10 mm"}, context={"units": units})
        assert len(read.lifts) == 2


def test_only_what_the_answers_call_for_stands() -> None:
    stated = blank_project(Answers("intake", drop="at TDC", torque="simulation"))
    sections = re.findall(r"^\[\[?([\w.]+)\]\]?$", stated, re.MULTILINE)
    assert {"intake.phaser", "cycle.intake", "drop.exhaust"} <= set(sections)
    assert not {"exhaust.phaser", "phaser", "torque", "intake.card", "seats"} & set(sections)


def test_without_a_terminal_it_says_what_to_do(tmp_path: Path) -> None:
    result = run("new", tmp_path / "mine")
    assert result.exit_code == 2
    assert "--yes" in result.output
    assert not (tmp_path / "mine").exists()
    assert run("new", tmp_path / "mine", "--yes", "--example").exit_code == 2


def test_the_example_stands_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = run("new", tmp_path / "car", "--example")
    assert result.exit_code == 0, result.output
    monkeypatch.chdir(tmp_path)
    assert run("limits", Path("car") / "project.toml", "--quiet").exit_code == 0
    assert load_project(Path("car") / "project.toml").tables.baseline is not None


def answered(monkeypatch: pytest.MonkeyPatch, folder: Path, *lines: str) -> Result:
    """`new` as on a terminal, with these answers."""
    monkeypatch.setattr("phaseopt.cli.questions.on_a_terminal", lambda: True)
    return CliRunner().invoke(app, ["new", str(folder)], input="".join(f"{line}\n" for line in lines))


def test_answers_are_checked_as_they_are_given(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = (
        "inch", "A four", "4.5", "4", "-1 3", "3.2", "3.2 x 3.39", "1.5", "5.39", "7400", "1000 7400",
        "9", "3", "400", "-20 cam deg", "2", "?", "12 14", "at", "", "110 104", "-12 8", "8 10", "8 thou x .010",
        "at TDC", "430", ".26", "", "wheel",
    )  # fmt: skip
    result = answered(monkeypatch, tmp_path / "mine", *lines)
    assert result.exit_code == 0, result.output
    for shown in (
        "a whole number",
        "must be above 0",
        "'3.2' is not 2 values",
        "half the stroke",
        "'7400' is not 2 values",
        "'9' is none of these",
        "no travel through rest",
        "towards the piston",
        "'at' is none of these",
        '"8 thou"',
    ):
        assert shown in result.output, shown
    text = (tmp_path / "mine" / "project.toml").read_text(encoding="utf-8")
    stated = tomllib.loads(text)
    assert (stated["units"], stated["crank"]["bore"], stated["intake"]["tilt"]) == ("inch", 3.2, 12)
    assert stated["exhaust"]["phaser"]["travel"] == [-40, 0]
    assert (stated["intake"]["lash"], stated["exhaust"]["lash"]) == ("8 thou", 0.01)
    assert stated["tables"]["rpm"] == [1000, *range(1500, 7001, 500), 7400]
    assert stated["torque"]["dyno"]["at"] == "wheel"
    assert "bore, in" in text
    assert {path.name for path in (tmp_path / "mine").iterdir()} == FILES - {"intake_drop.csv", "exhaust_drop.csv"} | {
        "logs"
    }


def test_answers_go_back_and_are_taken_up_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped, the answers are all that is left; begun again, only what is open is asked."""
    stopped = answered(monkeypatch, tmp_path / "mine", "", "A three", "<", "A four", "4", "86 x 82")
    assert stopped.exit_code == 130
    assert [path.name for path in (tmp_path / "mine").iterdir()] == ["answers.json"]
    rest = ("142", "1000 7000", "", "45", "-40", "2", "12 14", "", "110 104", "0 0", ".2 .25", "", "430", "165", "", "")
    result = answered(monkeypatch, tmp_path / "mine", *rest)
    assert result.exit_code == 0, result.output
    assert "What is the engine called?" not in result.output
    stated = tomllib.loads((tmp_path / "mine" / "project.toml").read_text(encoding="utf-8"))
    assert (stated["name"], stated["crank"]["bore"], stated["crank"]["rod"]) == ("A four", 86, 142)
    assert not (tmp_path / "mine" / "answers.json").exists()


@pytest.mark.parametrize("text", ['{"units": ', "[]", "{}", '{"mine": 1}', "[" * 100_000, None])
def test_what_holds_no_answers_is_refused_and_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str | None
) -> None:
    """A file cut off, one of somebody else, or a folder of that name."""
    path = tmp_path / "answers.json"
    path.mkdir() if text is None else path.write_text(text, encoding="utf-8")
    result = answered(monkeypatch, tmp_path, "", "A four")
    assert result.exit_code == 2
    assert "answers.json" in result.output.splitlines()[-1]
    assert path.is_dir() if text is None else path.read_text(encoding="utf-8") == text


def test_answers_that_are_none_any_more_are_asked_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a file that another version wrote, or a person changed."""
    kept = {"units": "inch", "name": "A four", "cylinders": "four", "colour": "red"}
    (tmp_path / "answers.json").write_text(json.dumps(kept), encoding="utf-8")
    result = answered(monkeypatch, tmp_path, "4")
    assert result.exit_code == 130
    assert "How many cylinders?" in result.output
    assert "What is the engine called?" not in result.output
    stated = json.loads((tmp_path / "answers.json").read_text(encoding="utf-8"))
    assert stated == {"units": "inch", "name": "A four", "cylinders": "4"}


def test_answers_that_cannot_be_kept_are_one_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "answers.json").symlink_to(tmp_path / "missing" / "answers.json")  # no place to write to, for root too
    result = answered(monkeypatch, tmp_path, "")
    assert result.exit_code == 2
    assert "answers.json: cannot be written" in result.output


def test_contact_limits_ask_twenty_answers_at_most() -> None:
    """Answered in full, nothing that contact limits need is left blank, readings and lobes apart."""
    assert len(list(questions({}))) <= 20
    given = {question.name: question.example or question.choices[0][0] for question in questions({})}
    open_keys = re.findall(r'^\[\[?([\w.]+)|^(\w+) = \[?"\?"', blank_project(answers_of(given)), re.MULTILINE)
    section, found = "", []
    for head, key in open_keys:
        section = head or section
        if key:
            found.append(f"{section}.{key}")
    assert not [key for key in found if not key.startswith("torque") and ".slew" not in key]


def test_a_stop_while_writing_leaves_nothing(tmp_path: Path) -> None:
    class Stops(dict[str, str]):
        def items(self) -> Any:
            yield "deep/a.txt", "a"
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_fresh(tmp_path / "mine", Stops())
    assert not (tmp_path / "mine").exists()


def test_a_blank_inside_a_list_or_an_inline_table_is_named_once(tmp_path: Path) -> None:
    path = write_project(tmp_path)
    text = path.read_text(encoding="utf-8").replace("travel = [0.0, 40.0]", 'travel = [0.0, "?"]')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as error:
        load_project(path)
    (mistake,) = error.value.mistakes
    assert (mistake.where, mistake.problem) == ("intake.phaser.travel (entry 2)", "is blank")


def test_limits_writes_a_sheet_and_replaces_only_its_own(tmp_path: Path) -> None:
    project, sheet = write_project(tmp_path, gap={"tables_only_guard": True}), tmp_path / "sheet.html"
    for _ in range(2):
        result = run("limits", project, "--sheet", sheet)
        assert result.exit_code == 0, result.output
    assert "The sum for one timing" in sheet.read_text(encoding="utf-8")
    refused = run("limits", project, "--sheet", tmp_path / "intake.csv")
    assert refused.exit_code == 2
    assert "is no measuring sheet" in refused.output
    for place in (tmp_path, tmp_path / "missing" / "sheet.html"):
        assert run("limits", project, "--sheet", place).exit_code == 2


def test_check_writes_a_sheet_whatever_the_verdict(tmp_path: Path) -> None:
    project = write_project(tmp_path, gap={"tables_only_guard": True})
    for name, phases, code in (("good", (5, 10), 0), ("bad", (40, 38), 1)):
        (tmp_path / f"{name}.csv").write_text(TABLE.format(*phases), encoding="utf-8")
        sheet = tmp_path / f"{name}.html"
        result = run("check", project, "--intake", tmp_path / f"{name}.csv", "--sheet", sheet, "--json")
        assert result.exit_code == code, result.output
        record = json.loads(result.output)
        require_documented("check", record)
        assert record["verdict"]["clear"] is (code == 0)
        assert record["written"] == [str(sheet)]
        assert ("DO NOT TURN" in sheet.read_text(encoding="utf-8")) is (code == 1)
