"""The valve-drop law fitted to what was measured, by weighted least squares.

The law D(θ) = D0 + k s(θ - w) has a D0 for each cylinder, one k, and a w for each sitting with the degree wheel. It is
fitted to readings at angles on the wheel and to `Single` measurements at true crank angles. Known beforehand: the
wheel's zero to wheel_error, and k as geometry gives it or to its range for the valve's tilt.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares
from scipy.special import stdtrit

from phaseopt.clearance.drop import DropLaw, DropReadings, fall_rate
from phaseopt.clearance.drop_sheet import Sheet
from phaseopt.clearance.drop_single import KnownFactor, Single
from phaseopt.clearance.drop_steps import steps_of
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import Drop
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

WHEEL_RANGE = 90.0  # crank degrees, where the fit looks for the wheel's zero
_K_KNOWN = 1e-4  # k is known no better than this, an upright valve's too
_K_HELD = 1e-7  # k taken as a number and not fitted
_K_REACH = 6.0  # standard errors from the k of geometry within which it is fitted; the sources differ long before
_K_UNKNOWN = 10.0  # standard error that says nothing
_STEEPEST = 15.0  # degrees by which a pocket's floor may be steeper than the valve head (judgement)
_BY_CHANCE = 0.023  # one-sided, as two standard deviations: a change of growth less likely is no chance
_ALONE = 1e-6  # what a measurement that nothing else bears on leaves of its own weight


@dataclass(frozen=True, eq=False)
class Evidence:
    """What was measured of one kind of valve's drop.

    `sheet` the readings, `used` which of them count, `stepped` whether by steps since they follow no law, `steeper`
    whether by a law whose k the readings alone show; `singles` and `known_factor` the rest; `errors` the project's
    section.
    """

    crank: SliderCrank
    tilt: float
    errors: Drop
    sheet: Sheet | None = None
    used: BoolArray | None = None
    singles: tuple[Single, ...] = ()
    known_factor: KnownFactor | None = None
    stepped: bool = False
    steeper: bool = False

    @property
    def k_range(self) -> tuple[float, float]:
        """Least and most k for the valve's tilt: between a floor parallel to the valve head and a flat crown."""
        least = math.cos(math.radians(self.tilt))
        return least, 1.0 / least

    def k_known(self) -> tuple[float, float, float]:
        """What is known of k beforehand: its middle, standard error, and how far from the middle it may be fitted."""
        if self.known_factor is not None:
            return self.known_factor.factor, self.known_factor.sigma, _K_REACH * self.known_factor.sigma
        least, most = self.k_range
        most /= math.cos(math.radians(self.errors.gauge_tilt))
        half = max((most - least) / 2, _K_KNOWN)
        return (least + most) / 2, half, half

    def k_unknown(self) -> tuple[float, float, float]:
        """The same where nothing but the readings shows k, from a floor steeper than the valve head to a flat crown."""
        least = math.cos(math.radians(self.tilt + _STEEPEST)) / math.cos(math.radians(_STEEPEST))
        most = self.k_range[1]
        return (least + most) / 2, _K_UNKNOWN, max((most - least) / 2, _K_KNOWN)


@dataclass(frozen=True, eq=False)
class Fit:
    """Numbers of the law, c cylinders and f sittings, and how far the n readings, m singles and the k of geometry are
    off it.

    `parameters` and `covariance` of (D0 of each cylinder, k, w of each sitting). `residual` and `standardised` (n,) as
    in `DropReadings`. `shifts` (m, c + 1 + f) as in `DropLaw`. `against` (m,) is how much more each single reads than
    everything else says, mm, and `outliers` (m,) the same beyond what either may be out by to one side, in standard
    deviations; 0 where nothing else bears on it. `k_outlier` the same for the k that geometry gives. `bent` mm by which
    a curve through the readings runs below the law, where they show that their growth changes.
    """

    cylinders: tuple[int, ...]
    parameters: FloatArray
    covariance: FloatArray
    residual: FloatArray
    standardised: FloatArray
    shifts: FloatArray
    against: FloatArray
    outliers: FloatArray
    k_outlier: float
    bent: float

    @property
    def factor(self) -> float:
        """k."""
        return float(self.parameters[len(self.cylinders)])

    @property
    def wheels(self) -> FloatArray:
        """w of each sitting."""
        return self.parameters[len(self.cylinders) + 1 :]


def solve(evidence: Evidence, hold: float | None = None) -> Fit:
    """The fit to all that counts; with k taken as a number where `hold` gives one."""
    rows = _rows(evidence)
    known = evidence.k_unknown() if evidence.steeper else evidence.k_known()
    middle, sigma, reach = known if hold is None else (hold, _K_HELD, _K_HELD)
    problem = _Problem(rows, evidence, middle, sigma)
    c, f = len(rows.cylinders), rows.sittings
    start = np.r_[[rows.drop[rows.owner == j].min() for j in range(c)], middle, np.zeros(f)]
    low = np.r_[np.full(c, -np.inf), middle - reach, np.full(f, -WHEEL_RANGE)]
    high = np.r_[np.full(c, np.inf), middle + reach, np.full(f, WHEEL_RANGE)]
    scale = np.r_[np.ones(c), sigma, np.ones(f)]
    found = least_squares(problem.residuals, start, problem.jacobian, bounds=(low, high), x_scale=scale, xtol=1e-12)
    return _judged(problem, found.x)


@dataclass(frozen=True, eq=False)
class _Rows:
    """DropReadings in use, then singles, as rows of the fit, (r,) each.

    `owner` the place of a row's cylinder in `cylinders`; `wheel` its sitting, or `sittings` where the angle is true;
    `read` how many of them are readings.
    """

    cylinders: tuple[int, ...]
    sittings: int
    read: int
    owner: IntArray
    wheel: IntArray
    angle: FloatArray
    drop: FloatArray
    sigma: FloatArray


def _rows(evidence: Evidence) -> _Rows:
    sheet, singles = evidence.sheet, evidence.singles
    angle = drop = np.empty(0)
    cylinder = wheel = np.empty(0, dtype=np.int64)
    if sheet is not None:
        used = np.ones(len(sheet.angle), dtype=np.bool_) if evidence.used is None else evidence.used
        angle, drop, cylinder, wheel = sheet.angle[used], sheet.drop[used], sheet.cylinder[used], sheet.sitting[used]
    sittings = len(sheet.files) if sheet is not None else 0
    owners = np.r_[cylinder, np.array([single.cylinder for single in singles], dtype=np.int64)]
    names, owner = np.unique(owners, return_inverse=True)
    return _Rows(
        tuple(names.tolist()),
        sittings,
        len(angle),
        owner,
        np.r_[wheel, np.full(len(singles), sittings)],
        np.r_[angle, [single.angle for single in singles]],
        np.r_[drop, [single.drop for single in singles]],
        np.r_[np.full(len(angle), evidence.errors.gauge_error), [single.sigma for single in singles]],
    )


@dataclass(frozen=True, eq=False)
class _Problem:
    """Residuals over standard errors, and their slopes: the rows, then what is known beforehand of k and w."""

    rows: _Rows
    evidence: Evidence
    k_middle: float
    k_sigma: float

    def law(self, p: FloatArray, angle: FloatArray, owner: IntArray, wheel: IntArray) -> FloatArray:
        """The law at angles on a wheel."""
        c = len(self.rows.cylinders)
        return np.asarray(p[owner] + p[c] * self.evidence.crank.drop(angle - np.append(p[c + 1 :], 0.0)[wheel]))

    def residuals(self, p: FloatArray) -> FloatArray:
        rows, c = self.rows, len(self.rows.cylinders)
        off = (self.law(p, rows.angle, rows.owner, rows.wheel) - rows.drop) / rows.sigma
        known = [(p[c] - self.k_middle) / self.k_sigma, *(p[c + 1 :] / self.evidence.errors.wheel_error)]
        return np.asarray(np.r_[off, known])

    def jacobian(self, p: FloatArray) -> FloatArray:
        rows, c, crank = self.rows, len(self.rows.cylinders), self.evidence.crank
        n, f = len(rows.drop), rows.sittings
        at, turned = np.arange(n), rows.angle - np.append(p[c + 1 :], 0.0)[rows.wheel]
        slopes = np.zeros((n + 1 + f, c + 1 + f + 1))
        slopes[at, rows.owner] = 1 / rows.sigma
        slopes[:n, c] = crank.drop(turned) / rows.sigma
        slopes[at, c + 1 + rows.wheel] = -p[c] * fall_rate(crank, turned) / rows.sigma
        slopes[n, c] = 1 / self.k_sigma
        slopes[n + 1 + np.arange(f), c + 1 + np.arange(f)] = 1 / self.evidence.errors.wheel_error
        return np.asarray(slopes[:, :-1])  # the last column is that of the true angle, which has no zero to find


def _judged(problem: _Problem, p: FloatArray) -> Fit:
    """What the fit says of itself and of each measurement."""
    rows, evidence, slopes = problem.rows, problem.evidence, problem.jacobian(p)
    n, read = len(rows.drop), rows.read
    covariance: FloatArray = np.asarray(np.linalg.inv(slopes.T @ slopes))
    left = 1 - np.einsum("ip,pq,iq->i", slopes, covariance, slopes)
    alone = left < _ALONE  # it fits by itself: nothing can be said against it
    left = np.where(alone, 1.0, left)
    off = -problem.residuals(p)  # measured less law, in standard errors
    gain = slopes[read:n] @ covariance / rows.sigma[read:, None]
    # More scatter than gauge_error states is believed; less is not.
    freedom = max(read - len(np.unique(rows.owner[:read])) - 1 - rows.sittings, 1)
    covariance = covariance * max(1.0, float(np.sum(off[:read] ** 2)) / freedom)
    standing = np.where(alone, 0.0, off / np.sqrt(left))
    residual, standardised = _readings_stand(problem, p, standing[:read])
    against = np.where(alone, 0.0, off / left)[read:n] * rows.sigma[read:]
    slack = _one_sided(evidence.singles, against)
    outliers = np.maximum(np.abs(against) - slack, 0.0) * np.sqrt(left[read:n]) / rows.sigma[read:]
    shifts = gain * np.array([single.high_by for single in evidence.singles])[:, None]
    k_outlier = abs(float(standing[n])) if evidence.known_factor is not None else 0.0
    bent = _bent(problem, p)
    return Fit(rows.cylinders, p, covariance, residual, standardised, shifts, against, outliers, k_outlier, bent)


def _bent(problem: _Problem, p: FloatArray) -> float:
    """mm by which a curve D0 + k s + q s² through the readings runs below the law, where q is no chance.

    A head that meets first one edge of a pocket and then another leaves the law by a few hundredths, which no single
    reading shows. Chance is judged by the scatter that the readings have, which may be less than stated.
    """
    rows, crank, c, n = problem.rows, problem.evidence.crank, len(problem.rows.cylinders), problem.rows.read
    free = n - len(p) - 1
    if n == 0 or free < 1:
        return 0.0
    wheel = np.append(p[c + 1 :], 0.0)[rows.wheel[:n]]
    fall = crank.drop(rows.angle[:n] - wheel)
    slopes = problem.jacobian(p)[:n] * rows.sigma[:n, None]
    design = np.column_stack([slopes, fall**2])
    residual = -problem.residuals(p)[:n] * rows.sigma[:n]
    found, *_ = np.linalg.lstsq(design, residual, rcond=None)
    scatter = float(np.sum((residual - design @ found) ** 2)) / free
    sigma = math.sqrt(scatter * float(np.linalg.pinv(design.T @ design)[-1, -1]))
    if abs(found[-1]) <= -stdtrit(free, _BY_CHANCE) * sigma:
        return 0.0
    along = np.linspace(0.0, float(fall.max()), 101)
    return max(-float((found[:c].min() + found[c] * along + found[-1] * along**2).min()), 0.0)


def _readings_stand(problem: _Problem, p: FloatArray, inside: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Residual and standardised residual of every reading, those left out included."""
    sheet, rows = problem.evidence.sheet, problem.rows
    if sheet is None:
        return np.empty(0), np.empty(0)
    place = {cylinder: j for j, cylinder in enumerate(rows.cylinders)}
    owner = np.array([place.get(cylinder, -1) for cylinder in sheet.cylinder.tolist()])
    law = np.where(owner < 0, math.nan, problem.law(p, sheet.angle, owner, sheet.sitting))
    residual = sheet.drop - law
    standardised = residual / problem.evidence.errors.gauge_error
    used = problem.evidence.used
    standardised[slice(None) if used is None else used] = inside
    return residual, standardised


def _one_sided(singles: tuple[Single, ...], against: FloatArray) -> FloatArray:
    """How far each single may be off everything else without any error of chance: by its own and others' error."""
    found = np.zeros(len(singles))
    for i, single in enumerate(singles):
        others = [other for j, other in enumerate(singles) if j != i and other.cylinder == single.cylinder]
        if against[i] > 0:
            found[i] = single.high_by + max([0.0, *(other.low_by for other in others)])
        else:
            found[i] = single.low_by + max([0.0, *(other.high_by for other in others)])
    return found


def laws_of(evidence: Evidence, fit: Fit) -> tuple[DropLaw, ...]:
    """The laws of a fit: one for each sitting with the wheel, since the cams may have been dialled in any of them."""
    c, f = len(fit.cylinders), len(fit.wheels)
    readings = None
    if evidence.sheet is not None:
        sheet = evidence.sheet
        used = np.ones(len(sheet.angle), dtype=np.bool_) if evidence.used is None else evidence.used
        readings = DropReadings(
            sheet.files, sheet.sitting, sheet.line, sheet.cylinder, sheet.angle, sheet.drop,
            fit.residual, fit.standardised, used,
        )  # fmt: skip
    steps = None
    if evidence.sheet is not None and evidence.stepped:
        steps = steps_of(evidence.crank, evidence.sheet, evidence.errors, evidence.tilt, fit.wheels)
    by_readings = _reading_shifts(evidence, fit)
    laws = []
    for sitting in range(max(f, 1)):
        held = [*range(c + 1), c + 1 + sitting] if f else list(range(c + 1))
        covariance, shifts = np.zeros((c + 2, c + 2)), np.zeros((len(fit.shifts), c + 2))
        covariance[: len(held), : len(held)] = fit.covariance[np.ix_(held, held)]
        shifts[:, : len(held)] = fit.shifts[:, held]
        wheel = float(fit.wheels[sitting]) if f else 0.0
        laws.append(
            DropLaw(
                evidence.crank, fit.parameters[:c], fit.factor, wheel, covariance, fit.cylinders,
                np.r_[shifts, by_readings], readings, steps=steps, sitting=sitting,
            )
        )  # fmt: skip
    return tuple(laws)


def _reading_shifts(evidence: Evidence, fit: Fit) -> FloatArray:
    """What readings may have moved the law by, as in `DropLaw`: a tilted gauge (in proportion), its zero, a bend."""
    c, errors = len(fit.cylinders), evidence.errors
    if evidence.sheet is None and all(single.source != "at_tdc" for single in evidence.singles):
        return np.zeros((0, c + 2))
    rows = np.zeros((3, c + 2))
    rows[0, : c + 1] = (1.0 - math.cos(math.radians(errors.gauge_tilt))) * fit.parameters[: c + 1]
    rows[1, :c] = errors.gauge_zero
    rows[2, :c] = fit.bent
    return rows[np.any(rows > 0, axis=1)]
