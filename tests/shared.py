"""Expensive results that several workers of a test run look at: made by the first that asks, read by the others."""

import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest
from filelock import FileLock

T = TypeVar("T")


def once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], T]) -> T:
    """What `make` makes in a folder of its own, once a run and not once a worker; a test must not change it.

    Parameters: `factory` knows the run's folder; `name` of the result, and of the folder that stays beside it.
    """
    base = factory.getbasetemp()
    if base.name.startswith("popen-"):  # a worker of pytest-xdist has a folder inside that of the run
        base = base.parent
    made = base / f"{name}.pickle"
    with FileLock(base / f"{name}.lock"):
        if not made.is_file():
            folder = base / name
            folder.mkdir()
            made.write_bytes(pickle.dumps(make(folder)))
    return pickle.loads(made.read_bytes())  # type: ignore[no-any-return]
