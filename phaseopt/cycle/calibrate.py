"""Fitting a few named factors of the simulation to measured torque.

Least squares within bounds. Two things must not count as the engine. A pull drifts as a whole by a percent or so:
each has an offset of its own in the misfit, a share of torque, and only what all pulls have in common is left to the
factors. And a simulation of somewhat wrong pipes is wrong alike at points that lie close together, so that many points
are less evidence than their number says. Standard errors count that: they follow from

    covariance = standard error² + the whole pull's drift + what no factor can fix

in the manner of White (Econometrica 48, 1980, from memory): the estimate of least squares, the errors of what the
measurements really scatter by. The size of the last part is found from the measurements, by restricted likelihood
(Patterson and Thompson, Biometrika 58, 1971, from memory).

A factor is fitted only if the data determine it: its standard error must be a small part of the range it may take.
Factors that fail are left at 1, the least determined first, and named with the reason.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import least_squares, minimize_scalar

from phaseopt.cycle.factors import FACTORS
from phaseopt.cycle.lanes import Flags
from phaseopt.cycle.responses import Responses
from phaseopt.values.arrays import FloatArray

DETERMINED = 0.15  # largest standard error of a factor that is fitted, as a share of its range
DRIFT = 0.01  # standard deviation of a pull's drift as a share of its torque; our judgement
FLOOR = 0.5  # N m; least standard error of a point: cycles settle to 0.1 %, responses leave out products of effects
# distances over which a simulation that is wrong is wrong alike: rpm, kPa, deg, deg; our judgement
ALIKE = np.array([600.0, 60.0, 40.0, 40.0])
WRONG = (0.5, 50.0)  # N m; bounds of the size of what no factor can fix


@dataclass(frozen=True, eq=False)
class Measured:
    """Measured torque: points (n, 4) as simulated [rpm, kPa, deg, deg], torque and its standard error [N m], pull."""

    points: FloatArray
    torque: FloatArray
    error: FloatArray
    pull: NDArray[np.int64]

    def only(self, chosen: Flags) -> "Measured":
        """Some of the points."""
        return Measured(self.points[chosen], self.torque[chosen], self.error[chosen], self.pull[chosen])


@dataclass(frozen=True)
class Calibration:
    """What came of a fit.

    `factors` and `errors` hold the fitted ones and their standard errors, the others being 1; `at_bound` names those
    that stand at an end of their range; `refused` says why the others were not fitted. `before` and `after` are
    root-mean-square errors of torque [N m], pulls' drift included. `wrong` is the standard deviation of what no factor
    can fix [N m]. `points` were used; `left_out` could not be simulated.
    """

    factors: dict[str, float]
    errors: dict[str, float]
    at_bound: tuple[str, ...]
    refused: dict[str, str]
    before: float
    after: float
    wrong: float
    points: int
    left_out: int


def calibrate(
    responses: Responses,
    measured: Measured,
    names: tuple[str, ...] = tuple(FACTORS),
    wrong: float | None = None,
) -> Calibration:
    """Fit factors to measured torque.

    Parameters
    ----------
    responses : Responses
        Torque over the factors at the measured points; points at which the engine did not run are left out.
    measured : Measured
        What to fit to.
    names : tuple of str
        Which of `FACTORS` to try.
    wrong : float, optional
        Standard deviation of what no factor can fix [N m]; found from the measurements unless given.

    Returns
    -------
    Calibration
        With no factor at all where no point is left.
    """
    left_out = int(np.count_nonzero(~responses.ran))
    responses, measured = responses.only(responses.ran), measured.only(responses.ran)
    count = len(measured.torque)
    if not count:
        none = dict.fromkeys(names, "no measured point can be simulated")
        return Calibration({}, {}, (), none, np.nan, np.nan, np.nan, 0, left_out)
    before = _rms(responses.torque({}) - measured.torque)
    noise, alike = _covariance_parts(responses, measured)
    fitted, refused = list(names), dict[str, str]()
    while fitted:
        fit = _Fit(responses, measured, dict.fromkeys(fitted, 1.0))
        if wrong is None:
            wrong = _size_of_wrong(fit.error, fit.slopes, noise, alike)
        errors = fit.standard_errors(noise + wrong**2 * alike)
        part = errors / np.array([FACTORS[n].high - FACTORS[n].low for n in fitted])
        worst = int(np.argmax(part))
        if part[worst] <= DETERMINED:
            values, errors_of = (dict(zip(fitted, v.tolist(), strict=True)) for v in (fit.values, errors))
            at_bound = tuple(n for n, v in values.items() if v in (FACTORS[n].low, FACTORS[n].high))
            return Calibration(
                values, errors_of, at_bound, refused, before, _rms(fit.error), wrong, count, left_out
            )  # fmt: skip
        size = "more than its whole range" if part[worst] > 1.0 else f"{part[worst] * 100:.0f} % of its range"
        refused[fitted.pop(worst)] = f"the data leave it uncertain by {size}; up to {DETERMINED * 100:.0f} % is fitted"
    return Calibration({}, {}, (), refused, before, before, wrong or np.nan, count, left_out)


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


class _Fit:
    """Least squares with an offset a pull: `values` of the factors, `error` [N m] and its `slopes` there."""

    def __init__(self, responses: Responses, measured: Measured, start: dict[str, float]) -> None:
        def named(values: FloatArray) -> dict[str, float]:
            return dict(zip(start, values.tolist(), strict=True))

        def error(values: FloatArray) -> FloatArray:
            return responses.torque(named(values)) - measured.torque

        def slopes(values: FloatArray) -> FloatArray:
            return responses.slopes(named(values))

        bounds = np.array([[FACTORS[n].low, FACTORS[n].high] for n in start]).T
        self.values, size = np.array(list(start.values())), _rms(measured.torque)
        for _ in range(4):  # the more the points scatter, the less their pulls' means tell of drift
            self.lighten = _lighten_drift(responses, measured, size)
            fit = least_squares(
                lambda v: self.lighten(error(v)), self.values, lambda v: self.lighten(slopes(v)), bounds, "dogbox"
            )
            self.values, size = fit.x, max(_rms(fit.fun), FLOOR)
        self.error = error(self.values)
        self.slopes = slopes(self.values)

    def standard_errors(self, covariance: FloatArray) -> FloatArray:
        """Of the factors, if the measurements differ from the right engine's torque by `covariance` [(N m)^2]."""
        left, size, right = np.linalg.svd(self.lighten(self.slopes), full_matrices=False)
        if len(size) < len(self.values) or size[-1] <= 1e-9 * size[0]:  # nothing separates them
            return np.full(len(self.values), np.inf)
        weight = self.lighten(left / size) @ right  # value = weight' error
        return np.asarray(np.sqrt(np.einsum("ij,ik,kj->j", weight, covariance, weight)))


def _lighten_drift(responses: Responses, measured: Measured, size: float) -> Callable[[FloatArray], FloatArray]:
    """What takes drift out of errors (n, ...) as far as it is likely to be that, if points scatter by `size` [N m].

    The symmetric root of size² (size² + drift)⁻¹. Drift counts from its mean over the pulls: what they have in common
    is the engine.
    """
    pulls = np.unique(measured.pull)
    of_pull = (measured.pull[:, None] == pulls).astype(np.float64)
    drift = DRIFT * responses.torque({})[:, None] * (of_pull - 1.0 / len(pulls))
    left, length, _ = np.linalg.svd(drift, full_matrices=False)
    off = 1.0 - size / np.hypot(size, length)

    def lighten(errors: FloatArray) -> FloatArray:
        return np.asarray(errors - (left * off) @ (left.T @ errors))

    return lighten


def _covariance_parts(responses: Responses, measured: Measured) -> tuple[FloatArray, FloatArray]:
    """Covariance [(N m)^2] of noise and drift, and correlation of what no factor can fix."""
    drift = DRIFT * responses.torque({})
    noise = np.diag(np.maximum(measured.error, FLOOR) ** 2)
    noise += np.outer(drift, drift) * (measured.pull[:, None] == measured.pull[None, :])
    # Matern, 3/2, a factor for each input
    away = np.sqrt(3.0) * np.abs(measured.points[:, None] - measured.points[None, :]) / ALIKE
    return noise, np.asarray(((1.0 + away) * np.exp(-away)).prod(axis=-1))


def _size_of_wrong(error: FloatArray, slopes: FloatArray, noise: FloatArray, alike: FloatArray) -> float:
    """The most likely standard deviation of what no factor can fix, the factors' effects taken as lines."""

    def unlikely(log_size: float) -> float:
        lower = cholesky(noise + np.exp(2.0 * log_size) * alike, lower=True)
        r, s = (solve_triangular(lower, part, lower=True) for part in (error, slopes))
        left, length, _ = np.linalg.svd(s, full_matrices=False)
        r = r - left @ (left.T @ r)
        known = np.maximum(length, 1e-9)  # less where the data cannot tell factors apart
        return float(np.log(np.diag(lower)).sum() + np.log(known).sum() + 0.5 * r @ r)

    least, most = np.log(WRONG)
    return float(np.exp(minimize_scalar(unlikely, bounds=(least, most), method="bounded", options={"xatol": 0.02}).x))
