"""What a command can do without may stay blank or out of a project; what needs it asks for it by key."""

from pathlib import Path
from typing import Any

import pytest
from engines import write_project
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.project.cross_checks import require_slew
from phaseopt.project.load import LIMITS_DO_WITHOUT, load_project, open_blanks
from phaseopt.values.errors import InputError

BLANKS: dict[str, Any] = {
    "crank": {"compression_ratio": "?"},
    "intake": {"head_diameter": "?", "phaser": {"slew": {"advance": "?", "retard": "?"}}},
    "torque": {"columns": {"rpm": "?"}, "files": ["?"]},
}


def keys_of(error: pytest.ExceptionInfo[InputError]) -> set[str]:
    return {mistake.where for mistake in error.value.mistakes}


def test_limits_read_a_project_whose_other_sections_are_blank(tmp_path: Path) -> None:
    path = write_project(tmp_path, **BLANKS)
    project = load_project(path, without=LIMITS_DO_WITHOUT)
    assert (project.torque, project.crank.compression_ratio, project.intake.head_diameter) == (None, None, None)
    assert project.intake.phaser is not None
    assert project.intake.phaser.slew is None
    with pytest.raises(InputError) as error:
        load_project(path)
    assert {"crank.compression_ratio", "intake.phaser.slew.advance", "torque.columns.rpm"} <= keys_of(error)


def test_limits_are_those_of_the_project_without_these_sections(tmp_path: Path) -> None:
    """Filled in, half filled in or left out: contact limits are the same."""
    results = []
    for name, changes in (("blank", BLANKS), ("out", {"crank": {"compression_ratio": None}})):
        (tmp_path / name).mkdir()
        path = write_project(tmp_path / name, gap={"tables_only_guard": True}, **changes)
        found = CliRunner().invoke(app, ["limits", str(path), "--json"])
        assert found.exit_code == 0, found.output
        results.append(found.output)
    assert results[0] == results[1]


def test_blanks_are_counted_by_section_in_one_line_each(tmp_path: Path) -> None:
    path = write_project(tmp_path, gap={"tables_only_guard": True}, **BLANKS)
    assert open_blanks(path) == {"crank": 1, "intake": 3, "torque": 2}
    found = CliRunner().invoke(app, ["limits", str(path)])
    assert "[torque] 2" in found.output
    assert "[torque]" not in CliRunner().invoke(app, ["limits", str(path), "--quiet"]).output


def test_readings_that_decide_contact_are_never_set_aside(tmp_path: Path) -> None:
    """A blank in seats, springs or a degree-in check is asked for: leaving it out would call clear what is not."""
    for changes, key in (
        ({"seats": {"error": "?"}}, "seats.error"),
        ({"intake": {"degree_in": {"cylinder": "?"}}}, "intake.degree_in.cylinder"),
        ({"drop": {"intake": {"gauge_error": "?"}}}, "drop.intake.gauge_error"),
        ({"gap": {"static": {"intake": "?"}}}, "gap.static.intake"),
    ):
        with pytest.raises(InputError) as error:
            load_project(write_project(tmp_path, **changes), without=LIMITS_DO_WITHOUT)
        assert key in keys_of(error)


def test_what_is_left_out_is_asked_for_where_it_is_needed(tmp_path: Path) -> None:
    no_slew: dict[str, Any] = {"intake": {"phaser": {"slew": None}}}
    with pytest.raises(InputError) as error:
        require_slew(load_project(write_project(tmp_path, **no_slew)))
    assert keys_of(error) == {"intake.phaser.slew"}
    with pytest.raises(InputError) as error:
        load_project(write_project(tmp_path, gap={"between": "neighbouring cells"}, **no_slew))
    assert "intake.phaser.slew" in keys_of(error)
    parts = {"deck": 0.2, "gasket": 1.0, "recession": 1.0}
    with pytest.raises(InputError) as error:
        load_project(
            write_project(tmp_path, intake={"head_diameter": None}, drop={"intake": {"geometry": parts}}),
            without=LIMITS_DO_WITHOUT,
        )
    assert "intake.head_diameter" in keys_of(error)


def test_a_blank_in_search_leaves_its_other_keys(tmp_path: Path) -> None:
    cap = {"rpm": [0, 2000], "load": [0, 60], "degrees": 12}
    path = write_project(tmp_path, search={"overlap_cap": [cap], "caution": "?"})
    project = load_project(path, without=LIMITS_DO_WITHOUT)
    assert [each.degrees for each in project.search.overlap_cap] == [12]


@pytest.mark.parametrize(("section", "key"), [("crank", "slew"), ("gap", "torque"), ("search", "corssing")])
def test_an_unknown_key_is_never_set_aside(tmp_path: Path, section: str, key: str) -> None:
    with pytest.raises(InputError) as error:
        load_project(write_project(tmp_path, **{section: {key: "?"}}), without=LIMITS_DO_WITHOUT)
    assert f"{section}.{key}" in keys_of(error)


@pytest.mark.parametrize("value", [2, "", [True]])
def test_what_is_true_or_false_is_asked_for_as_that(tmp_path: Path, value: object) -> None:
    read = {"full_lift": 10.3, "same_wheel": value}
    with pytest.raises(InputError) as error:
        load_project(write_project(tmp_path, intake={"degree_in": read}), without=LIMITS_DO_WITHOUT)
    assert keys_of(error) == {"intake.degree_in.same_wheel"}
    assert "true or false" in error.value.mistakes[0].hint


@pytest.mark.parametrize("order", ["1-3-4-2", "1, 3, 4, 2", "1 3 4 2", [1, 3, 4, 2]])
def test_a_firing_order_as_people_write_it(tmp_path: Path, order: object) -> None:
    assert load_project(write_project(tmp_path, cylinders=4, firing_order=order)).firing_order == (1, 3, 4, 2)


def test_a_firing_order_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no firing order"):
        load_project(write_project(tmp_path, firing_order="1-3-a-2"))
