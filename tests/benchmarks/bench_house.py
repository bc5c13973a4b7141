"""The size and order of the package: lines by room, before it moved into its rooms and now, and what `house.py` counts.

Lines are those of every file under `phaseopt/` that a person wrote, templates among them; a file of before counts for
the room it moved to. Held to: no circle, no arrow back up, at most 8 loose modules, at most 8 parameters.

    python tests/benchmarks/bench_house.py [--keep | --check]
"""

import subprocess
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import house
from figures import Figure, report

ROOT = Path(__file__).resolve().parents[2]
BEFORE, MOVED = "6251fed", "8687021"  # the last commit before the move, and the move itself


def git(*words: str) -> str:
    return subprocess.run(["git", "-C", str(ROOT), *words], capture_output=True, text=True, check=True).stdout


def lines_at(commit: str, moved: dict[str, str]) -> Counter[str]:
    """Lines by room of a commit; `moved` says where a file went since."""
    found: Counter[str] = Counter()
    counted = git("grep", "-I", "-c", "", commit, "--", "phaseopt").splitlines()
    for line in counted:
        _, name, count = line.split(":")
        found[room(moved.get(name, name))] += int(count)
    return found


def room(name: str) -> str:
    parts = Path(name).parts
    return parts[1] if len(parts) > 2 else Path(parts[1]).stem


def main() -> int:
    """Print lines by room and judge the order."""
    renames = (line.split("\t") for line in git("diff", "-M", "--name-status", BEFORE, MOVED).splitlines())
    moved = {each[1]: each[2] for each in renames if each[0].startswith("R")}
    before, now = lines_at(BEFORE, moved), lines_at("HEAD", {})
    print(f"{'lines':<16}{BEFORE:>10}{'now':>10}{'change':>10}")
    for each in sorted(before | now, key=lambda name: house.ROOMS.index(name) if name in house.ROOMS else 99):
        share = f"{now[each] / before[each] - 1:+.0%}" if before[each] else "new"
        print(f"{each:<16}{before[each]:>10}{now[each]:>10}{share:>10}")
    modules = house.parsed()
    found = house.imports(modules)
    most = max((count for _, count in house.crowded(modules)), default=house.MOST_PARAMETERS)
    lines = [Figure(f"lines in {name}", count) for name, count in sorted(now.items())]
    return report(
        __file__,
        [
            Figure("lines in all, before", before.total()),
            Figure("lines in all", now.total()),
            Figure("lines against before", now.total() / before.total(), "", at_most=1.0),
            *lines,
            Figure("circles", len(house.circles(found)), at_most=0),
            Figure("arrows back up", len(house.upward(found)), at_most=0),
            Figure("loose modules", len(house.loose()), at_most=house.MOST_LOOSE),
            Figure("most parameters of a function", most, at_most=house.MOST_PARAMETERS),
        ],
    )


if __name__ == "__main__":
    sys.exit(main())
