"""Changes of a project that are only tried: keys as in the file, values as TOML, and what cannot be one."""

from pathlib import Path

import pytest
from engines import write_project

from phaseopt.project.load import load_project
from phaseopt.values.errors import InputError


@pytest.mark.parametrize(
    ("change", "section", "key", "value"),
    [
        ("intake.offset=-10", "intake", "offset", -10.0),
        ('intake.offset="-10 crank deg"', "intake", "offset", -10.0),
        ("crank.bore=3.2 in", "crank", "bore", 81.28),  # an inch is 25.4 mm (NIST SP 811); the shell took the quotes
        ("tables.load=[50, 100]", "tables", "load", (50.0, 100.0)),
        ("tables.load.2=75", "tables", "load", (40.0, 75.0, 100.0)),
    ],
)
def test_a_change_is_read_as_the_file_would_be(
    change: str, section: str, key: str, value: object, tmp_path: Path
) -> None:
    path = write_project(tmp_path)
    before = path.read_bytes()
    assert getattr(getattr(load_project(path, changes=[change]), section), key) == value
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ("intake.ofset=-10", "intake.offset"),
        ("crank.stroek=80", "crank.stroke"),
        ("crank.bore=-81.5", "crank.bore"),
        ("tables.load=[50", "tables.load"),
        ("tables.load.9=75", "1 to 3"),
        ("intake.offset", "KEY=VALUE"),
        ("name.first=a", "name.first"),
        ("intake.offset.a=3", "intake.offset"),
        ("intake.offset=nan", "not a number"),
    ],
)
def test_what_is_no_change_is_one_message_with_the_key_meant(change: str, named: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load_project(write_project(tmp_path), changes=[change])
    (mistake,) = caught.value.mistakes
    assert mistake.where.startswith("--set")
    assert named in str(mistake)


@pytest.mark.parametrize("other", ["intake.offset = -8", "intake={offset=-8}", "intake.offset.a=1"])
def test_a_key_set_twice_is_refused(other: str, tmp_path: Path) -> None:
    """Also inside a section that another change replaces: one of the two would be lost."""
    for changes in (["intake.offset=-10", other], [other, "intake.offset=-10"]):
        with pytest.raises(InputError, match="set it once"):
            load_project(write_project(tmp_path), changes=changes)
