"""What benchmarks measured, kept as small JSON, so that a slowdown or a loss of accuracy shows.

A benchmark hands its figures to `report`, which prints each beside its bar. With `--keep` on the command line they are
written to `figures/NAME.json`, with the commit and the date; with `--check` they are compared with what is kept there.
Seconds differ between machines: they are kept as a ratio to a yardstick, a fixed piece of work timed in the same run.

    python tests/benchmarks/bench_gaps.py --check
"""

import json
import math
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np

FOLDER = Path(__file__).parent / "figures"
WORSE = 1.3  # times what is kept, from where on a figure counts as worse: timings scatter by a tenth or two

KEEP, CHECK = "--keep" in sys.argv, "--check" in sys.argv
sys.argv = [each for each in sys.argv if each not in ("--keep", "--check")]


class Figure(NamedTuple):
    """A number that a benchmark found, and the bar it has to reach, if there is one."""

    name: str
    value: float
    unit: str = ""
    at_most: float | None = None
    at_least: float | None = None

    @property
    def reached(self) -> bool:
        """On the right side of its bar."""
        most = math.inf if self.at_most is None else self.at_most
        least = -math.inf if self.at_least is None else self.at_least
        return least <= self.value <= most

    @property
    def bar(self) -> str:
        """The bar in words."""
        words = [f"at most {self.at_most:g}"] if self.at_most is not None else []
        return " and ".join(words + ([f"at least {self.at_least:g}"] if self.at_least is not None else []))


def report(bench: str, figures: list[Figure]) -> int:
    """Print figures beside their bars; keep them or compare them where the command line asks for it.

    Parameters: `bench`, the `__file__` of a benchmark. Returns the exit code: 1 where a bar or comparison is missed.
    """
    name = Path(bench).stem.removeprefix("bench_")
    for each in figures:
        judged = "" if not each.bar else "ok" if each.reached else "MISSED"
        print(f"{each.name:<60} {each.value:12.5g} {each.unit:<6} {each.bar:<18} {judged}")
    good = all(each.reached for each in figures)
    if KEEP or CHECK:
        record = _record(figures)
        if CHECK:
            good &= _as_good_as_kept(name, record)
        if KEEP and good:
            FOLDER.mkdir(exist_ok=True)
            (FOLDER / f"{name}.json").write_text(_text(record), encoding="utf-8")
    return 0 if good else 1


def _record(figures: list[Figure]) -> dict[str, object]:
    unit = yardstick() if any(each.unit == "s" for each in figures) else None
    rows = {}
    for each in figures:
        row: dict[str, object] = {"value": _rounded(each.value), "unit": each.unit}
        if each.unit == "s" and unit is not None:
            row["ratio"] = _rounded(each.value / unit)
        if each.at_most is not None:
            row["at_most"] = each.at_most
        if each.at_least is not None:
            row["at_least"] = each.at_least
        rows[each.name] = row
    git = ["git", "-C", str(FOLDER.parent), "describe", "--always", "--dirty"]
    commit = subprocess.run(git, capture_output=True, text=True, check=False).stdout.strip() or "unknown"
    return {"commit": commit, "date": date.today().isoformat(), "figures": rows}


def _as_good_as_kept(name: str, record: dict[str, object]) -> bool:
    """Whether no figure with a bar is much worse than the one that is kept; prints those that are."""
    path = FOLDER / f"{name}.json"
    if not path.is_file():
        print(f"nothing is kept of {name}: run it with --keep first")
        return False
    before, now = json.loads(path.read_text(encoding="utf-8")), record["figures"]
    assert isinstance(now, dict)
    good = True
    for each, row in before["figures"].items():
        key = "ratio" if "ratio" in row else "value"
        if each not in now:
            print(f"{each}: kept at {before['commit']}, gone now")
            good = False
        elif _is_worse(row, now[each][key], row[key]):
            print(f"{each}: {key} {now[each][key]:g}, was {row[key]:g} at {before['commit']}")
            good = False
    return good


def _is_worse(row: dict[str, float], found: float, kept: float) -> bool:
    """Nearer to its bar or past it by more than scatter; what has no bar is only kept."""
    if "at_most" in row:
        return found > max(kept * WORSE, kept + 0.05 * abs(row["at_most"]))
    if "at_least" in row:
        return found < min(kept / WORSE, kept - 0.05 * abs(row["at_least"]))
    return False


def _text(record: dict[str, object]) -> str:
    """A line for each figure, so that what changed shows in a diff."""
    rows = record["figures"]
    assert isinstance(rows, dict)
    lines = ",\n".join(f"  {json.dumps(key)}: {json.dumps(row)}" for key, row in rows.items())
    head = f'"commit": {json.dumps(record["commit"])}, "date": {json.dumps(record["date"])}'
    return f'{{{head}, "figures": {{\n{lines}\n}}}}\n'


def yardstick() -> float:
    """Processor seconds of a fixed piece of work on this machine now: the least of five."""
    values = np.random.default_rng(0).normal(size=400_000)
    spent = []
    for _ in range(5):
        begun = time.process_time()
        np.sort(values)
        np.sin(values).sum()
        sum(i * i for i in range(400_000))
        spent.append(time.process_time() - begun)
    return min(spent)


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")
