"""Fit at 1,000 readings against scikit-learn, and the time of one torque map. Exits 1 when a number is not reached.

Both sides get one BLAS thread, the same readings, the same kernel (four Matérn-5/2 factors, pull offset, noise) and
three starts. scikit-learn gets a factor that looks at its own column only, which is faster for it than length scales
of 1e12 on the others.
"""

import sys
import time

import numpy as np
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Matern, WhiteKernel
from threadpoolctl import threadpool_limits

from phaseopt.surrogate.exact import ExactModel
from phaseopt.surrogate.fitting import fit
from phaseopt.surrogate.readings import Readings

PULLS, NEW_PULL = 10, -1.0


class Column(Matern):
    """scikit-learn's Matérn-5/2 on one column of the input."""

    def __init__(self, column, length_scale=1.0, length_scale_bounds=(1e-5, 1e5)):
        super().__init__(length_scale, length_scale_bounds, nu=2.5)
        self.column = column

    def __call__(self, X, Y=None, eval_gradient=False):
        column = slice(self.column, self.column + 1)
        return super().__call__(X[:, column], None if Y is None else Y[:, column], eval_gradient)


class SamePull(RBF):
    """scikit-learn's RBF on the pull number, so narrow that it only tells same from different."""

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
    start = time.perf_counter()
    result = action(*arguments)
    return result, time.perf_counter() - start


def main() -> int:
    rng = np.random.default_rng(3)
    x, unseen, pull = inputs(1000, rng), inputs(2000, rng), np.arange(1000) % PULLS
    r = Readings(x, torque(x) + rng.normal(0, 1.5, PULLS)[pull] + rng.normal(0, 1.0, 1000), pull)
    fit(Readings(x[:20], r.y[:20], pull[:20]))  # compile the kernels, or load them from their cache

    with threadpool_limits(1):
        ours, seconds = timed(fit, r)
        theirs, scikit_seconds = timed(scikit_fit, r)
        expected = theirs.predict(np.column_stack([unseen, np.full(len(unseen), NEW_PULL)])) + r.y.mean()
    error = np.sqrt(np.mean((ours.predict(unseen)[0] - torque(unseen)) ** 2))
    scikit_error = np.sqrt(np.mean((expected - torque(unseen)) ** 2))
    print(f"fit, 1,000 readings    ours {seconds:7.2f} s    scikit-learn {scikit_seconds:7.2f} s    "
          f"{scikit_seconds / seconds:.1f} times faster (3 wanted)")  # fmt: skip
    print(f"held-out error         ours {error:7.4f} N·m  scikit-learn {scikit_error:7.4f} N·m  "
          f"ratio {error / scikit_error:.4f} (1.01 at most)")  # fmt: skip

    few = Readings(x[:400], r.y[:400], pull[:400])
    small = ExactModel.at(ours.hyperparameters, few)
    axes = [np.linspace(low, high, count) for low, high, count in
            ((1500, 7500, 16), (30, 100, 8), (95, 130, 46), (95, 130, 41))]  # fmt: skip
    _, map_seconds = timed(small.predict_grid, *axes)
    print(f"map of 16 × 8 cells at 46 × 41 labels from 400 readings: {map_seconds:.2f} s on one thread")
    return 0 if scikit_seconds >= 3 * seconds and error <= 1.01 * scikit_error else 1


if __name__ == "__main__":
    sys.exit(main())
