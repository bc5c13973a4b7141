"""Changes of a project's TOML: tomlkit and tomllib read back what was meant, and all other lines stay as they were."""

import csv
import difflib
import json
import os
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hillclimb import ROOT
from hypothesis import given, settings
from hypothesis import strategies as st

import phaseopt.live.history as history
from phaseopt.io import atomic
from phaseopt.live.edits import (
    KeyChange,
    change,
    changes_in,
    edit,
    last_changes,
    typed_value,
    undo,
    value_at,
    write,
    write_text,
)
from phaseopt.live.history import digest_of
from phaseopt.values.errors import InputError

EXAMPLES = sorted((ROOT / "examples").glob("*/*.toml"))
TEXT = b"""# An invented engine.\r
name = "a four"   # its name\r
\r
[crank]\r
bore = 81.50               # mm\r
stroke = 81.0\r
\r
[drop.intake]\r
around_tdc = [             # one sitting\r
    [-5.0, 5.80],          # before TDC\r
    [0, 5.6],\r
]\r
"""


@pytest.fixture(scope="module", autouse=True)
def _no_sync() -> Iterator[None]:
    """Nothing here is about what a cut of power leaves: thousands of writes need not reach the disk."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "fsync", lambda _handle: None)
        yield


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A project with a byte-order mark and the line ends of Windows."""
    file = tmp_path / "project.toml"
    file.write_bytes(b"\xef\xbb\xbf" + TEXT)
    return file


def leaves(value: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """Every key of a project file that holds no other, entries of lists by their number."""
    if isinstance(value, dict | list) and value:
        pairs = value.items() if isinstance(value, dict) else enumerate(value, 1)
        for name, inner in pairs:
            yield from leaves(inner, f"{key}.{name}".lstrip("."))
    else:
        yield key, value


def lines_of(text: bytes) -> list[str]:
    return text.decode("utf-8-sig").splitlines(keepends=True)


def changed_lines(before: bytes, after: bytes) -> list[str]:
    return [line for line in difflib.ndiff(lines_of(before), lines_of(after)) if line[0] in "+-"]


def contents(file: Path) -> dict[str, Any]:
    """As tomlkit reads it, which tomllib must agree with."""
    text = file.read_bytes().decode("utf-8-sig")
    found: dict[str, Any] = tomlkit.parse(text).unwrap()
    assert tomllib.loads(text.replace("\r\n", "\n")) == found
    return found


def listed(project: Path) -> list[dict[str, str]]:
    with (project.parent / "history" / "project" / "changes.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_change_leaves_every_other_byte(project: Path) -> None:
    done = change(project, [KeyChange("crank.bore", typed_value("82,10"))])
    after = project.read_bytes()
    assert after == b"\xef\xbb\xbf" + TEXT.replace(b"81.50               #", b"82.10               #")
    assert done["digest"] == digest_of(after)


@settings(deadline=None, derandomize=True, max_examples=40)
@given(data=st.data())
def test_any_key_of_any_example_takes_another_value(data: Any, tmp_path_factory: pytest.TempPathFactory) -> None:
    """One value of an example becomes another: one line differs, its remark stays; undo brings all back."""
    example = data.draw(st.sampled_from(EXAMPLES))
    file = tmp_path_factory.mktemp("a") / "project.toml"
    ends = data.draw(st.sampled_from([b"\n", b"\r\n"]))
    before = data.draw(st.sampled_from([b"", b"\xef\xbb\xbf"])) + example.read_bytes().replace(b"\n", ends)
    file.write_bytes(before)
    raw = contents(file)
    key, old = data.draw(st.sampled_from(list(leaves(raw))))
    value = data.draw(
        st.one_of(
            st.integers(-(10**9), 10**9),
            st.floats(-1e6, 1e6).map(lambda x: x + 0.0),
            st.booleans(),
            st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=20),
        ).filter(lambda new: new != old)
    )
    change(file, [KeyChange(key, value)])
    after = file.read_bytes()
    found = contents(file)
    assert value_at(found, key) == value
    rest, expected = dict(leaves(found)), dict(leaves(raw))
    assert {k: v for k, v in rest.items() if k != key} == {k: v for k, v in expected.items() if k != key}
    assert after.startswith(b"\xef\xbb\xbf") == before.startswith(b"\xef\xbb\xbf")
    assert after.count(b"\r\n") == (after.count(b"\n") if ends == b"\r\n" else 0)
    removed = [line for line in changed_lines(before, after) if line[0] == "-"]
    added = [line for line in changed_lines(before, after) if line[0] == "+"]
    assert len(removed) == len(added) == 1
    remarks = [line.partition(" #")[2].rstrip() for line in (*removed, *added)]
    assert remarks[0] in remarks[1]
    undo(file, {})
    assert file.read_bytes() == before


@settings(deadline=None, derandomize=True, max_examples=40)
@given(data=st.data())
def test_keys_come_and_go(data: Any, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Any key of an example is taken out, then put back: tomllib reads the same as before, and all remarks stay."""
    file = tmp_path_factory.mktemp("a") / "project.toml"
    shutil.copy(data.draw(st.sampled_from(EXAMPLES)), file)
    raw = contents(file)
    plain = [(key, value) for key, value in leaves(raw) if not any(part.isdecimal() for part in key.split("."))]
    key, value = data.draw(st.sampled_from(plain))
    change(file, [KeyChange(key, None)])
    assert value_at(contents(file), key) is None
    change(file, [KeyChange(key, value)])
    assert contents(file) == raw


def test_entries_of_lists_are_changed_added_and_taken_out(project: Path) -> None:
    change(project, [KeyChange("drop.intake.around_tdc.1.2", typed_value("5,85"))])
    change(project, [KeyChange("drop.intake.around_tdc.3", [5.0, 5.7])])
    assert contents(project)["drop"]["intake"]["around_tdc"] == [[-5.0, 5.85], [0, 5.6], [5.0, 5.7]]
    assert b"# one sitting" in project.read_bytes()
    assert b"# before TDC" in project.read_bytes()
    change(project, [KeyChange("drop.intake.around_tdc.2", None)])
    assert contents(project)["drop"]["intake"]["around_tdc"] == [[-5.0, 5.85], [5.0, 5.7]]
    with pytest.raises(InputError, match="no entry 9"):
        change(project, [KeyChange("drop.intake.around_tdc.9", [5.0, 5.7])])


def test_sections_that_are_not_there_are_made(project: Path) -> None:
    change(
        project,
        [KeyChange("search.pinned", [{"rpm": 3000, "load": 100, "intake": 10}]), KeyChange("drop.carry_error", 0.1)],
    )
    found = contents(project)
    assert found["search"]["pinned"] == [{"rpm": 3000, "load": 100, "intake": 10}]
    assert found["drop"]["carry_error"] == 0.1
    assert list(found) == ["name", "crank", "drop", "search"]


def test_a_change_of_another_key_goes_into_the_file_as_an_editor_left_it(project: Path) -> None:
    was = contents(project)["crank"]["bore"]
    project.write_bytes(project.read_bytes().replace(b"81.0", b"82.4"))  # an editor
    change(project, [KeyChange("crank.bore", 82.0, was)])
    assert contents(project)["crank"] == {"bore": 82.0, "stroke": 82.4}
    assert [(row["by"], row["what"]) for row in listed(project)][-1] == ("page", "crank.bore: 81.5 → 82.0")


def test_a_change_of_the_same_key_shows_both_values(project: Path) -> None:
    project.write_bytes(project.read_bytes().replace(b"81.50", b"82.4"))
    before = project.read_bytes()
    with pytest.raises(InputError, match=r"82\.4.*81\.5.*83"):
        edit(project, {"key": "crank.bore", "value": "83", "was": "81.5"})
    assert project.read_bytes() == before
    same = edit(project, {"key": "crank.bore", "value": "82,4", "was": "81.5"})  # both meant the same
    assert same["change"] is None


def test_undo_goes_back_one_change_at_a_time_through_editors_too(project: Path) -> None:
    texts = [project.read_bytes()]
    for value in (82.0, 83.0):
        change(project, [KeyChange("crank.bore", value)])
        texts.append(project.read_bytes())
    texts.append(texts[-1].replace(b"81.0", b"82.4"))
    project.write_bytes(texts[-1])
    for expected in reversed(texts[:-1]):
        undo(project, {})
        assert project.read_bytes() == expected
    with pytest.raises(InputError, match="nothing to take back"):
        undo(project, {})
    change(project, [KeyChange("crank.bore", 90)])
    undo(project, {})
    assert project.read_bytes() == texts[0]
    rows = listed(project)
    assert [int(row["change"]) for row in rows] == list(range(1, len(rows) + 1))
    assert [row["by"] for row in rows].count("editor") == 1
    folder = project.parent / "history" / "project"
    assert [(folder / f"{number:04}.toml").read_bytes() for number in range(4)] == texts


def test_an_undo_takes_back_what_the_page_showed(project: Path) -> None:
    change(project, [KeyChange("crank.bore", 82.0)])
    shown_number = last_changes(project)[0]["change"]
    change(project, [KeyChange("crank.stroke", 82.0)])
    with pytest.raises(InputError, match=r"crank\.stroke"):
        undo(project, {"number": str(shown_number)})
    undo(project, {"number": shown_number + 1})
    assert contents(project)["crank"] == {"bore": 82.0, "stroke": 81.0}


@pytest.mark.parametrize("fails_at", [1, 2, 3, 4])
def test_a_full_disk_leaves_all_as_it_was(project: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int) -> None:
    before, wrote = project.read_bytes(), []

    def full(path: Path, content: bytes, hint: str) -> None:
        wrote.append(path)
        if len(wrote) == fails_at:
            raise InputError.one("cannot be written (No space left on device)", hint=hint, file=path)
        atomic.write_file(path, content, hint)

    monkeypatch.setattr(history, "write_file", full)
    if fails_at < 4:  # the first text, the new one, the project
        with pytest.raises(InputError, match="No space left"):
            change(project, [KeyChange("crank.bore", 82.0)])
        assert project.read_bytes() == before
    else:  # the list alone: the change stands
        change(project, [KeyChange("crank.bore", 82.0)])
    monkeypatch.undo()
    change(project, [KeyChange("crank.stroke", 82.0)])
    assert listed(project)[-1]["what"] == "crank.stroke: 81.0 → 82.0"
    assert [row["by"] for row in listed(project)] == ["page"] * (2 if fails_at == 4 else 1)
    undo(project, {})
    if fails_at == 4:
        undo(project, {})
    assert project.read_bytes() == before


class Killed(BaseException):
    """As kill -9: nothing after it runs but what another process finds."""


@pytest.mark.parametrize("step", range(1, 5))
def test_a_kill_between_any_two_files_damages_nothing(
    project: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    before, done = project.read_bytes(), []

    def killed(path: Path, content: bytes, hint: str) -> None:
        if len(done) == step - 1:
            raise Killed
        done.append(path)
        atomic.write_file(path, content, hint)

    monkeypatch.setattr(history, "write_file", killed)
    with pytest.raises(Killed):
        change(project, [KeyChange("crank.bore", 82.0)])
    monkeypatch.undo()
    assert contents(project)["crank"]["bore"] == (82.0 if step == 4 else 81.5)
    change(project, [KeyChange("crank.stroke", 82.0)])
    while project.read_bytes() != before:
        undo(project, {})


def test_the_plain_editor_writes_a_whole_text_once(project: Path) -> None:
    digest = digest_of(project.read_bytes())
    text = project.read_bytes().decode("utf-8-sig").replace("\r\n", "\n").replace("a four", "a five")
    write(project, {"text": text, "digest": digest})
    assert project.read_bytes() == b"\xef\xbb\xbf" + TEXT.replace(b"a four", b"a five")
    with pytest.raises(InputError, match="changed on the disk"):
        write_text(project, text, digest)
    with pytest.raises(InputError, match="line 2"):
        write_text(project, "a = 1\nb = = 2\n", digest_of(project.read_bytes()))
    with pytest.raises(InputError, match="no text"):
        write(project, {"text": 5})


def test_a_file_that_is_no_toml_is_fixed_by_the_editor_alone(project: Path) -> None:
    project.write_text("bore = = 2\n", encoding="utf-8")
    with pytest.raises(InputError, match="line 1"):
        change(project, [KeyChange("crank.bore", 82.0)])
    write_text(project, "bore = 2\n", digest_of(project.read_bytes()))
    assert contents(project) == {"bore": 2}


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("5.10", 5.1), ("5,10", 5.1), (".5", 0.5), (",5", 0.5), ("5.", 5.0), ("007", 7), ("+3", 3), ("−12,5", -12.5),
        ("0", 0), ("-0", 0), ("8 thou", "8 thou"), ("0,2 mm", "0.2 mm"), ("0.2 in", "0.2 in"), ("1-3-4-2", "1-3-4-2"),
        ("[0, 45]", [0, 45]), ("true", True), ("full lift", "full lift"), ("nan", "nan"), ("2026-11-30", "2026-11-30"),
        ("1\nb = 2", "1\nb = 2"), ('"5"', "5"), ("1.2.3", "1.2.3"), ("?", "?"),
    ],
)  # fmt: skip
def test_what_is_typed_is_read_with_comma_or_point(typed: str, value: object) -> None:
    found = typed_value(typed)
    found = found.unwrap() if hasattr(found, "unwrap") else found
    assert (found, type(found)) == (value, type(value))


@settings(deadline=None, derandomize=True, max_examples=40)
@given(st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-1000, max_value=1000))
def test_digits_stay_as_typed(number: Any) -> None:
    assert tomlkit.item(typed_value(f"{number:.3f}")).as_string() == f"{number:.3f}".replace("-0.000", "0.000") or (
        number == 0
    )
    assert float(typed_value(f"{number:.3f}".replace(".", ","))) == float(number)


@pytest.mark.parametrize(
    ("body", "message"),
    [
        ({"key": "crank bore", "value": "1"}, "no key"),
        ({"key": ["a"], "value": "1"}, "no key"),
        ({"key": "../x", "value": "1"}, "no key"),
        ({"changes": []}, "nothing to change"),
        ({"changes": "x"}, "nothing to change"),
        ({"key": "crank.bore", "value": "1" * 5000}, "too long"),
        ({"key": "intake.offset", "value": "-5", "way": "retarded"}, "has a sign"),
        ({"key": "intake.offset", "value": "five", "way": "retarded"}, "plain number"),
        ({"key": "crank.bore", "value": "5", "was": "{"}, "does not say"),
    ],
)
def test_what_is_no_change_is_refused(body: dict[str, Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        changes_in(body)


def test_a_way_stands_for_a_sign() -> None:
    body = {
        "changes": [
            {"key": "a.1.1", "value": "5", "way": "before TDC", "was": json.dumps(None)},
            {"key": "b", "value": "5", "way": "advanced"},
        ]
    }
    changes, _ = changes_in(body)
    assert tuple(changes[0]) == ("a.1.1", -5, None)
    assert changes[1].value == 5
