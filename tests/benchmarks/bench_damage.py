"""What becomes of damaged files under `.phaseopt/`: bits flipped and ends cut, by the hundred, each read as a run does.

Counted: noticed (one warning, set aside, to be computed again), no harm (the same numbers came back: the bit was in
space that nothing uses), passed unnoticed (other numbers, or none and no warning), and tracebacks. Held to: none of the
last two. Every byte of grids, arrays and chunks counts as used; a study is an SQLite file, with unused space in it.
"""

import logging
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import optuna
from figures import Figure, report

from phaseopt.cycle.chunks import Axes, read_part, write_part
from phaseopt.cycle.grid import VARIABLES, dataset
from phaseopt.cycle.storage import cache_grid, cached_grid
from phaseopt.io.cache import read_arrays, write_arrays
from phaseopt.study.storage import open_study, seal, sealed_trials, store_record, stored_record

RNG = np.random.default_rng(5)
AXES = Axes(np.linspace(2e3, 8e3, 5), np.array([60.0, 98.0]), np.linspace(95.0, 125.0, 4), np.linspace(100.0, 120.0, 3))
NUMBERS = RNG.uniform(50.0, 200.0, (5, len(VARIABLES), 2, 4, 3))
OF_A_STUDY, OF_OTHERS = (600, 60), (1500, 150)  # bits flipped, and ends cut
KINDS = ("noticed", "no harm", "passed unnoticed", "traceback")


class Warned(logging.Handler):
    """Counts warnings."""

    count = 0

    def emit(self, record: logging.LogRecord) -> None:
        """One more."""
        Warned.count += record.levelno >= logging.WARNING


def write_study(path: Path) -> None:
    """A dozen trials, as the study of offsets records them."""
    study = open_study("study", 1, "ab12", ["maximize"], path.parents[1])
    for number in range(12):
        trial = study.ask({"steps": optuna.distributions.IntDistribution(-9, 9)})
        trial.set_user_attr("found", {"score": number / 7.0, "phases": RNG.uniform(0, 40, 96).round(1).tolist()})
        seal(trial, [number / 7.0])
        study.tell(trial, [number / 7.0])
    store_record(study, "gains", {"-2 3": 4.25})


def read_study(path: Path) -> object:
    """All that a run takes from it; None where nothing is left."""
    study = open_study("study", 1, "ab12", ["maximize"], path.parents[1])
    trials = [(t.number, t.params, t.values, t.user_attrs) for t in sealed_trials(study)]
    return (trials, stored_record(study, "gains")) if trials else None


def read_grid(path: Path) -> object:
    """The grid's numbers and what is said of them."""
    grid = cached_grid(path, "key")
    return None if grid is None else str(grid.to_dict())


def read_npz(path: Path) -> object:
    """The arrays."""
    arrays = read_arrays(path)
    return None if arrays is None else [(name, array.tobytes()) for name, array in arrays.items()]


def read_chunk(path: Path) -> object:
    """The numbers."""
    found = read_part(path.parent, path.stem, NUMBERS[0].shape)
    return None if found is None else found.tobytes()


CASES: dict[str, tuple[str, Callable[[Path], None], Callable[[Path], object]]] = {
    "grid": ("grid.nc", lambda p: cache_grid(dataset(NUMBERS, AXES).assign_attrs(fingerprint="key"), p), read_grid),
    "arrays": ("responses.npz", lambda p: write_arrays(p, {"torque": NUMBERS[:, 0]}), read_npz),
    "chunk": ("a.chunk", lambda p: write_part(p.parent, "a", NUMBERS[0]), read_chunk),
    "study": ("study.sqlite", write_study, read_study),
}


def outcome(path: Path, damaged: bytes, read: Callable[[Path], object], sound: object) -> str:
    """Which of `KINDS` it is."""
    shutil.rmtree(path.parent)
    path.parent.mkdir()
    path.write_bytes(damaged)
    Warned.count = 0
    try:
        found = read(path)
    except Exception:
        return "traceback"
    if Warned.count:
        return "noticed" if found is None and Warned.count == 1 else "passed unnoticed"
    return "no harm" if found == sound else "passed unnoticed"


def damaged(whole: bytes, flips: int, cuts: int) -> dict[str, list[bytes]]:
    """Contents with one bit flipped, and cut short, at places drawn evenly."""
    flipped = []
    for at in RNG.integers(0, 8 * len(whole), flips):
        content = bytearray(whole)
        content[at // 8] ^= 1 << int(at) % 8
        flipped.append(bytes(content))
    return {"flipped": flipped, "cut": [whole[:end] for end in RNG.integers(0, len(whole), cuts)]}


def main() -> int:
    """Count what becomes of each."""
    logging.getLogger("phaseopt").addHandler(Warned())
    figures = []
    with tempfile.TemporaryDirectory() as folder:
        for name, (file, write, read) in CASES.items():
            path = Path(folder) / name / ".phaseopt" / file
            path.parent.mkdir(parents=True)
            write(path)
            whole, sound = path.read_bytes(), read(path)
            for how, contents in damaged(whole, *(OF_A_STUDY if name == "study" else OF_OTHERS)).items():
                counts = Counter(outcome(path, content, read, sound) for content in contents)
                for kind in KINDS:
                    most = None if kind in KINDS[:2] else 0
                    about = f"{name}, {how} {len(contents)} times: {kind}"
                    figures.append(Figure(about, counts[kind], at_most=most))
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
