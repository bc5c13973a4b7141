"""Every way a CSV of numbers can be wrong, and the few that are tolerated."""

from pathlib import Path

import pytest

from phaseopt.io.columns import read_columns
from phaseopt.values.errors import InputError

GOOD = "crank_deg,drop_mm\n-5,5.30\n0,5.10\n5,5.42\n"


def read(folder: Path, text: str | bytes):  # type: ignore[no-untyped-def]
    path = folder / "readings.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_columns(path, required=("crank_deg", "drop_mm"), optional=("cylinder",))


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        "\ufeff" + GOOD,
        GOOD.replace("\n", "\r\n"),
        GOOD.rstrip("\n"),
        GOOD + "\n\n",
        'crank_deg,"drop_mm"\n"-5",5.30\n0,5.10\n 5, 5.42\n',
        "note,drop_mm,crank_deg\nfirst,5.30,-5\n,5.1,0\nlast,5.42,5\n",
    ],
)
def test_the_same_numbers(tmp_path: Path, text: str) -> None:
    """Source: RFC 4180 (line ends, quotes, last line); a byte-order mark is common practice of spreadsheets."""
    columns = read(tmp_path, text)
    assert columns["crank_deg"].tolist() == [-5.0, 0.0, 5.0]
    assert columns["drop_mm"].tolist() == [5.30, 5.10, 5.42]
    assert "cylinder" not in columns


def test_an_optional_column_is_read_where_it_is(tmp_path: Path) -> None:
    """Source: the project's own format; the line of each row is remembered across blank lines."""
    columns = read(tmp_path, "crank_deg,drop_mm,cylinder\n0,5.1,1\n\n5,5.4,2\n")
    assert columns["cylinder"].tolist() == [1.0, 2.0]
    assert columns.lines == (2, 4)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("\n\n", "empty"),
        ("crank_deg,drop_mm\n", "no rows"),
        ("crank_deg,drop\n0,5.1\n", "line 1: no column 'drop_mm'"),
        ("0,5.1\n5,5.4\n", "line 1: no column 'crank_deg'"),
        ("crank_deg,drop_mm,drop_mm\n0,5.1,5.2\n", "line 1: column 'drop_mm' is there twice"),
        ("crank_deg;drop_mm\n0;5.1\n", "semicolons"),
        ("crank_deg\tdrop_mm\n0\t5.1\n", "tabs"),
        ("crank_deg,drop_mm\n0;5.1\n", "line 2: columns are separated by semicolons"),
        ("crank_deg,drop_mm\n0,0,5,1\n", "decimal commas"),
        ('crank_deg,drop_mm\n0,5.1\n5,"5,4"\n', "line 3: drop_mm '5,4' has a decimal comma"),
        ("crank_deg,drop_mm\n0,5.1,7\n", "line 2: 3 fields where the header has 2"),
        ("crank_deg,drop_mm\n0,5.1\n5\n", "line 3: 1 fields where the header has 2"),
        ("crank_deg,drop_mm\n0,\n", "line 2: drop_mm is empty"),
        ("crank_deg,drop_mm\n0,tight\n", "line 2: drop_mm 'tight' is not a finite number"),
        ("crank_deg,drop_mm\n0,nan\n", "not a finite number"),
        ("crank_deg,drop_mm\n0,inf\n", "not a finite number"),
        ("crank_deg,drop_mm\n0,1e999\n", "not a finite number"),
        ("crank_deg,drop_mm\n0,1_0\n", "not a finite number"),
        ('crank_deg,drop_mm\n0,"5.1\n', "check the quotes"),
        (b"crank_deg,drop_mm\n0,\xff\xfe\n", "not UTF-8"),
    ],
)
def test_refused_with_file_and_line(tmp_path: Path, text: str | bytes, says: str) -> None:
    """Source: RFC 4180, and the rule that nothing is guessed."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert len(caught.value.mistakes) == 1
    assert says in str(caught.value)
    assert "readings.csv" in str(caught.value)
    assert "Fix:" in str(caught.value)


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    """Source: none; a path can always be wrong."""
    with pytest.raises(InputError, match="no such file"):
        read_columns(tmp_path / "absent.csv", required=("a",))
    with pytest.raises(InputError, match="this is a folder"):
        read_columns(tmp_path, required=("a",))


def test_angles_that_repeat_or_fall_are_named(tmp_path: Path) -> None:
    """Source: none; one reading an angle, in order."""
    with pytest.raises(InputError, match="line 3: crank_deg 0 is given twice"):
        read(tmp_path, "crank_deg,drop_mm\n0,5.1\n0,5.2\n").require_increasing("crank_deg")
    with pytest.raises(InputError, match="line 4: crank_deg -5 follows 5"):
        read(tmp_path, "crank_deg,drop_mm\n0,5.1\n5,5.2\n-5,5.3\n").require_increasing("crank_deg")
