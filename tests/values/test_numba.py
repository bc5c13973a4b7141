"""Where compiled kernels are kept, and that a changed kernel is never missed."""

import ast
import importlib
import os
import shutil
import subprocess
import sys
import time
import typing
from pathlib import Path
from types import ModuleType

import pytest
from numba.core.dispatcher import Dispatcher

import phaseopt
from phaseopt.values.numba import kernel_sources

PACKAGE = Path(phaseopt.__file__).parent
CALLEE = "def peak(x: float) -> float:\n    return {factor} * x\n"
CALLER = "def rms(x: float) -> float:\n    return peak(x) / 2.0\n"


def run(copy: Path, code: str, cache: Path, **more: str) -> str:
    """What Python prints that imports the package from `copy`, with the user's cache directory at `cache`."""
    left = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    env = left | {"PYTHONPATH": str(copy), "XDG_CACHE_HOME": str(cache), "PYTHONDONTWRITEBYTECODE": "1"} | more
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True, cwd=copy)
    return done.stdout.strip()


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A package with the same compiler settings and two kernels; the second calls the first."""
    package = tmp_path / "copy" / "phaseopt"
    (package / "values").mkdir(parents=True)
    for name in ("__init__.py", "values/__init__.py"):
        (package / name).touch()
    shutil.copy(PACKAGE / "values" / "numba.py", package / "values")
    head = "from phaseopt.values.numba import njit\n"
    (package / "callee.py").write_text(f"{head}@njit\n" + CALLEE.format(factor=4.0))
    (package / "caller.py").write_text(f"{head}from phaseopt.callee import peak\n@njit\n{CALLER}")
    return package.parent


CALL = (
    "from phaseopt.caller import rms; value = rms(3.0); "
    "print(value, sum(rms.stats.cache_hits.values()), rms.stats.cache_path)"
)


def test_changed_callee_is_never_missed(copy, tmp_path):
    """A kernel in one file calls one in another, which changes: numba alone would go on with the old code."""
    value, hits, _ = run(copy, CALL, tmp_path / "cache").split()
    assert (float(value), int(hits)) == (6.0, 0)
    value, hits, kept = run(copy, CALL, tmp_path / "cache").split()
    assert (float(value), int(hits)) == (6.0, 1)
    assert Path(kept).is_relative_to(tmp_path / "cache")
    (copy / "phaseopt" / "callee.py").write_text(
        "from phaseopt.values.numba import njit\n@njit\n" + CALLEE.format(factor=10.0)
    )
    value, hits, _ = run(copy, CALL, tmp_path / "cache").split()
    assert (float(value), int(hits)) == (15.0, 0)


def test_installed_where_nothing_can_be_written(copy, tmp_path):
    """Kernels are kept elsewhere; where that cannot be written either, they are compiled and not kept."""
    for path in [*copy.rglob("*"), copy]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    for _ in range(2):
        value, hits, _ = run(copy, CALL, tmp_path / "cache").split()
    assert (float(value), int(hits)) == (6.0, 1)
    (tmp_path / "a file").touch()  # a folder cannot be made below a file, whoever runs this
    value, hits, kept = run(copy, CALL, tmp_path / "a file").split()
    assert (float(value), int(hits), kept) == (6.0, 0, "None")
    assert not list(copy.rglob("*.nb[ic]"))


def test_numbas_own_setting_holds(copy, tmp_path):
    """`NUMBA_CACHE_DIR`, as numba documents it, names the place, and stays what it was for other programs' kernels."""
    code = f"{CALL}; import numba; print(numba.config.CACHE_DIR)"
    _, _, kept, setting = run(copy, code, tmp_path / "cache", NUMBA_CACHE_DIR=str(tmp_path / "mine")).split()
    assert Path(kept).is_relative_to(tmp_path / "mine")
    assert setting == str(tmp_path / "mine")


def test_worker_processes_take_up_what_one_compiled(copy, tmp_path):
    """A process started anew, as worker pools do, finds the same folder."""
    run(copy, CALL, tmp_path / "cache")
    (copy / "worker.py").write_text(f"def work():\n    {CALL.replace('print(', 'return (')}\n")
    code = (
        "import multiprocessing as m; from worker import work\n"
        "if __name__ == '__main__': print(*m.get_context('spawn').Pool(1).apply(work))"
    )
    assert run(copy, code, tmp_path / "cache").split()[:2] == ["6.0", "1"]


def test_old_folders_go_and_those_in_use_stay(copy, tmp_path):
    """Beyond the newest, what nobody has used for a day is removed; nothing else is touched."""
    base = tmp_path / "cache" / "phaseopt"
    for name, days in (("a", 30), ("b", 20), ("c", 10), ("d", 0.5), ("e", 0.6), ("f", 0.7)):
        (base / f"phaseopt-kernels-{name}").mkdir(parents=True)
        os.utime(base / f"phaseopt-kernels-{name}", (time.time() - days * 86_400,) * 2)
    (base / "other").mkdir()
    run(copy, CALL, tmp_path / "cache")
    names = {path.name.removeprefix("phaseopt-kernels-") for path in base.iterdir()}
    assert {"d", "e", "f", "other"} <= names
    assert len(names) == 5


def modules() -> list[ModuleType]:
    """Every module of the package."""
    names = [".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts) for path in PACKAGE.rglob("*.py")]
    return [importlib.import_module(name.removesuffix(".__init__")) for name in names if not name.endswith("__main__")]


def named_by(module: ModuleType) -> set[str]:
    """Names that a module's own file gives values to, other than by import."""
    tree = ast.parse(Path(str(module.__file__)).read_text("utf-8"))
    stored = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    return stored | {node.name for node in tree.body if isinstance(node, ast.FunctionDef | ast.ClassDef)}


def test_all_that_kernels_read_names_their_folder():
    """Kernels, the constants they read and the named tuples they take stand in files that the digest covers.

    Where this fails, write "read by kernels" in a comment beside the constant or the named tuple.
    """
    everything = modules()
    covered = {PACKAGE / name for name in kernel_sources()}
    names = {name for module in everything if Path(str(module.__file__)) in covered for name in named_by(module)}
    kernels = [
        (module, kernel.py_func) for module in everything for kernel in vars(module).values()
        if isinstance(kernel, Dispatcher) and kernel.py_func.__module__ == module.__name__
    ]  # fmt: skip
    assert len(kernels) > 50
    for module, kernel in kernels:
        assert Path(kernel.__code__.co_filename) in covered
        taken = {hint.__name__ for hint in typing.get_type_hints(kernel).values() if hasattr(hint, "_fields")}
        read = {name for name in kernel.__code__.co_names if not isinstance(vars(module).get(name), ModuleType | None)}
        assert read | taken <= names, f"{kernel.__name__} in {module.__name__}"
