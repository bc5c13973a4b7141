"""Sixty damaged inputs: each ends soon in an answer or in messages and leaves nothing. Ten thousand are a benchmark."""

import subprocess
import sys
from pathlib import Path

BENCH = Path(__file__).parent / "benchmarks" / "bench_fuzz.py"


def test_sixty_damaged_inputs_end_as_they_should() -> None:
    done = subprocess.run(
        [sys.executable, str(BENCH), "60", "40000", "--show"], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
