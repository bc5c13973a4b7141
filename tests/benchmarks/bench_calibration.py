"""Tuning outside engines from the program's simulation, alone and after four pulls: what it costs, by their maps.

Each engine has laws of its own for burning, heat and friction (tests/outside/engine) and is described as a builder
would (tests/outside/engine_bridge). Four pulls at full throttle are simulated by the outside engine, with drift of a
pull and noise of a point: one at the latest timings, which is the baseline; two at timings held; and one on the best
table of the simulation. The simulation is calibrated to them, and each speed gets the timing with the most expected
torque, half a deviation taken off. Three ways to learn from the pulls:

factors     a simulation calibrated by factors is the mean, with a scale and a shift of its own (the way before)
effects     effects of what may be wrong with the description are columns of the trend besides (cycle/tolerances.py)
sparse      the same with effects at every second speed and three timings a cam, as the program simulates them

Ten engines are those that simulation and torque model were made with, ten more were drawn afterwards by the hash of the
commit at which both stood (`DRAWN`), and are judged by themselves too. Torque lost is against the best of the outside's
map at that speed; the share is of the best torque over all speeds, by engine, averaged over five seeds. z is the error
of the mean predicted gain over the baseline in its own deviations, and intervals of 90 % are those of the gain at each
speed. Effects are simulated with a step and with half of it for two engines: how far they are from straight lines is
printed.

What is simulated is kept in the temporary folder, named by the code of both sides: minutes an engine, the rest seconds.

    python tests/benchmarks/bench_calibration.py [made-with|drawn]
"""

import sys
import tempfile
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path

import numpy as np
import xarray as xr
from bench_outside import TUNED
from figures import Figure, report
from scipy.interpolate import RectBivariateSpline

sys.path.insert(0, str(Path(__file__).parents[1]))

from outside import engine as outside_engine
from outside.engine import OWN_LAWS, Engine, family
from outside.engine.maps import digest, stored
from outside.engine_bridge import Choices, config_of, simulate

from phaseopt.cycle.calibrate import Measured, calibrate
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.factors import FACTORS, with_factors
from phaseopt.cycle.responses import Responses
from phaseopt.cycle.tolerances import tolerances
from phaseopt.cycle.version import code_version
from phaseopt.io.digest import fingerprint
from phaseopt.surrogate import ExactModel, GridFunction, GridPrior, Readings, fit
from phaseopt.values.blas import one_blas_thread

Array = np.ndarray
SEEDS = range(5)
HELD = ((3, 3), (0, 1), (2, 0))  # timings of the map that pulls hold; the first is the baseline
BINS = 17  # points of a pull
DRIFT, NOISE = 0.005, 0.004  # standard deviations of a pull and of a point, shares of torque
LOAD = 100.0  # label of full throttle
FINE = 37  # timings of each cam to choose from
CAUTION = 0.5  # deviations taken off
TAPE = 5.0  # mm
HALVED = ("road four, as drawn", "track four, as drawn")  # engines whose steps are halved too
AXES = ("rpm", "load", "icl", "ecl")
MEAN, WORST = 0.5, 1.5  # % of torque lost after four pulls
SHARE, LEAST_SHARE = 99.85, 99.6  # % of the best torque, mean and worst engine
FROZEN = "a74e952"  # the commit whose hash draws the engines that nothing was chosen on
DRAWN = tuple(
    sorted(set(family()) - set(TUNED), key=lambda name: sha256(f"{FROZEN} {name}".encode()).digest())[: len(TUNED)]
)
NINETY = 1.645
WAYS = ("factors", "effects", "sparse")


def cases(config: CycleConfig, halved: bool) -> dict[str, CycleConfig]:
    """The engine as described, and with one thing moved at a time."""
    found = {"one": config}
    for name, factor in FACTORS.items():
        found |= {f"{name}|{step}": with_factors(config, {name: 1.0 + step}) for step in factor.steps}
    for name, tolerance in tolerances(config, TAPE).items():
        if name not in FACTORS:
            found[f"{name}|{tolerance.step}"] = tolerance.apply(config, 1.0 + tolerance.step)
        if halved and name != "friction":
            found[f"{name}|half"] = tolerance.apply(config, 1.0 + 0.5 * tolerance.step)
    return found


def works(engine: Engine, config: CycleConfig, points: Array, given: Mapping[str, CycleConfig]) -> dict[str, Array]:
    """Torque of indicated and friction work (2, n) of each case at points of speed and timings."""
    found, left = dict[str, Array](), dict(given)
    while left:
        first = next(iter(left.values()))
        build = [name for name, other in left.items() if first.same_build(other)]
        engines = [left.pop(name) for name in build]
        results = simulate(engine, [each for each in engines for _ in points], np.tile(points, (len(build), 1)))
        assert results.settled.all()
        work = np.array([results.imep, results.fmep]) * config.displacement / (4.0 * np.pi)
        found |= zip(build, np.split(work, len(build), axis=1), strict=True)
    return found


def speeds_of(engine: Engine) -> Array:
    """Those of its map and one between each two."""
    speeds = np.array(engine.speeds)
    return np.sort(np.concatenate([speeds, 0.5 * (speeds[1:] + speeds[:-1])]))


def simulated(name: str) -> dict[str, Array]:
    """All that both sides simulate of an engine, kept from an earlier run where there was one."""
    engine = family()[name]
    config = config_of(engine, OWN_LAWS, Choices(own_laws=True))
    given = cases(config, name in HALVED)
    parts = tuple((part, tolerance.step) for part, tolerance in tolerances(config, TAPE).items())
    key = fingerprint(digest(), code_version(), config, parts, name in HALVED, BINS, HELD)
    path = Path(tempfile.gettempdir()) / "phaseopt-bench-calibration" / f"{key}.npz"
    if path.exists():
        with np.load(path) as kept:
            return dict(kept)
    grid = np.stack([a.ravel() for a in np.meshgrid(speeds_of(engine), engine.icl, engine.ecl, indexing="ij")], axis=1)
    found = works(engine, config, grid, {"one": config})
    best = _best_table(engine, found["one"][0] - found["one"][1])
    rpm = np.linspace(engine.speeds[0], engine.speeds[-1], BINS)
    table = np.column_stack([rpm, *(np.interp(rpm, engine.speeds, timing) for timing in best)])
    held = [np.column_stack([rpm, np.full(BINS, engine.icl[i]), np.full(BINS, engine.ecl[e])]) for i, e in HELD]
    pulls = np.vstack([*held, table])
    del given["one"]
    on_grid = found | works(engine, config, grid, given)
    on_pulls = works(engine, config, pulls, {"one": config} | given)
    arrays = {f"grid/{case}": work for case, work in on_grid.items()}
    arrays |= {f"pulls/{case}": work for case, work in on_pulls.items()}
    arrays |= {"pulls": pulls, "truth": np.array([outside_engine.torque(engine, *at).torque for at in pulls])}
    path.parent.mkdir(exist_ok=True)
    part = path.with_suffix(".part.npz")
    np.savez(part, **arrays)
    part.replace(path)
    print(f"simulated: {name}", flush=True)
    return arrays


def _best_table(engine: Engine, torque: Array) -> tuple[Array, Array]:
    """The best timings of the simulation at the speeds of the map."""
    icl, ecl = labels_of(engine)
    dense = dense_of(engine, torque.reshape(-1, 4, 4)[::2]).reshape(len(engine.speeds), -1)
    i, e = np.unravel_index(dense.argmax(axis=1), (FINE, FINE))
    return icl[i], ecl[e]


def labels_of(engine: Engine) -> tuple[Array, Array]:
    """Timings to choose from."""
    icl, ecl = (np.linspace(axis[0], axis[-1], FINE) for axis in (engine.icl, engine.ecl))
    return icl, ecl


def dense_of(engine: Engine, values: Array) -> Array:
    """Values over (speed, 4, 4) at all labels, (speed, 1, FINE, FINE): both sides are read alike between nodes."""
    at = labels_of(engine)
    return np.stack([RectBivariateSpline(engine.icl, engine.ecl, each)(*at) for each in values])[:, None]


@dataclass
class Judged:
    """What came of one way to tune one engine with one seed: by speed, and the mean gain over the baseline."""

    lost: Array  # % of the best
    error: Array  # N m, true less predicted gain, where the timing is not the baseline's
    deviation: Array
    z: float
    share: float  # % of the best torque over all speeds


class Bench:
    """One engine."""

    def __init__(self, name: str) -> None:
        self.engine, self.found = family()[name], simulated(name)
        self.config = config_of(self.engine, OWN_LAWS, Choices(own_laws=True))
        self.tolerances = tolerances(self.config, TAPE)
        self.truth = dense_of(self.engine, stored()[name]["torque"].astype(float)).reshape(len(self.engine.speeds), -1)
        icl, ecl = labels_of(self.engine)
        self.axes = (speeds_of(self.engine), np.array([LOAD]), icl, ecl)
        self.labels = np.stack([a.ravel() for a in np.meshgrid(icl, ecl, indexing="ij")], axis=1)
        self.cells = np.column_stack([self.engine.speeds, np.full(len(self.engine.speeds), LOAD)])
        pulls = self.found["pulls"]
        self.x = np.column_stack([pulls[:, 0], np.full(len(pulls), LOAD), pulls[:, 1:]])
        self.pull = np.repeat(np.arange(len(HELD) + 1), BINS)
        self.on_pulls, self.on_grid = self._responses("pulls"), self._responses("grid")

    def _responses(self, where: str) -> Responses:
        one = self.found[f"{where}/one"]
        moved = {
            name: np.stack([self.found[f"{where}/{name}|{step}"] for step in factor.steps])
            for name, factor in FACTORS.items()
            if factor.steps
        }
        return Responses(one, moved, np.ones(one.shape[1], dtype=bool))

    def prior(self, torque: Array) -> GridPrior:
        """Simulated torque at the nodes (n,) as the torque model takes it."""
        return GridPrior(xr.Dataset({"torque": (AXES, self._dense(torque))}, dict(zip(AXES, self.axes, strict=True))))

    def _dense(self, values: Array) -> Array:
        return dense_of(self.engine, values.reshape(-1, 4, 4))

    @cached_property
    def alone(self) -> Array:
        """Torque lost by tuning from the simulation alone, % by speed."""
        torque = self.prior(self.on_grid.torque({})).product(self.cells, self.labels)
        return self._lost(torque.argmax(axis=1))

    def _lost(self, chosen: Array) -> Array:
        taken = self.truth[np.arange(len(chosen)), chosen]
        return (1.0 - taken / self.truth.max(axis=1)) * 100.0

    def day(self, seed: int) -> Readings:
        """Four pulls with noise."""
        rng, truth = np.random.default_rng([seed, 7]), self.found["truth"]
        drift = rng.normal(0.0, DRIFT, len(HELD) + 1)[self.pull]
        seen = truth * (1.0 + drift + rng.normal(0.0, NOISE, len(truth)))
        return Readings(self.x, seen, self.pull, (NOISE * truth) ** 2)

    def learnt(self, day: Readings, way: str) -> ExactModel:
        """The torque model of a day."""
        factors = calibrate(self.on_pulls, Measured(day.x, day.y, np.sqrt(day.variance), day.pull)).factors
        on_pulls, on_grid = self.on_pulls.torque(factors), self.on_grid.torque(factors)
        if way == "factors":
            return fit(day, self.prior(on_grid), on_pulls)
        nodes = np.stack([a.ravel() for a in np.meshgrid(self.engine.icl, self.engine.ecl, indexing="ij")], axis=1)
        rows = np.column_stack([self.axes[0], np.full(len(self.axes[0]), LOAD)])
        effects = []
        for name, tolerance in self.tolerances.items():
            effect = self._effect(tolerance.deviation * self._slope(name, factors), way == "sparse")
            off = (1.0 - factors.get(name, 1.0)) / tolerance.deviation
            on_pulls = on_pulls + off * effect.at(day.x)
            on_grid = on_grid + off * effect.product(rows, nodes).ravel()
            effects.append(effect)
        return fit(day, self.prior(on_grid), on_pulls, effects)

    def _slope(self, name: str, factors: Mapping[str, float]) -> Array:
        if name in FACTORS:
            at = {**factors, name: factors.get(name, 1.0)}
            return self.on_grid.slopes(at)[:, list(at).index(name)]
        step = self.tolerances[name].step
        change = (self.found[f"grid/{name}|{step}"] - self.found["grid/one"]) / step
        return change[0] - change[1]

    def _effect(self, nodes: Array, sparse: bool) -> GridFunction:
        if not sparse:
            return GridFunction(self._dense(nodes), self.axes)
        few = [0, 1, 3]
        values = nodes.reshape(-1, 4, 4)[::2][:, few][:, :, few]
        timings = [np.array(axis)[few] for axis in (self.engine.icl, self.engine.ecl)]
        return GridFunction(values[:, None], (self.axes[0][::2], self.axes[1], *timings))

    def judged(self, model: ExactModel) -> Judged:
        """Tables of a model by the map."""
        mean, deviation = model.predict_product(self.cells, self.labels)
        chosen, count = (mean - CAUTION * deviation).argmax(axis=1), len(self.cells)
        base = len(self.labels) - 1  # the latest timings
        true = self.truth[np.arange(count), chosen] - self.truth[:, base]
        after = np.column_stack([self.cells, self.labels[chosen]])
        before = np.column_stack([self.cells, np.tile(self.labels[base], (count, 1))])
        expected, covariance = model.joint(np.vstack([after, before]))
        each = np.hstack([np.eye(count), -np.eye(count)])
        error, spread = true - each @ expected, each @ covariance @ each.T
        moved = chosen != base
        return Judged(
            self._lost(chosen), error[moved], np.sqrt(np.diag(spread))[moved],
            float(error.mean() / np.sqrt(spread.mean())),
            100.0 * float(self.truth[np.arange(count), chosen].sum() / self.truth.max(axis=1).sum()),
        )  # fmt: skip

    def curvature(self) -> dict[str, tuple[float, float]]:
        """By part, what a deviation changes torque by, and what half the step makes of it differently, rms [N m]."""
        found = {}
        for name, tolerance in self.tolerances.items():
            if name == "friction":  # a straight line
                continue
            whole = self.tolerances[name].apply, self.found.get(f"pulls/{name}|{tolerance.step}")
            half, one = self.found[f"pulls/{name}|half"], self.found["pulls/one"]
            assert whole[1] is not None
            slopes = [tolerance.deviation * (w[0] - w[1]) for w in ((whole[1] - one) / tolerance.step,
                                                                  (half - one) / (0.5 * tolerance.step))]  # fmt: skip
            found[name] = rms(slopes[0]), rms(slopes[0] - slopes[1])
        return found


def rms(values: Array) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def one_engine(name: str) -> tuple[Array, dict[str, list[Judged]], dict[str, tuple[float, float]]]:
    """All of an engine."""
    with one_blas_thread():
        bench = Bench(name)
        days = [bench.day(seed) for seed in SEEDS]
        found = {way: [bench.judged(bench.learnt(day, way)) for day in days] for way in WAYS}
        return bench.alone, found, bench.curvature() if name in HALVED else {}


def main() -> int:
    """All ways from one run."""
    groups = {"made-with": TUNED, "drawn": DRAWN}
    groups = {name: groups[name] for name in sys.argv[1:] or groups}
    names = [name for group in groups.values() for name in group]
    with ProcessPoolExecutor(2) as pool:
        engines = dict(zip(names, pool.map(one_engine, names), strict=True))
    print(f"\n{'torque lost, mean and worst speed, %':32} {'simulation alone':>18}" + "".join(f"{w:>18}" for w in WAYS))
    for name, (alone, found, _) in engines.items():
        losses = [alone, *(np.concatenate([each.lost for each in found[way]]) for way in WAYS)]
        print(f"{name:32}" + "".join(f"{loss.mean():12.2f} {loss.max():5.2f}" for loss in losses))
    for name, (_, _, curved) in engines.items():
        for part, (size, off) in curved.items():
            print(f"{name}: {part}, a deviation {size:.2f} N·m, half the step differs by {off:.2f} (rms)")
    alone = np.concatenate([each[0] for each in engines.values()])
    figures = [
        Figure("simulation alone: torque lost, mean", float(alone.mean()), "%"),
        Figure("simulation alone: torque lost, worst", float(alone.max()), "%"),
    ]
    for way in WAYS:
        figures += figures_of(f"{way}: ", {name: engines[name][1][way] for name in names}, barred=way == "sparse")
    for group, some in groups.items():
        if len(groups) > 1:
            figures += figures_of(
                f"sparse, {group}: ", {name: engines[name][1]["sparse"] for name in some}, barred=False
            )
    return report(__file__, figures)


def figures_of(title: str, engines: Mapping[str, list[Judged]], *, barred: bool) -> list[Figure]:
    """What came of one way to tune some engines, `barred` with bars."""
    each = [judged for days in engines.values() for judged in days]
    lost = np.concatenate([one.lost for one in each])
    shares = [np.mean([one.share for one in days]) for days in engines.values()]
    errors = [(np.concatenate([one.error for one in days]), np.concatenate([one.deviation for one in days]))
              for days in engines.values()]  # fmt: skip
    inside = [100.0 * np.mean(np.abs(error) <= NINETY * deviation) for error, deviation in errors]

    def bar(at: float) -> float | None:
        return at if barred else None

    return [
        Figure(f"{title}torque lost, mean", float(lost.mean()), "%", at_most=bar(MEAN)),
        Figure(f"{title}torque lost, worst speed", float(lost.max()), "%", at_most=bar(WORST)),
        Figure(f"{title}share of best torque, mean", float(np.mean(shares)), "%", at_least=bar(SHARE)),
        Figure(f"{title}share of best torque, worst engine", min(shares), "%", at_least=bar(LEAST_SHARE)),
        Figure(f"{title}error of gains by speed, rms", rms(np.concatenate([error for error, _ in errors])), "N m"),
        Figure(f"{title}z of the mean gain, rms", rms(np.array([one.z for one in each])), "", bar(1.2), bar(0.8)),
        Figure(f"{title}gains by speed inside 90 % intervals", float(np.mean(inside)), "%", bar(95.0), bar(85.0)),
        Figure(f"{title}the same, worst engine", min(inside), "%"),
    ]


if __name__ == "__main__":
    sys.exit(main())
