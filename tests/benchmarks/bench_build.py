"""How long the whole job takes on the example, cold and warm, and how much memory; and how soon `--help` answers.

Numbers to reach: build 20 s warm and 700 MB; `--help` 0.5 s; a first run with nothing compiled at most 60 s more. Whole
processes are timed, least of three, both sides in one run.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PHASEOPT = Path(sys.executable).with_name("phaseopt")
HILLCLIMB = Path(__file__).parents[2] / "examples" / "hillclimb" / "project.toml"


def seconds(*arguments: str, cache: str | None = None) -> float:
    environment = os.environ | ({"NUMBA_CACHE_DIR": cache} if cache else {})
    started = time.perf_counter()
    subprocess.run([PHASEOPT, *arguments], check=True, capture_output=True, env=environment)
    return time.perf_counter() - started


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        job = ("build", str(HILLCLIMB), "--out", f"{folder}/out")
        cold = seconds(*job, cache=f"{folder}/cache")
        warm = min(seconds(*job, cache=f"{folder}/cache") for _ in range(3))
        helped = min(seconds("--help") for _ in range(3))
    memory = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    rows = [
        ("build, warm", warm, 20.0, "s"),
        ("first build less a warm one", cold - warm, 60.0, "s"),
        ("peak memory", memory, 700.0, "MB"),
        ("--help", helped, 0.5, "s"),
    ]
    for name, found, most, unit in rows:
        print(f"{name:<30} {found:8.2f} {unit:<3} at most {most:g} {'ok' if found <= most else 'MISSED'}")
    return int(any(found > most for _, found, most, _ in rows))


if __name__ == "__main__":
    sys.exit(main())
