"""How kernels are compiled, and where their machine code is kept between runs.

Numba keeps the code of a kernel by the source of its own file, and does not notice that a kernel it calls in another
file has changed. So the code of all kernels is in one folder named by a digest of every file that holds a kernel and of
all versions that the code depends on: any change makes a new folder. It is in the user's cache directory (or in
`NUMBA_CACHE_DIR`), since the package itself may be installed where nothing can be written.

A file with kernels is known by its decorators, one with constants or named tuples that kernels of other files use by
the words "read by kernels" in a comment. `tests/values/test_numba.py` fails where those words are missing.
"""

import hashlib
import logging
import os
import platform
import shutil
import tempfile
import time
from collections.abc import Callable
from functools import cache
from pathlib import Path
from threading import Lock
from typing import Any, ParamSpec, TypeVar, cast

import llvmlite
import numba
import numpy as np
from llvmlite import binding
from platformdirs import user_cache_path

P = ParamSpec("P")
R = TypeVar("R")

NEWEST = 3  # folders that stay, of this and other versions
UNUSED = 86_400.0  # seconds after which an older one goes: until then a running program may still look into it

_MARKS = (b"\n@njit", b"\n@kernel", b"\n@inner", b"\n@inside", b"read by kernels")
_log = logging.getLogger(__name__)
_decorating = Lock()


def njit(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel in double precision without the interpreter lock."""
    return compiled(function)


def inside(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel that only other kernels call, sooner: without what Python would need to call it."""
    return compiled(function, no_cpython_wrapper=True, no_cfunc_wrapper=True)


def compiled(function: Callable[P, R], **options: Any) -> Callable[P, R]:
    """Compile a kernel with numba's options, without the interpreter lock, its code kept between runs."""
    folder = kernel_folder()
    with _decorating:  # numba asks for the folder once, here; the user's own kernels keep theirs
        config: Any = numba.config
        before, config.CACHE_DIR = config.CACHE_DIR, str(folder or "")
        try:
            made = numba.njit(cache=folder is not None, nogil=True, **options)(function)
        finally:
            config.CACHE_DIR = before
    return cast(Callable[P, R], made)


def kernel_sources(package: Path = Path(__file__).parents[1]) -> dict[str, bytes]:
    """The files on which compiled code depends: content by name in the package."""
    contents = {path.relative_to(package).as_posix(): path.read_bytes() for path in package.rglob("*.py")}
    return {name: text for name, text in sorted(contents.items()) if any(mark in text for mark in _MARKS)}


@cache
def kernel_folder() -> Path | None:
    """Where the machine code of these kernels is kept; None where none can be written."""
    base = Path(os.environ.get("NUMBA_CACHE_DIR") or user_cache_path("phaseopt", appauthor=False))
    folder = base / f"phaseopt-kernels-{_digest()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        os.utime(folder)  # used last: the last to go
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        _log.info("kernels are compiled anew: %s cannot be written (%s)", folder, error.strerror)
        return None
    _remove_old(base)
    return folder


def _digest() -> str:
    digest = hashlib.sha256()
    versions = (platform.python_version(), numba.__version__, np.__version__, llvmlite.__version__)
    for text in (*versions, platform.machine(), binding.get_host_cpu_name()):
        digest.update(text.encode() + b"\0")
    for name, text in kernel_sources().items():
        digest.update(f"{name} {len(text)}:".encode() + text)
    return digest.hexdigest()[:16]


def _remove_old(base: Path) -> None:
    """Remove folders that no program has begun to use for a while, but for the newest."""
    try:
        found = sorted(((path.stat().st_mtime, path) for path in base.glob("phaseopt-kernels-*")), reverse=True)
    except OSError:  # another process is removing them
        return
    for used, path in found[NEWEST:]:
        if time.time() - used > UNUSED:
            shutil.rmtree(path, ignore_errors=True)
