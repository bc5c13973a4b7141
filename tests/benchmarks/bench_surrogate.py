"""The torque model's speed, and what its short cuts cost. Exits 1 when a number is not reached.

Beside scikit-learn: a fit of 2,000 readings, both sides with one BLAS thread, the same readings and kernel (four
Matérn-5/2 factors, pull offset, noise); scikit-learn gets one start and ours three. scikit-learn gets a factor that
looks at its own column only, which is faster for it than length scales of 1e12 on the others.
A large table beside its places one by one: 450 readings are a usual dyno day, 2,000 a season.
Many readings: time and memory of a fit and of left-out errors at 3,000, 5,000 and 10,000, in a process each.
A grid of 17,280 nodes: its hyperparameters, and with holes a whole table beside the same places one by one.
Times are processor time.
"""

import multiprocessing
import sys
import time
from pathlib import Path

import numpy as np
from figures import Figure, report
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Matern, WhiteKernel

from phaseopt.surrogate import ExactModel, Hyperparameters, Readings, fit, fit_supplied_grid, leave_one_out
from phaseopt.surrogate.gridded import fit_grid
from phaseopt.values.blas import one_blas_thread

PULLS, NEW_PULL = 10, -1.0
ROUGH = Hyperparameters(40.0, (1500.0, 60.0, 15.0, 20.0), 1.0, 1.2, 100.0)  # lengths far below those of the fit


class Column(Matern):
    """scikit-learn's Matérn-5/2 on one column of the input."""

    def __init__(self, column, length_scale=1.0, length_scale_bounds=(1e-5, 1e5)):
        super().__init__(length_scale, length_scale_bounds, nu=2.5)
        self.column = column

    def __call__(self, X, Y=None, eval_gradient=False):
        column = slice(self.column, self.column + 1)
        return super().__call__(X[:, column], None if Y is None else Y[:, column], eval_gradient)


class SamePull(RBF):
    """scikit-learn's RBF on the pull number, so narrow that it only separates same from different."""

    def __call__(self, X, Y=None, eval_gradient=False):
        return super().__call__(X[:, 4:], None if Y is None else Y[:, 4:], eval_gradient)


def torque(x):
    """Invented: a hump over speed that moves with the intake centreline, more with load, best at some overlap."""
    rpm, load, icl, ecl = x.T
    hump = 40 * np.exp(-(((rpm - 4500 - 60 * (icl - 112)) / 2500) ** 2))
    dip = -8 * np.exp(-(((rpm - 3600) / 350) ** 2)) * (1 + np.tanh((108 - ecl) / 8))
    return 1.5 * (load - 20) + hump * load / 100 + dip - 0.015 * (icl + ecl - 220 - (rpm - 4500) / 300) ** 2


def inputs(n, rng):
    return rng.uniform([1500, 30, 95, 95], [7500, 100, 130, 130], (n, 4))


def scikit_fit(r):
    lengths = 0.5 * np.ptp(r.x, axis=0)
    signal = r.y.var()
    kernel = ConstantKernel(signal, (0.05**2 * signal, 100 * signal))
    for k, length in enumerate(lengths):
        kernel = kernel * Column(k, length, (0.04 * length, 100 * length))
    offset = ConstantKernel(0.05**2 * signal, (1e-6 * signal, 4 * signal)) * SamePull(1e-3, "fixed")
    kernel = kernel + offset + WhiteKernel(0.03**2 * signal, (1e-6 * signal, 4 * signal))
    model = GaussianProcessRegressor(kernel, n_restarts_optimizer=0)
    return model.fit(np.column_stack([r.x, r.pull]), r.y - r.y.mean())


def timed(action, *arguments):
    start = time.process_time()
    result = action(*arguments)
    return result, time.process_time() - start


def readings(n, rng):
    x, pull = inputs(n, rng), np.arange(n) % PULLS
    return Readings(x, torque(x) + rng.normal(0, 1.5, PULLS)[pull] + rng.normal(0, 1.0, n), pull)


def error_of(model, unseen):
    return np.sqrt(np.mean((model.predict(unseen)[0] - torque(unseen)) ** 2))


def fit_beside_scikit(r, unseen):
    ours, seconds = timed(fit, r)
    theirs, scikit_seconds = timed(scikit_fit, r)
    expected = theirs.predict(np.column_stack([unseen, np.full(len(unseen), NEW_PULL)])) + r.y.mean()
    error, scikit_error = error_of(ours, unseen), np.sqrt(np.mean((expected - torque(unseen)) ** 2))
    return ours.hyperparameters, [
        Figure("fit of 2,000 readings", seconds, "s"),
        Figure("scikit-learn's time over ours", scikit_seconds / seconds, at_least=5.0),
        Figure("our error over scikit-learn's", error / scikit_error, at_most=1.01),
    ]


def table(what, h, r, rng, most):
    """16 × 8 cells × 46 × 41 labels, and how far the deviation is from that of 3,000 places one by one."""
    model = ExactModel.at(h, r)
    axes = [np.linspace(*a) for a in ((1500, 7500, 16), (30, 100, 8), (95, 130, 46), (95, 130, 41))]
    (_, deviation), seconds = timed(model.predict_grid, *axes)
    at = rng.integers(0, deviation.shape, (3000, 4))
    exact = model.predict(np.column_stack([axis[at[:, k]] for k, axis in enumerate(axes)]))[1]
    return [
        Figure(f"table of {len(r)} readings, {what}", seconds, "s", at_most=most),
        Figure(
            f"its deviation of {len(r)}, off, {what}", abs(deviation[tuple(at.T)] / exact - 1.0).max(), at_most=1e-4
        ),
    ]


def many_readings(count):
    """Seconds of a fit and of left-out errors, and the peak of memory [MB], of this process."""
    rng = np.random.default_rng(3)
    r = readings(count, rng)
    fit(r.subset(np.arange(count) < 20))  # compile the kernels, or load them from their cache
    with one_blas_thread():
        model, seconds = timed(fit, r)
        _, left_out = timed(leave_one_out, model)
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return seconds, left_out, float(status["VmHWM"].split()[0]) / 1024


def growth():
    found = []
    for count, most in ((450, 2.0), (3000, 15.0), (5000, 30.0), (10_000, 120.0)):
        with multiprocessing.get_context("spawn").Pool(1) as alone:
            seconds, left_out, memory = alone.apply(many_readings, (count,))
        found += [
            Figure(f"fit of {count} readings and their left-out errors", seconds + left_out, "s", at_most=most),
            Figure(f"memory of {count} readings", memory, "MB", at_most=3000.0),
        ]
    return found


def full_grid():
    axes = [np.linspace(*a) for a in ((1500, 7500, 24), (30, 100, 8), (95, 130, 10), (95, 130, 9))]
    x = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
    values = (torque(x) + np.random.default_rng(0).normal(0, 0.3, len(x))).reshape([a.size for a in axes])
    found, seconds = timed(fit_grid, axes, values)
    return [
        Figure("full grid of 17,280 nodes, hyperparameters", seconds, "s", at_most=1.0),
        Figure("its noise over the one put in", found.noise / 0.3, at_least=0.95, at_most=1.05),
    ]


def supplied_grid():
    """A grid with 300 holes, from its nodes to 16 × 8 cells × 46 × 41 labels with deviation, exact here too."""
    axes = [np.linspace(*a) for a in ((1500, 7500, 24), (30, 100, 8), (95, 130, 10), (95, 130, 9))]
    x = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 4)
    values = torque(x) + np.random.default_rng(0).normal(0, 0.3, len(x))
    values[np.random.default_rng(1).choice(len(x), 300, replace=False)] = np.nan
    model, fitted = timed(fit_supplied_grid, axes, values.reshape([a.size for a in axes]))
    at = [np.linspace(*a) for a in ((1500, 7500, 16), (30, 100, 8), (95, 130, 46), (95, 130, 41))]
    table, seconds = timed(model.predict_grid, *at)
    places = np.random.default_rng(2).integers(0, table[1].shape, (500, 4))
    points = np.column_stack([axis[places[:, k]] for k, axis in enumerate(at)])
    by_point = model.predict(points)
    off = max(abs(ours[tuple(places.T)] / theirs - 1.0).max() for ours, theirs in zip(table, by_point, strict=True))
    return [
        Figure("grid of 17,280 nodes with 300 holes, fit and table", fitted + seconds, "s", at_most=10.0),
        Figure("its table, off one by one", off, at_most=1e-6),
        Figure("its error at unseen places", np.sqrt(np.mean((by_point[0] - torque(points)) ** 2)), "N·m"),
        Figure("its deviation there", np.sqrt(np.mean(by_point[1] ** 2)), "N·m"),
    ]


def main() -> int:
    rng = np.random.default_rng(3)
    r, unseen = readings(2000, rng), inputs(2000, rng)
    few = r.subset(np.arange(len(r)) < 450)
    fit(few)  # compile the kernels, or load them from their cache
    with one_blas_thread():
        h, found = fit_beside_scikit(r, unseen)
        found += table("as fitted", h, few, rng, most=1.0) + table("short lengths", ROUGH, few, rng, most=4.0)
        found += table("as fitted", h, r, rng, most=5.0) + table("short lengths", ROUGH, r, rng, most=60.0)
        found += full_grid() + supplied_grid()
    return report(__file__, found + growth())


if __name__ == "__main__":
    sys.exit(main())
