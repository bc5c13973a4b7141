"""Tuning outside engines from the program's simulation, alone and after four pulls: what it costs, by their maps.

Each of the 48 engines has laws of its own for burning, heat and friction (tests/outside/engine) and is described as a
builder would (tests/outside/engine_bridge). Four pulls at full throttle are simulated by the outside engine and shown
by a clean and a dirty dyno (`outside_dyno`): one at the latest timings, which is the baseline; two at timings held; and
one on the best table of the simulation. The simulation is calibrated to them, and each speed gets the timing with the
most expected torque, half a deviation taken off. Two ways to learn from the pulls:

factors     a simulation calibrated by factors is the mean, with a scale and a shift of its own
effects     effects of what may be wrong with the description are columns of the trend besides (cycle/tolerances.py),
            simulated at every second speed and three timings a cam, as the program does

Ten engines are those that simulation and torque model were made with; nothing was chosen on the others, which are
judged by themselves too. Torque lost is against the best of the outside's map at that speed; the share is of the best
torque over all speeds, by engine, averaged over five seeds. z is the error of the mean predicted gain over the baseline
in its own deviations, and intervals of 90 % are those of the gain at each speed. Effects are simulated with a step and
with half of it for two engines: how far they are from straight lines is printed.

What is simulated is kept in the temporary folder, named by the code of both sides: minutes an engine, the rest seconds.

    python tests/benchmarks/bench_calibration.py [EVERY]      every so-manieth engine only
"""

import sys
import tempfile
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import xarray as xr
from bench_outside import TUNED
from figures import Figure, report
from outside_dyno import MEMORY, ODD, ODD_BY, ROWS, SHARES, Kind
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
from phaseopt.surrogate import ExactModel, GridFunction, GridPrior, Readings, fit_weighed
from phaseopt.values.blas import one_blas_thread

Array = np.ndarray
SEEDS = range(5)
HELD = ((3, 3), (0, 1), (2, 0))  # timings of the map that pulls hold; the first is the baseline
BINS = 17  # points of a pull
LOAD = 100.0  # label of full throttle
FINE = 37  # timings of each cam to choose from
CAUTION = 0.5  # deviations taken off
TAPE = 5.0  # mm
HALVED = ("road four, as drawn", "track four, as drawn")  # engines whose steps are halved too
AXES = ("rpm", "load", "icl", "ecl")
MEAN, WORST = 0.5, 1.5  # % of torque lost after four pulls
SHARE, LEAST_SHARE = 99.85, 99.6  # % of the best torque, mean and worst engine
NINETY = 1.645
WAYS = ("factors", "effects")
KINDS: tuple[Kind, ...] = ("clean", "dirty")
FEW = (0, 1, 3)  # timings of the map at which effects are simulated


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
    """Torque of indicated and friction work (2, n) of each case at points of speed and timings.

    Where a point did not settle, what its neighbours in the list make likely along speed: few, and they are printed.
    """
    found, left = dict[str, Array](), dict(given)
    while left:
        first = next(iter(left.values()))
        build = [name for name, other in left.items() if first.same_build(other)]
        engines = [left.pop(name) for name in build]
        results = simulate(engine, [each for each in engines for _ in points], np.tile(points, (len(build), 1)))
        work = np.array([results.imep, results.fmep]) * config.displacement / (4.0 * np.pi)
        for lost in np.flatnonzero(~results.settled):
            at, case = points[lost % len(points)], lost // len(points) * len(points)
            alike = np.array([k for k in range(len(points)) if (points[k, 1:] == at[1:]).all()]) + case
            alike = alike[results.settled[alike]]
            if not alike.size:  # along a table
                alike = lost + np.array([-1, 1])
            work[:, lost] = [np.interp(at[0], points[alike - case, 0], each[alike]) for each in work]
            print(f"not settled: {engine.name} at {at.tolist()}", flush=True)
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
    few = grid.reshape(-1, 4, 4, 3)[::2][:, FEW][:, :, FEW].reshape(-1, 3)
    one = {"one": given.pop("one")}
    factors = {case: moved for case, moved in given.items() if case.split("|")[0] in FACTORS}
    on_few, on_pulls = works(engine, config, few, given), works(engine, config, pulls, one | factors)
    arrays = {"grid/one": found["one"]} | {f"few/{case}": work for case, work in on_few.items()}
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
        self.few = (
            self.axes[0][::2],
            self.axes[1],
            *(np.array(axis)[list(FEW)] for axis in (self.engine.icl, self.engine.ecl)),
        )
        one = self.found["grid/one"]
        self.on_pulls = self._responses("pulls", self.found["pulls/one"])
        self.on_few = self._responses("few", one.reshape(2, -1, 4, 4)[:, ::2][:, :, FEW][..., FEW].reshape(2, -1))
        self.plain = one[0] - one[1]  # torque at the nodes as described

    def _responses(self, where: str, one: Array) -> Responses:
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
        torque = self.prior(self.plain).product(self.cells, self.labels)
        return self._lost(torque.argmax(axis=1))

    def _lost(self, chosen: Array) -> Array:
        taken = self.truth[np.arange(len(chosen)), chosen]
        return (1.0 - taken / self.truth.max(axis=1)) * 100.0

    def day(self, kind: Kind, seed: int) -> Readings:
        """Four pulls as a dyno shows them (`outside_dyno.Dyno.pull`)."""
        rng, best = np.random.default_rng([seed, KINDS.index(kind), 7]), self.truth.max()
        offset, of_row, drift = (share * best for share in SHARES[kind])
        noise = of_row * np.sqrt((1.0 + MEMORY) / (1.0 - MEMORY) / ROWS)  # of a bin's mean
        number = np.arange(len(HELD) + 1)
        off = rng.normal(0.0, offset, number.size) + drift * number / 10.0
        if kind == "dirty":
            off += ODD_BY * best * rng.choice([-1.0, 1.0], number.size) * (rng.uniform(size=number.size) < ODD)
        seen = self.found["truth"] + off[self.pull] + rng.normal(0.0, noise, self.pull.size)
        return Readings(self.x, seen, self.pull, np.full(self.pull.size, noise**2))

    def learnt(self, day: Readings, way: str) -> ExactModel:
        """The torque model of a day."""
        factors = calibrate(self.on_pulls, Measured(day.x, day.y, np.sqrt(day.variance), day.pull)).factors
        nodes = np.stack([a.ravel() for a in np.meshgrid(self.engine.icl, self.engine.ecl, indexing="ij")], axis=1)
        rows = np.column_stack([self.axes[0], np.full(len(self.axes[0]), LOAD)])
        on_pulls = self.on_pulls.torque(factors)
        change = self._between(self.on_few.torque(factors) - self.on_few.torque({}))
        on_grid = self.plain + change.product(rows, nodes).ravel()
        if way == "factors":
            return fit_weighed(day, self.prior(on_grid), on_pulls)[0]
        effects = []
        for name, tolerance in self.tolerances.items():
            effect = self._between(tolerance.deviation * self._slope(name, factors))
            off = (1.0 - factors.get(name, 1.0)) / tolerance.deviation
            on_pulls = on_pulls + off * effect.at(day.x)
            on_grid = on_grid + off * effect.product(rows, nodes).ravel()
            effects.append(effect)
        return fit_weighed(day, self.prior(on_grid), on_pulls, effects)[0]

    def _slope(self, name: str, factors: Mapping[str, float]) -> Array:
        if name in FACTORS:
            at = {**factors, name: factors.get(name, 1.0)}
            return self.on_few.slopes(at)[:, list(at).index(name)]
        step = self.tolerances[name].step
        change = (self.found[f"few/{name}|{step}"] - self.on_few.at_one) / step
        return change[0] - change[1]

    def _between(self, values: Array) -> GridFunction:
        """What was simulated at few points (n,), between them."""
        return GridFunction(values.reshape([len(axis) for axis in self.few]), self.few)

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
            slopes = []
            for case, step in ((tolerance.step, tolerance.step), ("half", 0.5 * tolerance.step)):
                change = (self.found[f"few/{name}|{case}"] - self.on_few.at_one) / step
                slopes.append(tolerance.deviation * (change[0] - change[1]))
            found[name] = rms(slopes[0]), rms(slopes[0] - slopes[1])
        return found


def rms(values: Array) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


Way = tuple[Kind, str]


def one_engine(name: str) -> tuple[Array, dict[Way, list[Judged]], dict[str, tuple[float, float]]]:
    """All of an engine."""
    with one_blas_thread():
        bench = Bench(name)
        found = {
            (kind, way): [bench.judged(bench.learnt(bench.day(kind, seed), way)) for seed in SEEDS]
            for kind in KINDS
            for way in WAYS
        }
        return bench.alone, found, bench.curvature() if name in HALVED else {}


def main() -> int:
    """All ways from one run."""
    names = tuple(family())[:: int(sys.argv[1]) if len(sys.argv) > 1 else 1]
    with ProcessPoolExecutor(2) as pool:
        engines = dict(zip(names, pool.map(one_engine, names), strict=True))
    ways = [(kind, way) for kind in KINDS for way in WAYS]
    titles = ["simulation alone", *(f"{kind}, {way}" for kind, way in ways)]
    print(f"\n{'torque lost, mean and worst speed, %':32}" + "".join(f"{title:>18}" for title in titles))
    for name, (alone, found, _) in engines.items():
        losses = [alone, *(np.concatenate([each.lost for each in found[way]]) for way in ways)]
        print(f"{name:32}" + "".join(f"{loss.mean():12.2f} {loss.max():5.2f}" for loss in losses))
    for name, (_, _, curved) in engines.items():
        for part, (size, off) in curved.items():
            print(f"{name}: {part}, a deviation {size:.2f} N·m, half the step differs by {off:.2f} (rms)")
    alone = np.concatenate([each[0] for each in engines.values()])
    figures = [
        Figure("simulation alone: torque lost, mean", float(alone.mean()), "%"),
        Figure("simulation alone: torque lost, worst", float(alone.max()), "%"),
    ]
    out = [name for name in names if name not in TUNED]
    for kind, way in ways:
        some = {name: engines[name][1][kind, way] for name in names}
        figures += figures_of(f"{kind}, {way}: ", some, barred=way == "effects")
        if way == "effects" and out:
            figures += figures_of(f"{kind}, {len(out)} held out: ", {name: some[name] for name in out}, barred=False)
    return report(__file__, figures)


def figures_of(title: str, engines: Mapping[str, list[Judged]], *, barred: bool) -> list[Figure]:
    """What came of one way to tune some engines, `barred` with bars."""
    each = [judged for days in engines.values() for judged in days]
    lost = np.concatenate([one.lost for one in each])
    shares = [np.mean([one.share for one in days]) for days in engines.values()]
    errors = [(np.concatenate([one.error for one in days]), np.concatenate([one.deviation for one in days]))
              for days in engines.values()]  # fmt: skip
    inside = [100.0 * np.mean(np.abs(error) <= NINETY * deviation) for error, deviation in errors]
    of = np.array([name.split(",")[0] for name in engines])
    designs = [float(np.mean(np.array(inside)[of == design])) for design in set(of)]

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
        Figure(f"{title}the same, worst design", min(designs), "%", at_least=bar(70.0)),
    ]


if __name__ == "__main__":
    sys.exit(main())
