"""`phaseopt tradeoff` as a user runs it: the example's pulls, pasted keys, a second run, and wrong input."""

import csv
import tomllib
from pathlib import Path
from xml.etree import ElementTree

import optuna
from hillclimb import pulls_alone_file
from printed import printed
from typer.testing import CliRunner, Result

from phaseopt.cli import app
from phaseopt.project.load import load_project


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["tradeoff", *(str(argument) for argument in arguments)])


def shown(result: Result) -> str:
    return " ".join(result.output.split())


def test_the_example_for_a_person_then_for_machines_from_what_is_kept(tmp_path: Path) -> None:
    project, out = pulls_alone_file(tmp_path), tmp_path / "out"
    first = run(project, "--trials", 8, "--out", out, "--verbose")
    assert first.exit_code == 0, first.output
    for words in ("as it is", "8 trials, 0 of them from earlier runs", "It is a proposal", "HITS", "by hand",
                  "CLEAR in every cell and between cells", "Not covered radial clearance"):  # fmt: skip
        assert words in shown(first)
    assert {path.name for path in out.iterdir()} == {
        "tradeoff.csv", "tradeoff.csv-metadata.json", "tradeoff.html", "knee.toml", "run.json",
    }  # fmt: skip
    page = (out / "tradeoff.html").read_text(encoding="utf-8")
    ElementTree.fromstring(page[page.index("<svg") : page.index("</svg>") + 6])
    with (out / "tradeoff.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 9

    kept = {path.name: path.read_bytes() for path in out.iterdir() if path.name != "tradeoff.html"}
    found = printed("tradeoff", project, "--trials", 8, "--out", out)
    assert {name: (out / name).read_bytes() for name in kept} == kept
    assert found["earlier"] == 8
    assert found["knee_accepted"]
    knee = next(row for row in rows if row["trial"] == str(found["knee"]))
    keys = tomllib.loads((out / "knee.toml").read_text(encoding="utf-8"))["search"]
    assert keys == {name: float(knee[name]) for name in ("roughness", "caution", "slew_share")}


def test_the_keys_are_read_where_they_are_pasted(tmp_path: Path) -> None:
    """In place of the example's own, and out of range as wrong input."""
    changes = ("caution = 1.0 ", "caution = 0.5\nslew_share = 0.4 "), ("roughness = 0.01 ", "roughness = 0.1 ")
    search = load_project(pulls_alone_file(tmp_path, *changes)).search
    assert (search.roughness, search.caution, search.slew_share) == (0.1, 0.5, 0.4)
    wrong = pulls_alone_file(tmp_path, ("caution = 1.0 ", "slew_share = 1.4 "))
    result = run(wrong)
    assert result.exit_code == 2
    assert "search.slew_share" in shown(result)


def test_storages_that_cannot_serve_and_a_directory_that_is_not_ours(tmp_path: Path) -> None:
    project = pulls_alone_file(tmp_path)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    assert run(project, "--out", tmp_path / "out").exit_code == 2
    url = f"sqlite:///{tmp_path}/old.sqlite"
    optuna.create_study(storage=url, study_name="phaseopt tradeoff 0 ff")
    old = run(project, "--storage", url)
    assert old.exit_code == 2
    assert "--storage: it holds a tradeoff study that another version of phaseopt wrote" in shown(old)
    assert run(project, "--trials", 3).exit_code == 2
