"""How a text log is written is found from the file, stated in the notes, and refused where it may be read two ways."""

from pathlib import Path

import numpy as np
import pytest

from phaseopt.io.text_format import find_format
from phaseopt.io.text_rows import read_rows
from phaseopt.project import Dialect
from phaseopt.values.errors import InputError

WANTED = ("rpm", "tq")


def read(folder: Path, text: str | bytes, **stated: object) -> tuple[list[float], str]:
    """Torque of the log, and how it was read."""
    file = folder / "a.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    form = find_format(file, Dialect.model_validate(stated), (*WANTED, "t"))
    rows = read_rows(file, form, [name for name in form.names if name in WANTED])
    return rows.columns["tq"].tolist(), "; ".join((*form.notes, *rows.notes))


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("rpm,tq\n2000,150.5\n", ""),
        ("rpm;tq\n2000;150.5\n", "semicolons"),
        ("rpm;tq\n2000;150,5\n", "decimal commas"),
        ("rpm\ttq\n2000\t150,5\n", "tabs; decimal commas"),
        ("rpm   tq\n2000  150.5\n  2001 151\n", "blanks"),
        ('rpm,tq\n2000,"150,5"\n', "decimal commas"),
        ('"rpm","tq"\n"2000","150.5"\n', ""),
        ("Cell 3\nrun 7, cold\n\nrpm,tq\n2000,150.5\n", "column names in line 4"),
        ("rpm,tq\n1/min,Nm\n2000,150.5\n", "units in line 2"),
        ("rpm;tq;note\n1/min;Nm;\n2000;150,5;knock, light\n", "units in line 2; columns separated by semicolons"),
        ("rpm,tq,\n2000,150.5,\n", ""),
        ("rpm,tq\n2000,150.5,\n", ""),
        ("rpm,tq\n# fan on\n2000,150.5\n", "1 line of remarks passed over"),
        ("rpm,tq\n2000,150.5\nend of recording\n", "line 3 at the end passed over"),
        ("rpm,tq\n2000,150.5\n20", "line 3 at the end passed over"),
        ("rpm,tq\r2000,150.5\r", ""),
        ('"rpm","tq","oil\n[bar]"\n2000,150.5,4\n', "column names in line 2"),
    ],
)
def test_one_number_in_every_dialect(tmp_path: Path, text: str, shown: str) -> None:
    torque, said = read(tmp_path, text)
    assert torque[0] == 150.5
    assert shown in said


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_every_encoding(tmp_path: Path, encoding: str) -> None:
    torque, _ = read(tmp_path, "rpm,tq,Öl °C\n2000,150.5,90\n".encode(encoding))
    assert torque == [150.5]


def test_what_a_cell_stands_for_is_asked_where_it_is_no_number(tmp_path: Path) -> None:
    """Only in the column that has such a meaning, and only for cells that are not blank."""
    (tmp_path / "a.csv").write_text("gear,tq\nfirst,150\n2,151\n-,152\nthird,153\n")
    form = find_format(tmp_path / "a.csv", Dialect(), ("gear", "tq"))
    gears = {"first": 1.0, "third": 3.0}
    rows = read_rows(tmp_path / "a.csv", form, ("gear", "tq"), {"gear": gears.get})
    assert np.array_equal(rows.columns["gear"], [1.0, 2.0, np.nan, 3.0], equal_nan=True)
    with pytest.raises(InputError, match="line 2: gear 'first' is not a finite number"):
        read_rows(tmp_path / "a.csv", form, ("gear", "tq"))


def test_what_loggers_write_for_nothing_is_blank(tmp_path: Path) -> None:
    """Common practice, no source."""
    found, _ = read(tmp_path, "rpm,tq\n2000,150\n2010,n/a\n2020,---\n2030,153\n")
    assert found[0] == 150.0
    assert np.isnan(found[1:3]).all()
    assert found[3] == 153.0


def test_a_format_of_its_own_is_no_text(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 256, 4000, dtype=np.uint8).tobytes()
    with pytest.raises(InputError, match=r"a\.csv: this is no text, but a format of its logger's own\. Fix: export"):
        read(tmp_path, b"LOG1" + noise)


def test_a_stated_dialect_settles_what_the_file_leaves_open(tmp_path: Path) -> None:
    text = "rpm;tq\n2000;1,505\n"
    with pytest.raises(InputError, match=r"'1,505' may be a decimal comma or a mark of thousands"):
        read(tmp_path, text)
    assert read(tmp_path, text, decimal="comma")[0] == [1.505]
    assert read(tmp_path, "rpm,tq\n1,2\nrpm,tq\n2000,150.5\n", names_line=3)[0] == [150.5]
    with pytest.raises(InputError, match="there is nothing in line 9"):
        read(tmp_path, "a,b\n1,2\n", names_line=9)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("rpm;tq,t\n2000;150,5\n", "line 1: columns may be separated by semicolons or commas"),
        ("rpm;tq\n2000;1.505\n2001;1.506\n", "'1.505' may be a decimal point or a mark of thousands"),
        ("rpm;tq\n1.500;150,5\n", "line 2: '150,5' and '1.500' stand in one file"),
        ('rpm,tq\n2000,"1,150.5"\n', "line 2: '1,150.5' has a mark of thousands"),
        ("rpm;tq\n2000;150,5\n2001;150.5\n2002;151,5\n", "'150,5' and '150.5' stand in one file"),
        ("rpm,tq\n2000,1 150\n", "tq '1 150' is not a finite number"),
        ("", "the file is empty"),
        ("rpm,tq\n", "no rows follow"),
        ("rpm,tq\n2000,150\nx,y\n" + "2001,150\n", "line 3: rpm 'x' is not a finite number"),
        ("rpm,tq\n2000,150\n" + "x,y\n" * 11, "line 3: rpm 'x' is not a finite number"),
    ],
)
def test_what_may_be_read_in_two_ways_is_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert said in str(caught.value)
    assert "Fix: " in str(caught.value)


def test_a_decimal_sign_that_changes_far_down_is_refused_with_its_line(tmp_path: Path) -> None:
    rows = "".join(f"{2000 + k};{150 + k / 10}\n".replace(".", ",") for k in range(1, 2000))
    with pytest.raises(InputError, match=r"line 2001: tq '99\.5' has a decimal point"):
        read(tmp_path, "rpm;tq\n" + rows + "9000;99.5\n9001;99,5\n")
