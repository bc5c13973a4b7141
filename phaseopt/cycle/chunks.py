"""A grid cut into chunks: which points each holds, who computes them, and where finished ones are kept.

A point comes to the same numbers in any chunk, anywhere and in any order (engine.py). Finished
chunks are kept in files named by all that they depend on: a run that was stopped takes up what is there, and what
another engine, mesh, axis or version of the program left is never taken.
"""

import os
import threading
from collections.abc import Callable, Generator
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.version import code_version
from phaseopt.io.atomic import remove_left_over
from phaseopt.io.cache import read_arrays, write_arrays
from phaseopt.io.digest import fingerprint
from phaseopt.values.arrays import FloatArray

POINTS = 320  # of a chunk, about: each starts from rest at every load of it, which costs some percent
SUFFIX = ".chunk"

Work = Callable[["Chunk", Callable[[], bool]], FloatArray]  # computes a chunk; the second argument says when to give up
Finished = Generator[tuple["Chunk", FloatArray]]


class Axes(NamedTuple):
    """Axes of a grid, rising: speeds [rpm], loads [kPa], true intake and exhaust centrelines [deg]."""

    rpm: FloatArray
    load: FloatArray
    icl: FloatArray
    ecl: FloatArray


@dataclass(frozen=True)
class Chunk:
    """All timings [deg] of some loads [kPa] at one speed [rpm]; `row` and `first` are its place in the grid."""

    row: int
    first: int
    rpm: float
    load: FloatArray
    icl: FloatArray
    ecl: FloatArray

    @property
    def points(self) -> int:
        """How many."""
        return len(self.load) * len(self.icl) * len(self.ecl)

    @property
    def place(self) -> tuple[int, slice, slice]:
        """Where its numbers go in an array (rpm, variables, load, icl, ecl)."""
        return self.row, slice(None), slice(self.first, self.first + len(self.load))

    def key(self, config: CycleConfig, mesh: Mesh) -> str:
        """A name that nothing else has: from its points, the engine, the mesh and the program."""
        return fingerprint(code_version(), config, mesh, self.rpm, self.load, self.icl, self.ecl)


def plan(axes: Axes, pressure: FloatArray | None = None) -> list[Chunk]:
    """Cut a grid into chunks of about `POINTS` points, those that take longest first.

    `pressure` (rpm, load) [kPa] of each load at each speed, by default the load itself. Chunks depend on the axes
    alone, not on who computes them. Low speeds have the most steps, light loads take the most
    cycles.

    >>> chunks = plan(Axes(np.array([2000.0, 6000.0]), np.linspace(30.0, 98.0, 8), np.arange(9.0), np.arange(9.0)))
    >>> [(c.row, c.first, c.points) for c in chunks]
    [(0, 0, 324), (0, 4, 324), (1, 0, 324), (1, 4, 324)]
    """
    rpm, load, icl, ecl = axes
    count = min(max(1, round(len(load) * len(icl) * len(ecl) / POINTS)), len(load))
    parts = np.array_split(np.arange(len(load)), count)
    at = np.broadcast_to(load if pressure is None else pressure, (len(rpm), len(load)))
    return [
        Chunk(row, int(part[0]), float(speed), at[row, part], icl, ecl)
        for row, speed in enumerate(rpm)
        for part in parts
    ]


def by_threads(work: Work, chunks: list[Chunk], workers: int | None = None) -> Finished:
    """Chunks with their numbers, in the order in which threads of this process (all cores by default) finish them.

    When the caller stops asking, or one fails, the threads give up what they are at.
    """
    stop = threading.Event()
    pool = ThreadPoolExecutor(workers or os.cpu_count())
    try:
        jobs = {pool.submit(work, chunk, stop.is_set): chunk for chunk in chunks}
        for job in as_completed(jobs):
            yield jobs[job], job.result()
    finally:
        stop.set()
        pool.shutdown(cancel_futures=True)


def read_part(folder: Path, key: str, shape: tuple[int, ...]) -> FloatArray | None:
    """A finished chunk's numbers; None where there are none, or the file is damaged."""
    held = read_arrays(folder / (key + SUFFIX))
    return held["numbers"] if held is not None and held["numbers"].shape == shape else None


def write_part(folder: Path, key: str, numbers: FloatArray) -> None:
    """Keep a finished chunk's numbers. Raises `InputError` where the directory is closed to writing or full."""
    hint = "make room there and run again: chunks that were finished are kept and taken up"
    write_arrays(folder / (key + SUFFIX), {"numbers": numbers}, hint)


def clear_parts(folder: Path) -> None:
    """Remove all chunks, unfinished and damaged ones too, and the directory if it is empty then."""
    remove_left_over(folder)
    for path in [*folder.glob(f"*{SUFFIX}"), *folder.glob(f"*{SUFFIX}.damaged")]:
        path.unlink(missing_ok=True)
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
