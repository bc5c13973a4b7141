"""The notebooks run from top to bottom on the examples, show pictures, and begin with the cautions."""

import shutil
from pathlib import Path
from typing import Any

import nbformat
import pytest
from hillclimb import ROOT
from nbclient import NotebookClient

NOTEBOOKS = sorted((ROOT / "examples" / "notebooks").glob("*.ipynb"))


def outputs(book: Any) -> list[Any]:
    return [each for cell in book.cells if cell.cell_type == "code" for each in cell.outputs]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs_and_draws(path: Path, tmp_path: Path) -> None:
    for part in ("examples", "maps"):
        shutil.copytree(ROOT / part, tmp_path / part, ignore=shutil.ignore_patterns(".phaseopt"))
    book: Any = nbformat.read(path, as_version=4)
    resources = {"metadata": {"path": tmp_path / "examples" / "notebooks"}}
    NotebookClient(book, timeout=300, kernel_name="python3", resources=resources).execute()
    assert any("image/png" in each.get("data", {}) for each in outputs(book))
    shown = "".join(each.get("data", {}).get("text/plain", "") for each in outputs(book))
    assert "every cylinder" in " ".join(shown.split())  # results bring the caution along


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_kept_without_outputs_and_warns_first(path: Path) -> None:
    book: Any = nbformat.read(path, as_version=4)
    nbformat.validate(book)
    assert outputs(book) == []
    assert book.cells[0].cell_type == "markdown"
    head = " ".join(book.cells[0].source.split())
    assert "checking the assembled engine by hand, on every cylinder, before it turns" in head
