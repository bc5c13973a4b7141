"""10,000 damaged inputs, seeds fixed: each ends soon in an answer or in messages and leaves nothing.

Run by itself: `python tests/benchmarks/bench_fuzz.py [HOW MANY] [FIRST SEED]`; `--show` prints each that failed. The
inputs come from `tests/outside/hostile.py`, which imports nothing of the package. A call is a child of one process that
has loaded everything (POSIX). Exit 1 where a figure misses its bar.
"""

import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_threads] = "1"

# ruff: noqa: E402
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from figures import Figure, report
from forked import forked_call
from hostile_bases import bases, warm
from outside.hostile import hostile_call

FAULTS = (
    "traceback",
    "hang",
    "memory",
    "nan",
    "files left",
    "exit code",
    "no message",
    "long message",
    "control character",
)


def main() -> int:
    """Count what becomes of each."""
    show = "--show" in sys.argv
    numbers = [int(each) for each in sys.argv[1:] if not each.startswith("--")]
    many, first = (*numbers, 10_000, 0)[:2] if len(numbers) != 1 else (numbers[0], 0)
    counts: Counter[str] = Counter()
    codes: Counter[int] = Counter()
    slowest, most = 0.0, 0
    with tempfile.TemporaryDirectory() as made:
        place, aside = Path(made) / "call", Path(made) / "aside"
        aside.mkdir()
        sound = bases(Path(made) / "sound")
        warm(sound, Path(made) / "warm")
        for seed in range(first, first + many):
            place.mkdir()
            call = hostile_call(seed, place, sound)
            found = forked_call(call, place, aside)
            shutil.rmtree(place, ignore_errors=True)
            counts.update(found.faults)
            codes[found.code] += 1
            slowest, most = max(slowest, found.seconds), max(most, found.memory)
            if show and seed % 500 == 0:
                print(f"at seed {seed}", flush=True)
            if show and found.faults:
                print(f"seed {seed}: {found.faults} {found.code} {found.seconds:.1f} {str(call)[:300]}\n"
                      f"{found.messages[:200]} ... {found.messages[-900:]}", flush=True)  # fmt: skip
    figures = [Figure("inputs", many)]
    figures += [Figure(fault, counts[fault], at_most=0) for fault in FAULTS]
    figures += [Figure(f"exit code {code}", codes[code]) for code in (0, 1, 2)]
    figures += [
        Figure("slowest, processor time", slowest, "s", at_most=20.0),
        Figure("most memory", most / 2**20, "MiB", at_most=2048),
    ]
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
