"""How long a shelf of parts takes, and how soon the best of a large one is found.

search    a single cylinder with 5 intake lobes, 4 exhaust lobes, 4 heads, 5 runners and 5 primaries: all 2,000 are
          simulated at four speeds and four timings, the best timing at each speed counts. Then 100 are chosen, twenty
          times with the parts in another order, beside twenty times by chance in the same run; and twenty times for
          torque and price, judged by the volume below the front of both (Optuna's own function)
time      the 42 of 48 combinations of examples/hillclimb/shelf.toml that go together, in a copy of that folder: with
          nothing but compiled kernels, then with simulated points cached and no trial, by `phaseopt parts`
processes one process bound to a core, and two bound to a core each, on a shelf of six of them; the present engine is
          known before either begins

    python tests/benchmarks/bench_shelf.py [search] [time] [processes]      all by default; half an hour, quiet
"""

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
from figures import Figure, report
from optuna._hypervolume import compute_hypervolume

sys.path.insert(0, str(Path(__file__).parents[1]))

from cycle.sample import MESH, lobe, sample

from phaseopt.cycle.config import CycleConfig, Pipe
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint
from phaseopt.study.parts.sampler import next_choice

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "hillclimb"
SPEEDS, ICL, ECL = (2500.0, 4000.0, 5500.0, 7000.0), (100.0, 115.0), (100.0, 115.0)
TRIALS, SEEDS, NEAR = 100, range(20), 0.5  # % of the best
PRICES = ((0, 180, 0, 220, 320), (0, 150, 200, 260), (300, 0, 450, 900), (90, 60, 0, 60, 90), (160, 80, 0, 80, 160))
COLD, KEPT, FASTER, FOUND = 600.0, 120.0, 1.7, 18


def pipe(of: Pipe, by: float) -> Pipe:
    """So many times as long."""
    return replace(of, sections=tuple(replace(s, length=by * s.length) for s in of.sections))


def engines() -> tuple[np.ndarray, list[CycleConfig]]:
    """Numbers of the parts (2000, 5), and the engines."""
    one = replace(sample(), firing_order=(1,), secondary=None)
    assert one.runner is not None
    assert one.primary is not None
    kinds = (
        [(10.5 + 0.04 * longer, 262.0 + longer) for longer in (-16.0, -8.0, 0.0, 8.0, 16.0)],
        [(9.6 + 0.04 * longer, 252.0 + longer) for longer in (-12.0, 0.0, 12.0, 24.0)],
        (0.92, 1.0, 1.06, 1.12),
        (0.7, 0.85, 1.0, 1.2, 1.4),
        (0.7, 0.85, 1.0, 1.2, 1.4),
    )
    found = [
        replace(
            one,
            intake_lift=lobe(*intake),
            exhaust_lift=lobe(*exhaust),
            flow_factor=flow,
            runner=pipe(one.runner, runner),
            primary=pipe(one.primary, primary),
        )
        for intake, exhaust, flow, runner, primary in product(*kinds)
    ]
    return np.array(list(product(*(range(len(kind)) for kind in kinds)))), found


def torques(configs: list[CycleConfig]) -> np.ndarray:
    """Mean over the speeds of the best torque of the timings, (2000,), kept in the temporary folder."""
    points = np.array([(n, 99.0, icl, ecl) for n, icl, ecl in product(SPEEDS, ICL, ECL)])
    key = fingerprint(code_version(), *configs, points)
    path = Path(tempfile.gettempdir()) / "phaseopt-bench-shelf" / f"{key}.npy"
    if path.exists():
        return np.asarray(np.load(path))
    found = []
    for start in range(0, len(configs), 100):
        for result in run_scattered(configs[start : start + 100], points, mesh=MESH):
            torque = np.where(result.settled, result.torque, -np.inf).reshape(len(SPEEDS), -1)
            found.append(torque.max(axis=1).mean())
        print(f"enumerated: {len(found)} of {len(configs)}", flush=True)
    path.parent.mkdir(exist_ok=True)
    np.save(path, np.array(found))
    return np.array(found)


def search() -> list[Figure]:
    """The best of 2,000 in 100 trials."""
    choices, configs = engines()
    torque = torques(configs)
    short = 100.0 * (1.0 - torque / torque.max())
    values = np.column_stack(
        [torque, -sum(np.array(price)[column] for price, column in zip(PRICES, choices.T, strict=True))]
    )
    ours, chance, fronts, chances = [], [], [], []
    for seed in SEEDS:
        rng = np.random.default_rng(seed)
        order = rng.permutation(len(choices))
        renamed = np.column_stack([rng.permutation(column.max() + 1)[column] for column in choices.T])[order]
        drawn = rng.choice(len(choices), TRIALS, replace=False)
        ours.append(float(short[order[tried(renamed, torque[order].reshape(-1, 1))]].min()))
        chance.append(float(short[drawn].min()))
        fronts.append(volume(values, order[tried(renamed, values[order])]))
        chances.append(volume(values, drawn))
    print("% short of the best, chosen: ", np.round(sorted(ours), 2))
    print("% short of the best, by chance:", np.round(sorted(chance), 2))
    print("% of the front of torque and price, chosen: ", np.round(sorted(fronts), 1))
    print("% of the front of torque and price, by chance:", np.round(sorted(chances), 1))
    hits = [sum(each <= NEAR for each in way) for way in (ours, chance)]
    return [
        Figure(f"within {NEAR} % of the best of 2,000 in {TRIALS} trials, of 20", hits[0], "", at_least=FOUND),
        Figure("the same by chance", hits[1], "", at_most=hits[0] - 1),
        Figure("volume of the front of torque and price, mean", float(np.mean(fronts)), "%"),
        Figure("the same by chance", float(np.mean(chances)), "%", at_most=float(np.mean(fronts))),
    ]


def tried(choices: np.ndarray, values: np.ndarray) -> list[int]:
    """The places that are chosen one after the other."""
    taken: list[int] = []
    for _ in range(TRIALS):
        taken.append(next_choice(choices, taken, values[taken]))
    return taken


def volume(values: np.ndarray, some: np.ndarray) -> float:
    """The volume below the front of some combinations, % of that below the front of all; from the worst of both."""
    worst = -values.min(axis=0)
    return 100.0 * compute_hypervolume(-values[some], worst) / compute_hypervolume(-values, worst)


def example(folder: Path, *, parts: Iterable[str] | None = None) -> Path:
    """A copy of the hill-climb folder without anything kept, with some of the kinds of part on its shelf."""
    shutil.copytree(EXAMPLE, folder / "hillclimb", ignore=shutil.ignore_patterns(".phaseopt"))
    shutil.copytree(ROOT / "maps", folder / "maps")
    project = folder / "hillclimb" / "project.toml"
    project.write_text(project.read_text().replace("../../maps", "../maps"))
    if parts is not None:
        shelf = project.with_name("shelf.toml")
        head, *tables = shelf.read_text().split("\n[[")
        shelf.write_text("\n[[".join([head, *(each for each in tables if any(f'"{name}"' in each for name in parts))]))
    return project


def parts_command(project: Path, core: int | None = None) -> subprocess.Popen[bytes]:
    """`phaseopt parts` on a project, bound to a core where one is named."""
    bound = [] if core is None else ["taskset", "--cpu-list", str(core)]
    command = [sys.executable, "-m", "phaseopt", "parts", project.name, "--shelf", "shelf.toml", "--json"]
    return subprocess.Popen(
        [*bound, *command], cwd=project.parent, stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )


def seconds(*running: subprocess.Popen[bytes], since: float) -> float:
    """Until all have ended well."""
    for each in running:
        assert each.wait() in (0, 1)
    return time.perf_counter() - since


def forget(project: Path, *names: str) -> None:
    """Take out what is kept under these names."""
    for name in names:
        path = project.parent / ".phaseopt" / name
        shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)


def timed() -> list[Figure]:
    """The whole example shelf, cold and with simulated points."""
    with tempfile.TemporaryDirectory() as name:
        project = example(Path(name))
        cold = seconds(parts_command(project), since=time.perf_counter())
        forget(project, "parts.sqlite")
        kept = seconds(parts_command(project), since=time.perf_counter())
    return [
        Figure("48 combinations, all cold but kernels", cold, "s", COLD),
        Figure("48 combinations, simulated points cached", kept, "s", KEPT),
    ]


def processes() -> list[Figure]:
    """One process on one core, and two on two."""
    with tempfile.TemporaryDirectory() as name:
        project = example(Path(name), parts=("short grind", "long exhaust grind", "domed pistons"))
        seconds(parts_command(project), since=time.perf_counter())  # the present engine, and kernels
        forget(project, "parts.sqlite", "parts")
        one = seconds(parts_command(project, 0), since=time.perf_counter())
        forget(project, "parts.sqlite", "parts")
        start = time.perf_counter()
        two = seconds(parts_command(project, 0), parts_command(project, 1), since=start)
    return [
        Figure("one process on a core", one, "s"),
        Figure("two processes on a core each", two, "s"),
        Figure("times as fast", one / two, "", at_least=FASTER),
    ]


def main() -> int:
    """What was asked for."""
    ways = {"search": search, "time": timed, "processes": processes}
    asked = sys.argv[1:] or list(ways)
    return report(__file__, [figure for name in asked for figure in ways[name]()])


if __name__ == "__main__":
    sys.exit(main())
