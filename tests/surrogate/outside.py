"""The same Gaussian process in scikit-learn, and invented readings to compare on."""

import numpy as np
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct, Matern, Product

from phaseopt.surrogate import Hyperparameters, Readings

NEW_PULL = -1.0  # a pull number that no reading has, so that no known offset is added to a prediction
HYPERPARAMETERS = Hyperparameters(signal=18.0, lengths=(1500.0, 40.0, 14.0, 22.0), noise=0.8, pull=1.7, mean=160.0)


def readings(n: int = 60, pulls: int = 6, seed: int = 1) -> Readings:
    """Invented torque over (rpm, load, icl, ecl): a hump, a slope with load, pull offsets, noise."""
    rng = np.random.default_rng(seed)
    x = np.column_stack([
        rng.uniform(1500, 7500, n), rng.uniform(40, 100, n), rng.uniform(95, 130, n), rng.uniform(95, 130, n),
    ])  # fmt: skip
    pull = np.arange(n) % pulls
    surface = 120 + 0.8 * x[:, 1] + 25 * np.sin(x[:, 0] / 1500 + x[:, 2] / 15) - 0.02 * (x[:, 3] - 110) ** 2
    y = surface + rng.normal(0, 1.5, pulls)[pull] + rng.normal(0, 0.7, n)
    return Readings(x, y, pull, rng.uniform(0.0, 0.5, n))


def scikit_model(h: Hyperparameters, r: Readings) -> GaussianProcessRegressor:
    """Each Matérn factor gets a length of 1e12 on the other inputs, the pull offset is a narrow RBF on the number."""
    d = r.x.shape[1]
    surface = ConstantKernel(h.signal**2, "fixed")
    for k in range(d):
        lengths = np.full(d + 1, 1e12)
        lengths[k] = h.lengths[k]
        surface = Product(surface, Matern(lengths, "fixed", nu=2.5))
    lengths = np.full(d + 1, 1e12)
    lengths[d] = 1e-3
    offset = ConstantKernel(h.pull**2, "fixed") * RBF(lengths, "fixed")
    model = GaussianProcessRegressor(surface + offset, alpha=h.noise**2 + r.variance, optimizer=None)
    return model.fit(np.column_stack([r.x, r.pull]), r.y - h.mean)


def scikit_predict(model: GaussianProcessRegressor, h: Hyperparameters, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and variance of torque itself: on a new pull, less the variance of that pull's offset."""
    mean, deviation = model.predict(np.column_stack([x, np.full(len(x), NEW_PULL)]), return_std=True)
    return mean + h.mean, deviation**2 - h.pull**2


class Column(DotProduct):
    """scikit-learn's `sigma_0² + x x'` on the last column of the input alone."""

    def __call__(self, X, Y=None, eval_gradient=False):
        return super().__call__(X[:, -1:], None if Y is None else Y[:, -1:], eval_gradient)

    def diag(self, X):
        return super().diag(X[:, -1:])


def scikit_trend(h: Hyperparameters, r: Readings, simulated: np.ndarray, scale: float, shift: float):
    """As `scikit_model`, on readings less simulated torque; the scale's part rides on a further column."""
    d = r.x.shape[1]
    surface = ConstantKernel(h.signal**2, "fixed")
    for k in range(d):
        lengths = np.full(d + 2, 1e12)
        lengths[k] = h.lengths[k]
        surface = Product(surface, Matern(lengths, "fixed", nu=2.5))
    lengths = np.full(d + 2, 1e12)
    lengths[d] = 1e-3
    kernel = surface + ConstantKernel(h.pull**2, "fixed") * RBF(lengths, "fixed") + Column(shift, "fixed")
    model = GaussianProcessRegressor(kernel, alpha=h.noise**2 + r.variance, optimizer=None)
    return model.fit(np.column_stack([r.x, r.pull, scale * simulated]), r.y - simulated)


def scikit_trend_predict(model, x: np.ndarray, pull: np.ndarray, simulated: np.ndarray, scale: float):
    """Mean and covariance at points on given pulls, that of their pull offsets included."""
    mean, covariance = model.predict(np.column_stack([x, pull, scale * simulated]), return_cov=True)
    return mean + simulated, covariance
