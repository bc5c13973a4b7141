"""The library as a notebook uses it: few names, light to import, and results that show themselves."""

import ast
import importlib
import inspect
import re
import runpy
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import xarray as xr
from engines import write_project
from hillclimb import ROOT, pulls_alone
from job.test_build_simulated import SMALL
from simulated_pulls import with_pulls

import phaseopt as po
from phaseopt.project.load import load_project
from phaseopt.report.cards import card
from phaseopt.report.document import Lines
from phaseopt.torque_model import TorqueModel

PACKAGE = ROOT / "phaseopt"
HOSTILE = '<script>alert("x")</script> & "Fennel"'


def test_names_are_the_same_for_python_and_for_type_checkers() -> None:
    """Every public name comes from the module that type checkers read, and no module of the package hides it."""
    source = ast.parse((ROOT / "phaseopt" / "__init__.py").read_text(encoding="utf-8"))
    block = next(node for node in source.body if isinstance(node, ast.If))  # what type checkers alone read
    imports = [node for node in block.body if isinstance(node, ast.ImportFrom)]
    names = {name.name: node.module for node in imports if node.module and node.module.startswith("phaseopt")
            for name in node.names}  # fmt: skip
    assert sorted(names) == sorted(po.__all__) == sorted(set(dir(po)) & set(names))
    for name, module in names.items():
        assert getattr(po, name) is getattr(sys.modules[str(module)], name)
        assert getattr(po, name).__doc__
        assert not (ROOT / "phaseopt" / name).exists()
        assert not (ROOT / "phaseopt" / f"{name}.py").exists()
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = po.no_such_name


def public() -> list[tuple[str, Any]]:
    """Classes and functions that the package and its rooms hand out."""
    rooms = [importlib.import_module(f"phaseopt.{path.parent.name}") for path in PACKAGE.glob("*/__init__.py")]
    every = [
        (f"{room.__name__}.{name}", getattr(room, name)) for room in rooms for name in getattr(room, "__all__", ())
    ]
    every += [(name, getattr(po, name)) for name in po.__all__]
    return [(name, thing) for name, thing in every if inspect.isclass(thing) or inspect.isfunction(thing)]


def sections(thing: Any) -> dict[str, str]:
    """The sections of a numpydoc docstring by their titles (numpydoc.readthedocs.io, docstring standard)."""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}$", inspect.getdoc(thing) or "", flags=re.MULTILINE)
    return dict(zip(parts[1::2], parts[2::2], strict=True))


def test_public_names_are_documented() -> None:
    """Parameters, what comes back, and an example that runs, or the function whose example makes such a result."""
    things = public()
    shown = {thing.__name__ for _, thing in things if ">>>" in sections(thing).get("Examples", "")}
    lacking = []
    for name, thing in things:
        found = sections(thing)
        keys = getattr(thing, "model_fields", {})  # a section of the project file has its own names
        taken = [(key in keys and keys[key].alias) or key for key in inspect.signature(thing).parameters]
        described = found.get("Parameters", "") + found.get("Attributes", "")
        lacking += [f"{name}: {key}" for key in taken if not re.search(rf"\b{key}\b", described)]
        returns = inspect.isfunction(thing) and thing.__annotations__["return"] not in (None, "None")
        if returns and "Returns" not in found and "Yields" not in found:
            lacking.append(f"{name}: Returns")
        if thing.__name__ not in shown and found.get("See Also", "").strip() not in shown:
            lacking.append(f"{name}: Examples")
    assert lacking == []


def test_importing_it_and_asking_for_help_imports_nothing_heavy() -> None:
    """What makes an import slow waits: numpy, pandas, numba, matplotlib and pydantic are not there yet."""
    heavy = "{'numpy', 'xarray', 'pandas', 'numba', 'scipy', 'matplotlib', 'pydantic', 'optuna'}"
    code = (
        "import sys, phaseopt; from phaseopt.cli import app\n"
        "try: app(['--help'])\n"
        "except SystemExit: pass\n"
        f"sys.exit(' '.join({heavy} & set(sys.modules)) or None)"
    )
    subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)


def test_python_m_runs_the_commands() -> None:
    done = subprocess.run([sys.executable, "-m", "phaseopt", "--help"], capture_output=True, text=True, check=True)
    assert "Usage: phaseopt" in done.stdout


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small engine with [cycle], four pulls of one with more friction, and a name that tries to break the page."""
    path = write_project(tmp_path_factory.mktemp("library"), **SMALL, name=HOSTILE.replace('"', '\\"'))
    return with_pulls(path, (0.0, 4.0, 8.0, 12.0), {"friction": 1.33})


def test_the_example_script_does_the_whole_job(
    simulated: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Stage by stage it writes the files that the command writes, to the byte, and says what is not covered."""
    matplotlib.use("Agg")
    monkeypatch.setattr(sys, "argv", ["in_python.py", str(simulated), str(tmp_path / "stages")])
    script = (ROOT / "examples" / "in_python.py").read_text(encoding="utf-8")
    # This engine has one phaser, so one table.
    (tmp_path / "in_python.py").write_text(script.replace('("intake", "exhaust")', '("intake",)'), encoding="utf-8")
    ran = runpy.run_path(str(tmp_path / "in_python.py"))
    assert ran["verdict"].accepted
    printed = capsys.readouterr().out
    assert "Not covered" in printed
    assert "by hand" in printed
    po.write_build(tmp_path / "whole", po.build(load_project(simulated)))
    names = sorted(path.name for path in (tmp_path / "whole").iterdir())
    assert names == sorted(path.name for path in (tmp_path / "stages").iterdir())
    for name in names:
        assert (tmp_path / "stages" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes(), name


class _Tags(HTMLParser):
    """Tags opened and not closed again, those seen, and text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert all(name in ("style",) for name, _ in attrs)
        self.open.append(tag)
        self.seen.add(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_everything_found_shows_itself(simulated: Path) -> None:
    """As text and as well-formed HTML in which nothing of the project is markup; both say the same."""
    project = po.load_project(simulated)
    limits, points = po.phase_limits(project), po.reduce_logs(project)
    prior = po.simulate(project, points)
    model = po.fit_torque(project, points, prior)
    found = po.search_tables(project, limits, model)
    build = po.build(project, found=found)
    alone = po.fit_torque(project, prior=po.simulate(project))
    assert isinstance(alone, TorqueModel)
    for shown in (project, limits, points, prior, model, alone, found, found.tables, build.verdict, build):
        text, html = repr(shown), shown._repr_html_()
        assert str(shown) == text
        assert len(text.splitlines()) < 30
        tags = _Tags()
        tags.feed(html)
        assert not tags.open
        assert tags.seen <= {"div", "strong", "table", "caption", "tr", "th", "td"}
        assert tags.text.startswith(text.splitlines()[0])
        flat = " ".join(text.split())
        for section in card(shown).document.sections:
            for words in (line for block in section.blocks if isinstance(block, Lines) for line in block.items):
                assert section.title in text
                assert words in flat
                assert words in tags.text
    for shown in (limits, build.verdict, build):
        assert "Not covered" in repr(shown)
    assert HOSTILE in repr(project)
    assert alone.simulation is not None
    assert alone.simulation.notes[0] in " ".join(repr(alone).split())


def test_a_verdict_that_is_not_clear_shows_which_cells(hillclimb: po.Build) -> None:
    """Full travel would touch, so it is said, and the cell that asks for it is marked."""
    far = po.PhaseTables.of([2000, 3000], [50, 100], [[0, 0], [0, 45]], 0.0)
    verdict = po.check_tables(hillclimb.project, far)
    assert "The tables are NOT CLEAR." in repr(verdict)
    assert verdict._repr_html_().count("45 / 0 HITS</td>") == 1
    assert "0 / 0 " not in verdict._repr_html_()


def test_tables_plot_with_their_units(hillclimb: po.Build) -> None:
    """xarray's own plot takes names and units from the attributes."""
    matplotlib.use("Agg")
    mesh = hillclimb.tables.intake.plot()
    assert mesh.axes.get_ylabel() == "engine speed [rpm]"
    assert "[kPa]" in mesh.axes.get_xlabel()
    mesh.figure.clear()


def test_stages_refuse_what_does_not_belong_together(hillclimb: po.Build, simulated: Path) -> None:
    """Limits, tables and simulations count only for the project and the points that they were made from."""
    project, other = hillclimb.project, po.load_project(simulated)
    points = po.reduce_logs(project)
    model = po.fit_torque(project, points)
    with pytest.raises(po.InputError, match="limits are of another project"):
        po.search_tables(other, hillclimb.limits, model)
    found = po.search_tables(project, hillclimb.limits, model)
    assert np.array_equal(found.tables.intake, hillclimb.tables.intake)
    with pytest.raises(po.InputError, match="searched for another project"):
        po.build(other, found=found)
    for given in (None, points):
        prior = po.simulate(other, po.reduce_logs(other) if given is None else None)
        with pytest.raises(po.InputError, match="do not belong together"):
            po.fit_torque(other, given, prior)
    unguarded = project.model_copy(update={"gap": project.gap.model_copy(update={"tables_only_guard": False})})
    with pytest.raises(po.InputError, match="tables_only_guard"):
        po.search_tables(unguarded, po.phase_limits(unguarded), model)


def test_tables_that_are_not_clear_are_not_written(hillclimb: po.Build, tmp_path: Path) -> None:
    """A build whose verdict is not clear leaves no directory behind."""
    touching = po.check_tables(hillclimb.project, po.PhaseTables.of([2000, 3000], [50, 100], 45.0, 0.0))
    with pytest.raises(po.InputError, match="not clear"):
        po.write_build(tmp_path / "out", replace(hillclimb, verdict=touching))
    assert not (tmp_path / "out").exists()


def test_arrays_bear_units(hillclimb: po.Build) -> None:
    """What leaves a stage as an array says what it is and in which unit, in the manner of the CF conventions."""
    arrays: list[xr.DataArray] = [hillclimb.tables.intake, hillclimb.tables.exhaust, hillclimb.torque["gain"]]
    arrays += [hillclimb.limits.safe["running_margin"]]
    arrays += [hillclimb.verdict.cells["static"], po.reduce_logs(pulls_alone()).points["torque"]]
    for array in arrays:
        assert array.attrs["units"] in ("degree", "N m", "mm")
        assert array.attrs["long_name"]
