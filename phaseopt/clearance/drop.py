"""Valve drop: how far a valve moves from its seat, along its own axis, until it meets the piston.

It belongs to the engine, not to the cam. `DropLaw` is the law D(θ) = D0 + k s(θ - w) with what is known and what is not
known about its numbers; `drop_sources.py` finds them from what was measured. `Curve` holds a law as straight pieces
that never rise above it, which is what the bounds in `gaps.py` need.
"""

import math
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.drop_steps import DropSteps
from phaseopt.engine.crank import SliderCrank
from phaseopt.project import Drop
from phaseopt.values.arrays import FloatArray

COVERAGE_SIGMAS = 2.0  # standard deviations taken off: a Gaussian is above its mean less two in 97.7 % of cases
PIECES = 32768  # straight pieces over 720°, a power of two so that cells halve exactly
PIECE = 720.0 / PIECES  # crank degrees; both are read by kernels


@dataclass(frozen=True, eq=False)
class DropReadings:
    """Drop readings and how they fit: arrays (n,), one entry a line of the files.

    `sitting` the number of the file in `files`, from 0; `angle` crank degrees as the wheel showed, `drop` mm,
    `residual` reading less law (mm), `standardised` the residual against a fit made without the reading, in standard
    deviations; `used` is False for an outlier left out.
    """

    files: tuple[Path, ...]
    sitting: npt.NDArray[np.int64]
    line: npt.NDArray[np.int64]
    cylinder: npt.NDArray[np.int64]
    angle: FloatArray
    drop: FloatArray
    residual: FloatArray
    standardised: FloatArray
    used: npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class DropLaw:
    """The valve drop of one kind of valve over crank angle.

    ::

        D(θ) = D0 + k s(θ - w)

    with s the piston's drop below its highest position. k is the cosine of the valve's tilt where the floor of the
    piston's pocket is parallel to the valve head, and one over that cosine where the crown is flat: a floor at a slope
    α to the crown gives cos α / cos(tilt - α), between the two unless it is steeper than the head. Validity: until the
    head meets something other than that floor (a pocket's wall is not covered); where no geometry is given, a floor no
    steeper than the head (one 10° steeper puts a law from readings up to 0.02 mm too high at 12° from TDC and 0.06 mm
    at 20°).

    Parameters
    ----------
    crank
        The slider-crank.
    at_tdc
        (c,) D0 of each cylinder measured, mm.
    factor
        k.
    wheel
        w, crank degrees: what the degree wheel showed at true TDC while the readings were taken.
    covariance
        (c + 2, c + 2) of (D0 of each cylinder, k, w), mm and crank degrees.
    cylinders
        (c,) which cylinder each D0 belongs to.
    shifts
        (m, c + 2) what each measurement that errs to one side may have moved (D0 of each cylinder, k, w) by.
    readings
        The readings behind it; None where there are none.
    also
        Other laws that the measurements leave possible; `low` is the lowest of all.
    alone
        By name, what each source says by itself; empty for a single one.
    same_wheel
        The cams were degreed in on the wheel as it was for these readings.
    steps
        The readings as steps, where they follow no such law: then steps count in its place.
    sitting
        Which sitting's wheel the law is for, from 0.
    notes
        What a person should know, in sentences.
    """

    crank: SliderCrank
    at_tdc: FloatArray
    factor: float
    wheel: float
    covariance: FloatArray
    cylinders: tuple[int, ...]
    shifts: FloatArray
    readings: DropReadings | None = None
    also: "tuple[DropLaw, ...]" = ()
    alone: "dict[str, DropLaw]" = field(default_factory=dict)
    same_wheel: bool = False
    steps: DropSteps | None = None
    sitting: int = 0
    notes: tuple[str, ...] = ()

    def wheel_spread(self, errors: Drop) -> float:
        """How far the zero of the wheel that was read on may be from `wheel`, crank degrees either way.

        Two standard deviations, with the `errors` of the angles that were read, what a measurement may have moved it
        by, and what other possible laws make of it.
        """
        readings = self.readings
        if readings is None:
            return 0.0
        here = np.flatnonzero(readings.used & (readings.sitting == self.sitting))
        turned = readings.angle[here] - self.wheel
        slope = self.factor * fall_rate(self.crank, turned)
        by_drop = np.zeros((here.size, self.at_tdc.size + 2))
        by_drop[np.arange(here.size), [self.cylinders.index(each) for each in readings.cylinder[here].tolist()]] = 1.0
        by_drop[:, -2], by_drop[:, -1] = self.crank.drop(turned), -slope
        gain = by_drop @ self.covariance[:, -1] / errors.gauge_error**2  # degrees of zero a mm of each reading
        by_angle = errors.angle_error * float(np.linalg.norm(gain * slope))
        own = COVERAGE_SIGMAS * math.hypot(math.sqrt(self.covariance[-1, -1]), by_angle)
        own += float(np.abs(self.shifts[:, -1]).sum())
        others = (law for law in self.also if law.readings is not None)
        return max([own, *(abs(law.wheel - self.wheel) + law.wheel_spread(errors) for law in others)])

    @property
    def shows_zero(self) -> bool:
        """Whether its readings show the zero of the wheel that the cam was degreed in on."""
        return self.same_wheel and self.readings is not None and not self._stepped

    def fitted(self, theta: npt.ArrayLike) -> FloatArray:
        """The law itself for the cylinder with the least drop, mm: what a hand finds, angle as the wheel shows."""
        at = np.asarray(theta, dtype=np.float64)
        if self.steps is None:
            return np.asarray(self.at_tdc.min() + self.factor * self.crank.drop(at - self.wheel))
        return np.asarray(np.maximum(self._likely(at).min(axis=0), self.low(at)))

    def deviation(self, theta: npt.ArrayLike) -> FloatArray:
        """Standard deviation of the law at a crank angle, mm, (c, ...) for each cylinder."""
        at = np.asarray(theta, dtype=np.float64)
        sigma = self._curves(at, self.wheel)[1]
        return (
            sigma if self.steps is None else np.maximum(sigma, (self._likely(at) - self._stairs(at)) / COVERAGE_SIGMAS)
        )

    def low(self, theta: npt.ArrayLike) -> FloatArray:
        """The drop that contact is judged by, mm: the law less two standard deviations (97.7 % one-sided).

        What a measurement may be too high by, to one side, is taken off whole. The cams may have been dialled with the
        same wheel setting as the readings, or with true TDC found anew. The first puts the law at θ - w on the cams'
        scale, the second at θ. Where that is not known, nothing is credited for opening a gap: the lower of the two
        counts, for the lowest cylinder. `same_wheel` says it is the first.
        """
        return np.asarray(self.low_by_cylinder(theta).min(axis=0))

    def low_by_cylinder(self, theta: npt.ArrayLike) -> FloatArray:
        """`low` for each cylinder (c, ...); for one that another possible law knows nothing of, by this one alone."""
        at = np.asarray(theta, dtype=np.float64)
        if self.steps is None:
            lows = np.min([mean - COVERAGE_SIGMAS * sigma for mean, sigma in self._scales(at)], axis=0)
        else:
            lows = self._stairs(at)
        for law in self.also:
            other = law.low_by_cylinder(at)
            rows = [self.cylinders.index(cylinder) for cylinder in law.cylinders]
            lows[rows] = np.minimum(lows[rows], other)
        return np.asarray(lows)

    @property
    def worst(self) -> int:
        """The cylinder whose drop counts least at TDC."""
        return self.cylinders[int(self.low_by_cylinder(0.0).argmin())]

    @cached_property
    def low_curve(self) -> "Curve":
        """`low` as straight pieces below it."""
        values = self.low(_nodes())
        if self._stepped:
            # Between nodes a step may stand anywhere: on either side of it the lower counts.
            lower = np.minimum(values[:-1], values[1:])
            values = np.minimum(np.r_[lower[0], lower], np.r_[lower, lower[-1]])
        return Curve.below(values, self._sag)

    def running_curve(self, rise: float) -> "Curve":
        """`low_curve`; by steps with the piston `rise` mm higher, since a head near an edge then loses a whole step."""
        return _running_curve(self, rise) if self._stepped else self.low_curve

    @property
    def _stepped(self) -> bool:
        return any(law.steps is not None for law in (self, *self.also))

    @cached_property
    def fitted_curve(self) -> "Curve":
        """`fitted` as straight pieces below it."""
        return Curve.below(self.fitted(_nodes()), self._sag)

    def _stairs(self, theta: FloatArray) -> FloatArray:
        """The drop by steps (c, ...), infinite for a cylinder without readings: the lower of both scales, as `low`."""
        assert self.steps is not None
        scales = (self.sitting,) if self.same_wheel else (self.sitting, None)
        each = [[self.steps.low(theta, cylinder, scale) for cylinder in self.cylinders] for scale in scales]
        return np.asarray(np.min(each, axis=0))

    def _likely(self, theta: FloatArray) -> FloatArray:
        """What a hand should find by steps (c, ...); by the law for a cylinder without readings."""
        assert self.steps is not None
        read = np.array([self.steps.likely(theta, cylinder, self.wheel) for cylinder in self.cylinders])
        return np.where(np.isinf(read), self._curves(theta, self.wheel)[0], read)

    def _scales(self, theta: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
        """Law less what may be too high, and standard deviation: with the wheel's zero as fitted, and at true TDC."""
        wheels = (self.wheel,) if self.same_wheel else (self.wheel, None)
        return [self._curves(theta, wheel, shifted=True) for wheel in wheels]

    def _curves(self, theta: FloatArray, wheel: float | None, shifted: bool = False) -> tuple[FloatArray, FloatArray]:
        """Law and standard deviation (c, ...) with the wheel's zero where it was fitted, or at true TDC (None)."""
        turned = theta - (wheel or 0.0)
        s = self.crank.drop(turned)
        by_wheel = np.zeros_like(s) if wheel is None else -self.factor * fall_rate(self.crank, turned)
        count = self.at_tdc.size
        gradient = np.zeros((count, count + 2, *s.shape))
        gradient[np.arange(count), np.arange(count)] = 1.0
        gradient[:, count], gradient[:, count + 1] = s, by_wheel
        variance = np.einsum("cp...,pq,cq...->c...", gradient, self.covariance, gradient)
        mean = self.at_tdc.reshape(-1, *([1] * s.ndim)) + self.factor * s
        if shifted and len(self.shifts):
            mean = mean - np.maximum(np.einsum("cp...,mp->cm...", gradient, self.shifts), 0.0).sum(axis=1)
        return np.asarray(mean), np.sqrt(np.maximum(variance, 0.0))

    @property
    def _sag(self) -> float:
        """How far `low` may hang below a chord over one piece, mm.

        A function hangs at most h²/8 max|f''| below its chord. For the deviation |A g(θ)|, a norm: it rises at most
        h²/8 max|A g''| above its chord, since a norm is convex. The lower of several curves is at or above the chord
        through the lower of their nodes.
        """
        second, third = _steepest(self.crank)
        sigma_k, sigma_w = np.sqrt(np.diag(self.covariance)[-2:])
        shift_k, shift_w = np.abs(self.shifts[:, -2:]).sum(axis=0)
        by_k, by_w = COVERAGE_SIGMAS * sigma_k + shift_k, COVERAGE_SIGMAS * sigma_w + shift_w
        bend = self.factor * second + by_k * second + by_w * self.factor * third
        return max([float(PIECE**2 / 8 * bend), *(law._sag for law in self.also)])


class Curve(NamedTuple):
    """A function of crank angle as straight pieces, with the least value of any run of pieces that halving makes.

    `nodes` (PIECES + 1,) values at -360 ... 360, mm. `least` (2 PIECES,) a tree: entry 1 the least over the whole
    circle, entries 2i and 2i + 1 over the two halves of entry i, entry PIECES + j over piece j. `bend` the greatest
    second difference of the nodes over the square of their distance, mm/°², not below 0. Read by kernels.
    """

    nodes: FloatArray
    least: FloatArray
    bend: float

    @classmethod
    def below(cls, values: FloatArray, sag: float) -> "Curve":
        """Straight pieces through values at the nodes, lowered by `sag`."""
        nodes = np.ascontiguousarray(values - sag)
        least = np.empty(2 * PIECES)
        least[0] = -np.inf
        least[PIECES:] = np.minimum(nodes[:-1], nodes[1:])
        level = PIECES
        while level > 1:
            least[level // 2 : level] = least[level : 2 * level].reshape(-1, 2).min(axis=1)
            level //= 2
        return cls(nodes, least, max(float(np.diff(nodes, 2).max()) / PIECE**2, 0.0))


@lru_cache(maxsize=32)
def _running_curve(law: DropLaw, rise: float) -> Curve:
    """The curve of a law whose steps are all taken with the piston `rise` mm higher."""

    def higher(each: DropLaw) -> DropLaw:
        steps = replace(each.steps, higher=each.steps.higher + rise) if each.steps is not None else None
        return replace(each, steps=steps, also=tuple(higher(other) for other in each.also))

    return higher(law).low_curve


def fall_rate(crank: SliderCrank, theta: npt.ArrayLike) -> FloatArray:
    """How fast the piston falls over crank angle, mm a degree: at 1000 °/s, a speed in m/s is just that."""
    return np.asarray(crank.velocity(theta, 1000.0 / 6.0))


def _nodes() -> FloatArray:
    return np.linspace(-360.0, 360.0, PIECES + 1)


def _steepest(crank: SliderCrank) -> tuple[float, float]:
    """No less than the second and third derivative of the piston's drop anywhere, mm/°² and mm/°³.

    Every sine and cosine in the closed forms is taken as 1, the rod's sideways reach as r + |p|.
    """
    r = crank.stroke / 2
    m = r + abs(crank.pin_offset)
    w = math.sqrt(crank.rod**2 - m**2)
    second = r + (r**2 + r * m) / w + (r * m) ** 2 / w**3
    third = r + (3 * r**2 + r * m) / w + 3 * r * m * (r**2 + r * m) / w**3 + 3 * (r * m) ** 3 / w**5
    return second * math.radians(1.0) ** 2, third * math.radians(1.0) ** 3
