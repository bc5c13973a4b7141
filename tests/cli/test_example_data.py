"""The example as it is given away: complete by itself, and the same as the one in the source tree."""

from pathlib import Path

from hillclimb import ROOT

from phaseopt.cli.example_data import example_files, source_files
from phaseopt.job.input_hashes import input_hashes
from phaseopt.project.load import load_project, load_pull


def test_a_copy_is_complete(tmp_path: Path) -> None:
    """Every file that its project and its extra pull name is in it, and none that lies elsewhere is asked for."""
    texts = example_files()
    for name, text in texts.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="")
    project = load_project(tmp_path / "project.toml")
    assert set(input_hashes(project)) <= set(texts)
    pull, _ = load_pull(tmp_path / "after" / "tables.toml", project)
    assert pull.files == ("after/tables.csv",)
    assert {f"maps/hillclimb-{which}/intake_phase.csv" for which in ("start", "best")} <= set(texts)
    assert not any("../" in texts[name] or "examples/" in texts[name] for name in texts if name.endswith(".toml"))


def test_a_copy_is_the_example() -> None:
    """Its data are those of the source tree, to the byte; only places named in the TOML files differ."""
    here = source_files(ROOT)
    texts = example_files()
    assert list(texts) == list(here)
    for name, path in here.items():
        if path.suffix != ".toml":
            assert texts[name].encode() == path.read_bytes(), name
