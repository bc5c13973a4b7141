"""Which parts to bolt together, judged by five shelves of twelve combinations around outside engines (outside/shelves).

A predictor sees the parts as measured and four pulls of the present engine at full throttle, simulated by the outside
engine with drift of a pull and noise of a point: one at the latest timings, two at timings held in the box, and one on
the best table of the program's simulation. It gives the band average (the mean over the five speeds of the best torque
in a combination's box) of all twelve, with their covariance. Truth is the outside engine's. Asked of it:

    pairs that are truly more than 1 % apart in the right order; torque lost by its first choice, against the best of
    the shelf; true differences of all 66 pairs inside its 90 % intervals, which may be too narrow or too
    wide; and how wide these are beside those that would come if combinations shared nothing

Two plain predictors show what the real one has to beat, and have no bars: the simulation as described, and the same
with the factors that four pulls give, carried to all combinations. Each takes 2 % of torque as its deviation.

The real one is the program's: knowledge of the present engine carried to other parts, differences counted together. One
number (`ALIKE`) was set with the road and the track four in view; the other three shelves were first seen with it.

What is simulated is kept in the temporary folder, named by the code of both sides: a few minutes a shelf, the rest
seconds. More `SEEDS` are more days of each shelf.

    python tests/benchmarks/bench_parts.py
"""

import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from itertools import combinations
from pathlib import Path
from typing import NamedTuple

import numpy as np
import xarray as xr
from figures import Figure, report

sys.path.insert(0, str(Path(__file__).parents[1]))

from outside.engine import torque as outside_torque
from outside.engine_bridge import NOT_QUITE_ALL
from outside.shelves import SHELVES, Shelf, key_of

from phaseopt.cycle.calibrate import Measured, calibrate
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.effects import effects_at
from phaseopt.cycle.factors import FACTORS, with_factors
from phaseopt.cycle.grid import grid_fingerprint, simulate
from phaseopt.cycle.responses import Responses, respond
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.tolerances import tolerances
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint
from phaseopt.study.parts.knowledge import Knowledge, changes_by_variable, expected_engine, knowledge_of_surface
from phaseopt.study.parts.paired import SETTLED, Paired
from phaseopt.surrogate import GridFunction, GridPrior, Readings, fit
from phaseopt.values.blas import one_blas_thread

Array = np.ndarray
AXES = ("rpm", "load", "icl", "ecl")
SEEDS = range(1)
HELD = ((1.0, 1.0), (0.0, 1.0 / 3.0), (2.0 / 3.0, 0.0))  # places in the box that pulls hold; the first is the baseline
BINS = 17  # points of a pull
DRIFT, NOISE = 0.005, 0.004  # standard deviations of a pull and of a point, shares of torque
PLAIN = 0.02  # deviation of the plain predictors, share of torque
APART = 1.0  # % by which a pair must differ for its order to count
NINETY = 1.645
KINDS = {
    "intake lobe": "intake_cams", "exhaust lobe": "exhaust_cams", "head": "heads", "piston": "pistons",
    "manifold": "manifolds", "exhaust": "exhausts",
}  # fmt: skip
TAPE = 5.0  # mm, 95 %
ORDER, MEAN, WORST, LEAST, MOST = 90.0, 0.5, 1.5, 80.0, 95.0  # %


class Predicted(NamedTuple):
    """Band averages of the best tables [N·m] (12,), covariance (12, 12), and variances (12,) if nothing were shared."""

    torque: Array
    covariance: Array
    independent: Array


Predict = Callable[[Shelf, Measured], Predicted]


def as_described(shelf: Shelf, pulls: Measured) -> Predicted:
    """The simulation of each combination; pulls are not looked at."""
    return _plain([shelf.best(i, gridded(shelf, i)["torque"])[0].mean() for i in range(len(shelf.configs))])


def calibrated(shelf: Shelf, pulls: Measured) -> Predicted:
    """With the factors that pulls of the present engine give: they change all combinations' work by the same shares."""
    config = shelf.configs[shelf.present]
    factors = calibrate(responses(config, pulls.points), pulls).factors
    nodes = np.stack([a.ravel() for a in np.meshgrid(*axes_of(shelf), indexing="ij")], axis=1)
    present = responses(config, nodes)
    no_friction = {**factors, "friction": 0.0}
    share = (present.torque(no_friction) / present.torque({"friction": 0.0})).reshape(-1, 4, 4)
    found = []
    for i in range(len(shelf.configs)):
        work = gridded(shelf, i)
        torque = work["indicated"] * share - work["friction"] * factors.get("friction", 1.0)
        found.append(shelf.best(i, torque)[0].mean())
    return _plain(found)


def _plain(torque: list[float]) -> Predicted:
    variance = (PLAIN * np.array(torque)) ** 2
    return Predicted(np.array(torque), np.diag(variance), variance)


def together(shelf: Shelf, pulls: Measured) -> Predicted:
    """As the program does it: what the pulls show of each part is carried to the combinations that have it."""
    known = known_of(shelf, pulls)
    torque, changes = [], []
    for i, described in enumerate(shelf.configs):
        kinds = kinds_of(shelf, i)
        config, factors = expected_engine(known, kinds, described, TAPE)
        best, timings = shelf.best(i, torque_of(shelf, config))
        points = np.column_stack([shelf.engine.speeds, np.full(len(timings), load_of(shelf)), timings])
        effects = effects_of(config, factors, points)
        torque.append(float(best.mean()))
        means = {name: float(each.mean()) for name, each in effects.items()}
        changes.append(changes_by_variable(known, kinds, torque[-1], means))
    variables = tuple(dict.fromkeys(each for one in changes for each in one))
    by_variable = np.array([[one.get(v, 0.0) for v in variables] for one in changes])
    _, shared = known.of(variables)
    paired = Paired(np.array(torque), variables, by_variable, shared, (SETTLED * np.array(torque)) ** 2)
    return Predicted(paired.torque, paired.covariance, np.diag(paired.covariance))


def kinds_of(shelf: Shelf, combination: int) -> dict[str, str]:
    """Its parts by kind, as the program names kinds."""
    return {KINDS[part.kind]: part.name for part in shelf.combinations[combination]}


def known_of(shelf: Shelf, pulls: Measured) -> Knowledge:
    """What the torque model of the present engine knows: effects of tolerances on the tangent at the calibrated one."""
    config, axes = shelf.configs[shelf.present], axes_of(shelf)
    given = calibrate(responses(config, pulls.points), pulls).factors
    found = {name: round(factor, 2) for name, factor in given.items()}
    expected = with_factors(config, found)
    may_be = tolerances(expected, TAPE)
    at = {name: found.get(name, 1.0) for name in may_be}
    nodes = np.stack([a.ravel() for a in np.meshgrid(*axes, indexing="ij")], axis=1)
    shape = tuple(len(axis) for axis in axes)
    on_grid, on_pulls = effects_of(expected, at, nodes), effects_of(expected, at, pulls.points)
    torque, at_pulls, effects = torque_of(shelf, expected)[:, None], torque_at(expected, pulls.points), []
    for name, tolerance in may_be.items():
        off = (1.0 - at[name]) / tolerance.deviation
        torque = torque + off * on_grid[name].reshape(shape)
        at_pulls = at_pulls + off * on_pulls[name]
        effects.append(GridFunction(on_grid[name].reshape(shape), axes))
    prior = GridPrior(xr.Dataset({"torque": (AXES, torque)}, dict(zip(AXES, axes, strict=True))))
    readings = Readings(pulls.points, pulls.torque, pulls.pull, pulls.error**2)
    return knowledge_of_surface(fit(readings, prior, at_pulls, effects), list(may_be), kinds_of(shelf, shelf.present))


def torque_of(shelf: Shelf, config: CycleConfig) -> Array:
    """Simulated torque over the outside's speeds and timings (speeds, icl, ecl)."""
    axes = axes_of(shelf)
    grid = cached(
        grid_fingerprint(config, axes), lambda: {"torque": simulate(config, axes, workers=1)["torque"].values}
    )
    return grid["torque"][:, 0]


def torque_at(config: CycleConfig, points: Array) -> Array:
    """Simulated torque at points."""
    key = fingerprint("torque", code_version(), config, points)
    return cached(key, lambda: {"torque": run_scattered([config], points, workers=1)[0].torque})["torque"]


def effects_of(config: CycleConfig, factors: dict[str, float], points: Array) -> dict[str, Array]:
    """What a deviation of each tolerance changes of torque at points."""
    may_be = tolerances(config, TAPE)
    key = fingerprint("effects", code_version(), config, points, tuple(factors.items()))
    return cached(key, lambda: effects_at(config, may_be, factors, points, workers=1)[1])


PREDICTORS: dict[str, Predict] = {"as described": as_described, "calibrated": calibrated, "together": together}
BASELINES = ("as described", "calibrated")  # all others have to reach the bars


def cached(key: str, compute: Callable[[], dict[str, Array]]) -> dict[str, Array]:
    """Arrays from an earlier run, or computed."""
    path = Path(tempfile.gettempdir()) / "phaseopt-bench-parts" / f"{key}.npz"
    if not path.exists():
        path.parent.mkdir(exist_ok=True)
        part = path.with_suffix(".part.npz")
        np.savez(part, **compute())
        part.replace(path)
    with np.load(path) as found:
        return dict(found)


def axes_of(shelf: Shelf) -> Axes:
    """Speeds, full throttle and timings of the outside's maps."""
    now = shelf.engine
    return Axes(*map(np.array, (now.speeds, [load_of(shelf)], now.icl, now.ecl)))


def load_of(shelf: Shelf) -> float:
    """Of full throttle [kPa]: what outside is in front of the trumpets."""
    return NOT_QUITE_ALL * shelf.configs[0].ambient_pressure


def gridded(shelf: Shelf, combination: int) -> dict[str, Array]:
    """Torque, and torque of indicated and friction work [N·m], over the outside's speeds and timings."""
    config, axes = shelf.configs[combination], axes_of(shelf)

    def compute() -> dict[str, Array]:
        grid = simulate(config, axes, workers=1)
        assert grid["settled"].values.all()
        by_pressure = 1e3 * config.displacement / (4.0 * np.pi)
        work = {"indicated": grid["imep"] * by_pressure, "friction": grid["fmep"] * by_pressure}
        return {name: each.values[:, 0] for name, each in {"torque": grid["torque"], **work}.items()}

    return cached(grid_fingerprint(config, axes), compute)


def responses(config: CycleConfig, points: Array) -> Responses:
    """How simulated torque at points answers to the factors."""

    def compute() -> dict[str, Array]:
        found = respond(config, points, tuple(FACTORS))
        return {"at one": found.at_one, "ran": found.ran, **found.moved}

    found = cached(fingerprint(code_version(), config, points, tuple(FACTORS)), compute)
    return Responses(found.pop("at one"), {k: v for k, v in found.items() if k != "ran"}, found["ran"])


def pulled(shelf: Shelf) -> tuple[Array, Array]:
    """Points (68, 4) of the four pulls, as simulated, and the true torque there."""
    now, speeds = shelf.present, shelf.engine.speeds
    rpm, load = np.linspace(speeds[0], speeds[-1], BINS), np.full(BINS, load_of(shelf))
    first, last = shelf.boxes[now], np.array([shelf.engine.icl[-1], shelf.engine.ecl[-1]])
    held = [np.tile(first + np.array(place) * (last - first), (BINS, 1)) for place in HELD]
    best = shelf.best(now, gridded(shelf, now)["torque"])[1]
    table = np.column_stack([np.interp(rpm, speeds, timing) for timing in best.T])
    points = np.vstack([np.column_stack([rpm, load, timings]) for timings in (*held, table)])
    engine = shelf.engines[now]

    def compute() -> dict[str, Array]:
        return {"torque": np.array([outside_torque(engine, rpm, *at).torque for rpm, _, *at in points])}

    return points, cached(fingerprint(key_of(engine), points), compute)["torque"]


def day(shelf: Shelf, seed: int) -> Measured:
    """Four pulls of the present engine, with drift and noise."""
    points, truth = pulled(shelf)
    rng, pull = np.random.default_rng([seed, 7]), np.repeat(np.arange(len(HELD) + 1), BINS)
    drift = rng.normal(0.0, DRIFT, len(HELD) + 1)[pull]
    seen = truth * (1.0 + drift + rng.normal(0.0, NOISE, len(truth)))
    return Measured(points, seen, NOISE * seen, pull)


class Judged(NamedTuple):
    """One prediction of a shelf, all but `lost` by pair; percentages are of torque.

    Whether its order counts and is right; what the first choice loses [%]; the error of the difference [%], its
    deviation, and the deviation if nothing were shared.
    """

    counts: Array
    right: Array
    lost: float
    error: Array
    deviation: Array
    independent: Array


def judged(shelf: Shelf, found: Predicted) -> Judged:
    """By the outside engine."""
    truth = shelf.truth
    a, b = np.array(list(combinations(range(len(truth)), 2))).T
    percent = 100.0 / truth.mean()
    true, said = (percent * (each[b] - each[a]) for each in (truth, found.torque))
    c = found.covariance
    shared, alone = c[a, a] + c[b, b] - 2.0 * c[a, b], found.independent[a] + found.independent[b]
    return Judged(
        np.abs(true) > APART, np.sign(true) == np.sign(said),
        100.0 * float(1.0 - truth[found.torque.argmax()] / truth.max()),
        said - true, percent * np.sqrt(shared), percent * np.sqrt(alone),
    )  # fmt: skip


def one_shelf(shelf: Shelf) -> dict[str, list[Judged]]:
    """All predictors, by seed."""
    with one_blas_thread():
        days = [day(shelf, seed) for seed in SEEDS]
        return {name: [judged(shelf, predict(shelf, each)) for each in days] for name, predict in PREDICTORS.items()}


def main() -> int:
    """All predictors from one run."""
    with ProcessPoolExecutor(2) as pool:
        shelves = list(pool.map(one_shelf, SHELVES))
    figures = []
    print(f"{'order right %, torque lost % mean and worst, error rms %':58}" + "".join(f"{n:>28}" for n in PREDICTORS))
    for shelf, found in zip(SHELVES, shelves, strict=True):
        spread = 100.0 * float(np.ptp(shelf.truth) / shelf.truth.mean())
        row = f"{shelf.name}: {spread:.1f} % between best and worst, {next(iter(found.values()))[0].counts.sum()} pairs"
        for each in found.values():
            order, lost, error = _order(each), [one.lost for one in each], np.concatenate([one.error for one in each])
            row = f"{row:58}{order:10.1f}{np.mean(lost):6.2f}{np.max(lost):6.2f}{_rms(error):6.2f}"
        print(row)
    print()
    for name in PREDICTORS:
        each = [one for found in shelves for one in found[name]]
        lost = [one.lost for one in each]
        error, deviation, alone = (
            np.concatenate([getattr(one, part) for one in each]) for part in ("error", "deviation", "independent")
        )
        inside = 100.0 * float(np.mean(np.abs(error) <= NINETY * deviation))
        barred = name not in BASELINES
        figures += [
            Figure(
                f"{name}: pairs over {APART:g} % apart in the right order", _order(each), "%",
                at_least=ORDER if barred else None,
            ),
            Figure(f"{name}: lost by the first choice, mean", float(np.mean(lost)), "%", MEAN if barred else None),
            Figure(f"{name}: lost by the first choice, worst", float(np.max(lost)), "%", WORST if barred else None),
            Figure(
                f"{name}: differences inside 90 % intervals", inside, "%",
                MOST if barred else None, LEAST if barred else None,
            ),
            Figure(f"{name}: error of differences, rms", _rms(error), "%"),
            Figure(f"{name}: half width of the intervals", NINETY * float(deviation.mean()), "%"),
            Figure(f"{name}: the same if nothing were shared", NINETY * float(alone.mean()), "%"),
        ]  # fmt: skip
    return report(__file__, figures)


def _order(each: list[Judged]) -> float:
    counts, right = (np.concatenate([getattr(one, part) for one in each]) for part in ("counts", "right"))
    return 100.0 * float(right[counts].mean())


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


if __name__ == "__main__":
    sys.exit(main())
