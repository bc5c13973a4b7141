"""Seven planned pulls on engines of other equations, without a simulation, beside one cam swept at a time.

48 engines (`outside_dyno`), each on a clean and a dirty dyno, five seeds of what chance does there. Every pull is a
full-throttle sweep; the travel is free. Planned: four timings, rest the first, pulled in turn (`in_turn`), then three
by the knowledge gradient. Tables are then the timing with the most expected torque at each speed (search rules, caution
and roughness play no part here). Beside it usual practice: one cam swept from rest over evenly spaced timings, the best
taken at each speed (the top of a parabola around the best reading), then the other.

Judged by what the tables truly make: the share of the best torque on these speeds and timings, and the share of what
the best tables gain over the best one timing. And by what the model claims of its gain over rest: the error of the mean
gain over its own deviation (z), and how many true gains of cells its 90 % intervals hold. Five pulls more follow, which
must not cost torque. Intervals of means are by bootstrap over engines. Pulls were
chosen on every fourth engine; the others, on which nothing was chosen, are judged by themselves too.

    python tests/benchmarks/bench_plan.py [EVERY]      every so-manieth engine only

What it does not show: part load, real noise, engines rougher over speed than five simulated speeds let them be.
"""

import os
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # two processes, a core each

import numpy as np
from figures import Figure, report
from outside_dyno import BINS, CELLS, LOAD, NAMES, Array, Dyno, Kind, joined

from phaseopt.study.acquisition import Candidate, Field, candidates, choose, in_turn
from phaseopt.study.full_load import joint_of_labels, reading_noise
from phaseopt.study.knowledge_gradient import KnowledgeGradient
from phaseopt.study.safe_timings import spread_out
from phaseopt.surrogate import ExactModel, Readings, fit_weighed

CHOSEN_ON = NAMES[::4]
SEEDS, PULLS, MORE = range(5), 7, 5
FIRST = 4  # before a model plans
ALONG = 11  # labels along each cam that pulls are chosen from
ROUGHNESS = 0.02  # N·m
NINETY = 1.645
KINDS: tuple[Kind, ...] = ("clean", "dirty")


@dataclass(frozen=True)
class Found:
    """Of one engine: shares of best torque and best gain; z and coverage of what was claimed; share lost later."""

    share: float
    gain: float
    z: float = float("nan")
    held: float = float("nan")
    lost_later: float = float("nan")


@dataclass
class Day:
    """Pulls made so far on a dyno, and what is planned next."""

    dyno: Dyno
    made: list[Readings] = field(default_factory=list)

    def __post_init__(self) -> None:
        a, b = (np.linspace(*ends, ALONG) for ends in self.dyno.box)
        self.labels = np.column_stack([np.repeat(a, b.size), np.tile(b, a.size)])
        apart = ROUGHNESS * ((self.labels[:, None] - self.labels) ** 2).sum(axis=2)
        everywhere, free = np.ones(CELLS, dtype=np.bool_), np.ones(len(self.labels), dtype=np.bool_)
        self.field = Field(self.labels, np.tile(apart, (CELLS - 1, 1, 1)), free, everywhere)
        self.rest = len(self.labels) - 1  # both centrelines largest

    def pull(self, candidate: Candidate) -> None:
        icl, ecl = self.labels[candidate.label].T
        self.made.append(self.dyno.pull(icl, ecl, len(self.made)))

    def learnt(self) -> ExactModel:
        return fit_weighed(joined(self.made))[0]

    def by_gradient(self) -> None:
        """The pull that should add most."""
        surface = self.learnt()
        mean, covariance = joint_of_labels(surface, self.dyno.speeds, LOAD, self.labels)
        state = KnowledgeGradient.of(mean, covariance, np.ones(CELLS), np.ones(mean.shape, dtype=np.bool_))
        (best,) = choose(state, candidates(state, self.field), self.field.read, reading_noise(surface, BINS / CELLS), 1)
        self.pull(best)

    def tables(self) -> tuple[Array, Array]:
        """The timings that are expected to make most at each speed."""
        a, b = self.dyno.fine
        mean, _ = self.learnt().predict_grid(self.dyno.speeds, [LOAD], a, b)
        i, e = np.unravel_index(mean.reshape(CELLS, -1).argmax(axis=1), (a.size, b.size))
        return a[i], b[e]

    def claimed(self, icl: Array, ecl: Array) -> tuple[float, float]:
        """z of the mean gain over rest, and the share of cells whose true gain the 90 % interval holds."""
        dyno, (i, e) = self.dyno, self.labels[self.rest]
        at = [np.column_stack([dyno.speeds, np.full(CELLS, LOAD), np.broadcast_to(a, CELLS), np.broadcast_to(b, CELLS)])
              for a, b in ((i, e), (icl, ecl))]  # fmt: skip
        mean, covariance = self.learnt().joint(np.concatenate(at))
        less = np.hstack([-np.eye(CELLS), np.eye(CELLS)])
        gain, covariance = less @ mean, less @ covariance @ less.T
        off = dyno.at(dyno.speeds, icl, ecl) - dyno.at(dyno.speeds, i, e) - gain
        moved = (icl != i) | (ecl != e)
        inside = np.abs(off) <= NINETY * np.sqrt(covariance.diagonal())
        return float(off.mean() / np.sqrt(covariance.mean())), float(inside[moved].mean())


def planned(name: str, kind: Kind, seed: int) -> Found:
    """As `phaseopt plan` has it."""
    day = Day(Dyno(name, kind, seed))
    far = spread_out(day.labels, day.labels[[day.rest]], FIRST - 1)
    tables = [np.full(CELLS, label) for label in (day.rest, *far)]
    for pull in in_turn(tables, day.field):
        day.pull(pull)
    while len(day.made) < PULLS:
        day.by_gradient()
    icl, ecl = day.tables()
    share, gain = day.dyno.shares(icl, ecl)
    z, held = day.claimed(icl, ecl)
    for _ in range(MORE):
        day.by_gradient()
    later, _ = day.dyno.shares(*day.tables())
    return Found(share, gain, z, held, share - later)


def habit(name: str, kind: Kind, seed: int) -> Found:
    """The intake first, the exhaust at rest; then the exhaust, the intake where it was best."""
    dyno = Dyno(name, kind, seed)
    (first, last), (far, rest) = dyno.box
    half = PULLS // 2
    intake = _best_of_sweep(
        dyno, np.linspace(first, last, half), lambda icl, k: dyno.pull(icl, np.full(CELLS, rest), k)
    )
    exhaust = _best_of_sweep(
        dyno, np.linspace(far, rest, PULLS - half), lambda ecl, k: dyno.pull(intake, ecl, half + k)
    )
    return Found(*dyno.shares(intake, exhaust))


def _best_of_sweep(dyno: Dyno, places: Array, pull: Callable[[Array, int], Readings]) -> Array:
    shown = [np.interp(dyno.speeds, dyno.bins, pull(np.full(CELLS, at), k).y) for k, at in enumerate(places)]
    torque, step = np.array(shown), places[1] - places[0]
    best = torque.argmax(axis=0)
    found: Array = places[best]
    for k in np.flatnonzero((best > 0) & (best < len(places) - 1)):
        before, at, after = torque[best[k] - 1 : best[k] + 2, k]
        found[k] += 0.5 * step * (before - after) / (before - 2.0 * at + after)
    return found


WAYS = {"planned": planned, "one cam at a time": habit}


def _one(job: tuple[str, str, Kind, int]) -> Found:
    way, name, kind, seed = job
    return WAYS[way](name, kind, seed)


def bootstrapped(by_engine: Array) -> str:
    """95 % interval of a mean over engines (Efron, Annals of Statistics 7 (1979), from memory)."""
    draws = np.random.default_rng(0).integers(len(by_engine), size=(2000, len(by_engine)))
    low, high = np.quantile(by_engine[draws].mean(axis=1), [0.025, 0.975])
    return f"{low:.4g} to {high:.4g}"


def main() -> int:
    begun = time.perf_counter()
    names = NAMES[:: int(sys.argv[1]) if len(sys.argv) > 1 else 1]
    jobs = [(way, name, kind, seed) for way in WAYS for kind in KINDS for name in names for seed in SEEDS]
    with ProcessPoolExecutor(2) as pool:
        results = dict(zip(jobs, pool.map(_one, jobs, chunksize=5), strict=True))

    def of(way: str, kind: str, what: str, some: tuple[str, ...] = names) -> Array:
        """(engines, seeds)"""
        return np.array([[getattr(results[way, name, kind, seed], what) for seed in SEEDS] for name in some])

    figures: list[Figure] = []
    for kind in KINDS:
        for way in WAYS:
            share = 100.0 * of(way, kind, "share").mean(axis=1)
            gain = 100.0 * of(way, kind, "gain")
            judged = way == "planned"
            title = f"{kind}, {way}, {PULLS} pulls: "
            figures += [
                Figure(f"{title}share of best torque, mean", share.mean(), "%", at_least=99.85 if judged else None),
                Figure(
                    f"{title}share of best torque, worst engine", share.min(), "%", at_least=99.6 if judged else None
                ),
                Figure(
                    f"{title}share of the gain over one timing", gain.mean(), "%", at_least=80.0 if judged else None
                ),
            ]
            print(f"{title}mean share of best torque {bootstrapped(share)}; gain {bootstrapped(gain.mean(axis=1))}")
            if way == "one cam at a time":
                continue
            z, inside = of(way, kind, "z"), 100.0 * of(way, kind, "held").mean(axis=1)
            designs = [np.nanmean([x for x, n in zip(inside, names, strict=True) if n.startswith(design)])
                       for design in sorted({n.split(",")[0] for n in names})]  # fmt: skip
            figures += [
                Figure(f"{title}z of the mean gain, rms", np.sqrt((z**2).mean()), "",
                       at_least=0.8 if judged else None, at_most=1.2 if judged else None),
                Figure(f"{title}true cell gains in 90 % intervals", float(np.nanmean(inside)), "%",
                       at_least=85.0 if judged else None, at_most=95.0 if judged else None),
                Figure(f"{title}the same, worst design", min(designs), "%", at_least=70.0 if judged else None),
            ]  # fmt: skip
            worse = (100.0 * of(way, kind, "lost_later") > 0.1).mean()
            figures.append(
                Figure(f"{title}made worse by {MORE} more", 100.0 * worse, "%", at_most=5.0 if judged else None)
            )
        deficit = 100.0 * (of("one cam at a time", kind, "share") - of("planned", kind, "share")).mean(axis=1)
        print(f"{kind}: behind one cam at a time, mean {bootstrapped(deficit)} %")
        figures += [
            Figure(f"{kind}: behind one cam at a time, mean", deficit.mean(), "%", at_most=0.05),
            Figure(f"{kind}: behind one cam at a time, worst engine", deficit.max(), "%", at_most=0.2),
        ]
        out = tuple(name for name in names if name not in CHOSEN_ON)
        if out:
            share, z = 100.0 * of("planned", kind, "share", out).mean(axis=1), of("planned", kind, "z", out)
            inside = 100.0 * of("planned", kind, "held", out)
            words = f"{kind}, planned, {len(out)} engines held out: "
            figures += [
                Figure(f"{words}share of best torque, mean", share.mean(), "%"),
                Figure(f"{words}share of best torque, worst engine", share.min(), "%"),
                Figure(f"{words}z of the mean gain, rms", np.sqrt((z**2).mean()), ""),
                Figure(f"{words}true cell gains in 90 % intervals", float(np.nanmean(inside)), "%"),
            ]
    figures.append(Figure("time", time.perf_counter() - begun, "s"))
    return report(__file__, figures)


if __name__ == "__main__":
    sys.exit(main())
