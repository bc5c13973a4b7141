"""`phaseopt export`: layouts that `phaseopt check` and other readers take, and refusals that write nothing."""

from pathlib import Path

import csvw
import numpy as np
import pandas as pd
import pytest
from hillclimb import pulls_alone_file
from printed import printed
from typer.testing import CliRunner

from phaseopt.cli import app
from phaseopt.output.directory import write_files
from phaseopt.tables import read_table
from phaseopt.values.errors import InputError

LAYOUTS = {
    "turned": ["--rpm", "across", "--rpm-falls", "--delimiter", "semicolon", "--decimal", "comma"],
    "flipped": ["--exhaust-sign", "-1", "--intake-zero", "22.5", "--intake-in", "cam", "--load-falls"],
    "rounded": ["--delimiter", "tab", "--step", "2", "--exhaust-zero", "40"],
}  # fmt: skip


@pytest.fixture(scope="module")
def built(hillclimb_files: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("built")
    write_files(folder / "out", hillclimb_files)
    return folder / "out"


@pytest.fixture
def project(tmp_path: Path) -> Path:
    return pulls_alone_file(tmp_path)


def run(*arguments: object) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(each) for each in arguments])
    return result.exit_code, result.output


@pytest.mark.parametrize("layout", LAYOUTS)
def test_check_accepts_what_was_exported(built: Path, project: Path, tmp_path: Path, layout: str) -> None:
    found = printed("export", project, "--tables", built, "--out", tmp_path / "out", *LAYOUTS[layout])
    files = [tmp_path / "out" / f"{side}_phase.csv" for side in ("intake", "exhaust")]
    check = printed("check", project, "--intake", files[0], "--exhaust", files[1])
    assert found["verdict"] == check["verdict"]
    assert check["verdict"]["clear"] is True
    for file in files:  # W3C CSV on the Web (2015), by package `csvw`
        assert csvw.CSVW(str(file), validate=True).is_valid


@pytest.mark.parametrize("layout", LAYOUTS)
def test_an_export_without_its_metadata_is_read_as_it_was_meant(
    built: Path, project: Path, tmp_path: Path, layout: str
) -> None:
    """Copied alone under another name: same verdict, and the option for any other meaning is refused."""
    found = printed("export", project, "--tables", built, "--out", tmp_path / "out", *LAYOUTS[layout])
    copies = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for side, copy in zip(("intake", "exhaust"), copies, strict=True):
        copy.write_bytes((tmp_path / "out" / f"{side}_phase.csv").read_bytes())
    given = ("check", project, "--intake", copies[0], "--exhaust", copies[1])
    assert printed(*given)["verdict"] == found["verdict"]
    cam = "--intake-in" in LAYOUTS[layout]
    for option, value in (("--intake-in", "crank" if cam else "cam"), ("--intake-zero", "1"), ("--intake-sign", "-1")):
        code, said = run(*given, option, value)
        assert (code, option in said, "a.csv" in said) == (2, True, True)
    if cam:  # the reader of the neutral format takes it for nothing else
        with pytest.raises(InputError) as refused:
            read_table(copies[0])
        assert refused.value.mistakes[0].where == "line 1"
    swapped = run("check", project, "--intake", copies[1], "--exhaust", copies[0])
    assert swapped[0] == 2
    assert "--exhaust" in swapped[1]


def test_pandas_reads_an_export_as_its_note_says(built: Path, project: Path, tmp_path: Path) -> None:
    """With the call that `how_to_read.txt` prints."""
    assert run("export", project, "--tables", built, "--out", tmp_path / "out", *LAYOUTS["turned"])[0] == 0
    note = " ".join((tmp_path / "out" / "how_to_read.txt").read_text(encoding="utf-8").split())
    assert "pandas.read_csv(name, index_col=0, sep=';', decimal=',')" in note
    frame = pd.read_csv(tmp_path / "out" / "intake_phase.csv", index_col=0, sep=";", decimal=",")
    table = read_table(built / "intake_phase.csv")
    assert np.array_equal(frame.to_numpy(dtype=float), table.to_numpy().T[:, ::-1])
    assert [float(name) for name in frame.columns] == table["rpm"].to_numpy()[::-1].tolist()


def test_numbers_are_those_of_the_tables(built: Path, project: Path, tmp_path: Path) -> None:
    """By plain arithmetic on the text: turned, falling, retard as +, cam degrees, another zero."""
    code, _ = run(
        "export", project, "--tables", built, "--out", tmp_path / "o", "--rpm", "across", "--load-falls",
        "--exhaust-sign", "-1", "--exhaust-zero", "3", "--exhaust-in", "cam",
    )  # fmt: skip
    assert code == 0
    text = (tmp_path / "o" / "exhaust_phase.csv").read_text(encoding="utf-8")
    cells = np.array([[float(cell) for cell in line.split(",")[1:]] for line in text.splitlines()[1:]])
    table = read_table(built / "exhaust_phase.csv").to_numpy()
    assert np.array_equal(cells, 3.0 - table.T[::-1] / 2.0)


def test_rounding_goes_away_from_contact(built: Path, project: Path, tmp_path: Path) -> None:
    """An intake valve opens nearer to TDC when advanced, an exhaust valve closes nearer to it when retarded (common
    practice, no source): the intake is rounded to the later phase, the exhaust to the earlier, by less than a step."""
    assert run("export", project, "--tables", built, "--out", tmp_path / "o", "--step", "4")[0] == 0
    for side, way in (("intake", -1.0), ("exhaust", 1.0)):
        was, now = (read_table(folder / f"{side}_phase.csv").to_numpy() for folder in (built, tmp_path / "o"))
        assert (way * (now - was) >= 0.0).all()
        assert np.abs(now - was).max() < 4.0
        assert (now % 4.0 == 0.0).all()


def test_what_is_printed(built: Path, project: Path, tmp_path: Path) -> None:
    """The sentences of `export`, in the order in which they are read."""
    _, text = run("export", project, "--tables", built, "--out", tmp_path / "o", "--step", "0.5")
    flat = " ".join(text.replace(str(tmp_path), "").split())
    places = [
        flat.index(words)
        for words in (
            ": tables in another layout The tables are CLEAR in any combination, up to 9000 rpm.",
            "Full travel HITS (intake to piston, exhaust to piston). The tables are the only guard.",
            "Layout Engine speed (rpm) runs down, load (kPa) across; both from low to high.",
            "Numbers are rounded to 0.5 away from contact; no phase has to move",
            "Inputs Changed since the tables were built: ",
            " more. Contact is checked by the files as they are now.",
            "Not covered radial clearance",
            "Cautions Contact:",
            "every cylinder by hand",
            "Zero:",
            "Written /o: exhaust_phase.csv, how_to_read.txt, intake_phase.csv, run.json",
        )
    ]
    assert places == sorted(places)


def test_rest_that_can_only_be_written_nearer_to_contact_is_reported(
    built: Path, project: Path, tmp_path: Path
) -> None:
    """With 0.3 for rest, whole numbers from rest up begin at 1: 0.7° advanced."""
    layout = ["--step", "1", "--intake-zero", "0.3"]
    found = printed("export", project, "--tables", built, "--out", tmp_path / "o", *layout)
    assert found["nearer_deg"] == 0.7
    assert "0.7 crank degrees nearer to contact" in (tmp_path / "o" / "how_to_read.txt").read_text(encoding="utf-8")


def test_cells_to_paste_are_those_of_the_table(built: Path, project: Path) -> None:
    code, said = run(
        "export", project, "--tables", built, "--paste", "intake", "--decimals", "2", "--delimiter", "comma"
    )
    assert code == 0
    pasted = np.array([[float(cell) for cell in line.split("\t")] for line in said.splitlines() if line])
    assert np.array_equal(pasted, read_table(built / "intake_phase.csv").to_numpy())


def test_tables_that_are_not_clear_any_more_are_not_written(built: Path, tmp_path: Path) -> None:
    """The engine has since been given less room: exit 1, nothing written, and what comes too near."""
    project = pulls_alone_file(tmp_path, ("intake = 2.0               # mm", "intake = 3.2"))
    code, said = run("export", project, "--tables", built, "--out", tmp_path / "o")
    assert code == 1
    assert "Nothing was written." in said
    assert "Cells that are not clear" in said  # all that `check` says
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "nothing says where the tables go"),
        (["--out", "{tmp}/o", "--decimal", "comma"], "commas between cells and in decimals"),
        (["--out", "{tmp}/o", "--step", "0"], "--step"),
        (["--out", "{tmp}/o", "--step", "0.25", "--decimals", "1"], "need more decimals"),
        (["--out", "{tmp}/o", "--intake-zero", "nan"], "--intake-zero nan is no phase"),
        (["--out", "{tmp}/o", "--exhaust-zero", "inf"], "--exhaust-zero inf is no phase"),
        (["--out", "{tmp}"], "which no earlier build wrote"),
    ],
)
def test_what_makes_no_sense_is_refused(
    built: Path, project: Path, tmp_path: Path, arguments: list[str], said: str
) -> None:
    code, shown = run(
        "export", project, "--tables", built, *(each.replace("{tmp}", str(tmp_path)) for each in arguments)
    )
    assert code == 2
    assert said in " ".join(shown.split())


def test_json_says_what_was_written(built: Path, project: Path, tmp_path: Path) -> None:
    found = printed("export", project, "--tables", built, "--out", tmp_path / "o", "--step", "1")
    assert found["verdict"]["accepted"] is True
    assert found["written"] == [str(tmp_path / "o")]
    assert found["moved_deg"] == 0.0
    assert set(found["files"]) == {path.name for path in (tmp_path / "o").iterdir()}


def test_the_build_that_is_read_is_never_replaced(built: Path, project: Path) -> None:
    before = {path.name: path.read_bytes() for path in built.iterdir()}
    code, said = run("export", project, "--tables", built, "--out", built)
    assert code == 2
    assert "which is read" in " ".join(said.split())
    assert {path.name: path.read_bytes() for path in built.iterdir()} == before
