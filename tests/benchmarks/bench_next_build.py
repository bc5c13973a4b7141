"""The next build of the example, before parts are bought: two builds from simulation, and one comparison.

Both build clear and the grid of each is simulated anew in at most 3 minutes of wall time. Held against practice (common
practice, no source): a longer intake cam and shorter runners move torque up the range, so that torque falls at
mid-range and rises at the top; less intake advance is safe, so a degree of it, and deeper pockets, are worth more.
"""

import json
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from phaseopt.output.compare import compare
from phaseopt.output.read_build import read_build

EXAMPLES = Path(__file__).parents[2] / "examples"
AT_MOST = 180.0  # s


def built(folder: Path, name: str) -> tuple[Path, float]:
    """A build without any kept simulation, and how long it took."""
    out, began = folder / name, time.perf_counter()
    project = folder / "next_build" / f"{name}.toml"
    subprocess.run([sys.executable, "-m", "phaseopt", "build", str(project), "--out", str(out), "--quiet"], check=True)
    return out, time.perf_counter() - began


def main() -> int:
    with tempfile.TemporaryDirectory() as at:
        folder = Path(at) / "examples"
        for name in ("next_build", "hillclimb"):
            shutil.copytree(EXAMPLES / name, folder / name, ignore=shutil.ignore_patterns(".phaseopt"))
        shutil.copytree(EXAMPLES.parent / "maps", Path(at) / "maps")
        (now, first), (after, second) = (built(folder, name) for name in ("now", "next"))
        found = compare(read_build(now), read_build(after))
        records = [json.loads((out / "run.json").read_text(encoding="utf-8")) for out in (now, after)]
    assert found.torque is not None
    change = found.torque["difference"]
    deeper = [record["limit_costs"]["pockets_deeper_Nm_a_cell"] for record in records]
    middle, top = float(change.sel(rpm=slice(3500, 5000)).mean()), float(change.sel(rpm=slice(8000, 9000)).mean())
    clear = all(record["verdict"]["clear"] for record in records)
    rows = [
        ("slower of the two builds, s", max(first, second), max(first, second) <= AT_MOST, f"at most {AT_MOST:g}"),
        ("both clear", float(clear), clear, "1"),
        ("change at 3500-5000 rpm, N·m", middle, middle < 0, "below 0"),
        ("change at 8000 rpm and up, N·m", top, top > 0, "above 0"),
        ("0.5 mm deeper pockets, second over first", deeper[1] / deeper[0], deeper[1] > deeper[0], "above 1"),
    ]
    for name, value, good, wanted in rows:
        print(f"{name:<44} {value:8.2f}  {wanted:<12} {'ok' if good else 'MISSED'}")
    return int(not all(good for _, _, good, _ in rows))


if __name__ == "__main__":
    sys.exit(main())
