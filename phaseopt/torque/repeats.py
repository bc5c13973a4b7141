"""Which pulls repeat each other, and how far each is from its repeats.

Two pulls repeat each other where they made torque at the same places (speed, and manifold pressure at part throttle)
with the same true centrelines. Their torque is then a two-way layout,

    torque[pull, place] = curve[place] + offset[pull] + rest[pull, place]

by least squares: the curve is what the repeats share, the offset that of a whole pull, the rest what is left.

Source: two-way layout without interaction, any text on the analysis of variance.
"""

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

SAME_TIMING = 1.0  # crank degrees by which a repeat's centrelines may differ from the first pull's
SAME_RPM = 120.0  # width of a place: mean speeds of a bin's rows differ a little from pull to pull
SAME_LOAD = 1.0  # kPa, likewise at part throttle
LEAST_PLACES = 3  # that repeats must share
LEAST_SHARE = 0.5  # of the places that both have: two tables that only cross each other do not repeat


@dataclass(frozen=True, eq=False)
class Repeats:
    """Pulls that repeat each other.

    Parameters
    ----------
    pulls
        Indices (pulls,) in the order of the project file.
    rpm
        Mean speed (places,) of each place.
    torque, error
        (pulls, places) [N m], nan where a pull was not there. Torque is brought to the place's mean speed and pressure.
    icl, ecl
        The first pull's mean centrelines.

    Examples
    --------
    >>> torque = np.array([[100.0, 110.0, 120.0], [102.0, 112.0, np.nan]])
    >>> offset, rest = Repeats(np.arange(2), np.zeros(3), torque, torque, 110.0, 110.0).layout()
    >>> offset.round(6).tolist(), bool(np.nanmax(abs(rest)) < 1e-9)
    ([-1.0, 1.0], True)
    """

    pulls: IntArray
    rpm: FloatArray
    torque: FloatArray
    error: FloatArray
    icl: float
    ecl: float

    def without(self, pull: int) -> "Repeats":
        """The same without one pull, and without places that fewer than two of the others share."""
        keep = self.pulls != pull
        shared = np.isfinite(self.torque[keep]).sum(axis=0) >= 2
        torque, error = (values[np.ix_(keep, shared)] for values in (self.torque, self.error))
        return Repeats(self.pulls[keep], self.rpm[shared], torque, error, self.icl, self.ecl)

    def layout(self) -> tuple[FloatArray, FloatArray]:
        """Offset of each pull from their mean, (pulls,), and the rest, (pulls, places), nan where there is none."""
        count, places = self.torque.shape
        pull, place = np.nonzero(np.isfinite(self.torque))
        design = np.zeros((len(pull) + 1, count + places))
        design[np.arange(len(pull)), pull] = 1.0
        design[np.arange(len(pull)), count + place] = 1.0
        design[-1, :count] = 1.0  # the offsets sum to zero
        level = float(np.nanmean(self.torque))
        wanted = np.r_[self.torque[pull, place] - level, 0.0]
        found = np.linalg.lstsq(design, wanted, rcond=None)[0]
        rest = np.full_like(self.torque, np.nan)
        rest[pull, place] = (wanted - design @ found)[:-1]
        return found[:count], rest

    def from_others(self, pull: int) -> FloatArray:
        """What one pull reads beyond the mean of the others, (places,), nan where it or all others were not there."""
        own = self.pulls == pull
        others = self.torque[~own]
        met = np.isfinite(others).sum(axis=0)
        mean = np.where(met, np.nansum(others, axis=0) / np.maximum(met, 1), np.nan)
        beyond: FloatArray = self.torque[own][0] - mean
        return beyond


def find_repeats(points: xr.Dataset) -> tuple[Repeats, ...]:
    """Groups of pulls that repeat each other, in the order of their first pulls.

    Parameters
    ----------
    points
        As `reduce_logs` makes them.

    Returns
    -------
    tuple of Repeats
        A pull belongs to the first earlier pull with which it shares at least three places, and half of those that both
        have, at centrelines within 1 crank degree. Pulls without repeats are in no group.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque import reduce_logs
    >>> points = reduce_logs(load_project("examples/intake_only/project.toml")).points
    >>> [group.pulls.tolist() for group in find_repeats(points)]
    []
    """
    cells = _cells(points)
    groups: list[list[int]] = []
    for row in range(len(cells.pulls)):
        for group in groups:
            both = np.count_nonzero(np.isfinite(cells.icl[group[0]] - cells.icl[row]))
            if np.count_nonzero(cells.same(group[0], row)) >= max(LEAST_PLACES, LEAST_SHARE * both):
                group.append(row)
                break
        else:
            groups.append([row])
    return tuple(_repeats_of(cells, group) for group in groups if len(group) > 1)


@dataclass(frozen=True, eq=False)
class _Cells:
    """Means of each pull at each place, (pulls, places), nan where it was not there or moved its cams there."""

    pulls: IntArray
    rpm: FloatArray
    load: FloatArray
    icl: FloatArray
    ecl: FloatArray
    torque: FloatArray
    error: FloatArray

    def same(self, first: int, other: int) -> BoolArray:
        """Places that both pulls (by row) have, at the same centrelines."""
        away = np.maximum(np.abs(self.icl[first] - self.icl[other]), np.abs(self.ecl[first] - self.ecl[other]))
        same: BoolArray = away <= SAME_TIMING  # false for nan
        return same


def _cells(points: xr.Dataset) -> _Cells:
    place = _places(points)
    pulls, row = np.unique(points["pull"].to_numpy().astype(np.int64), return_inverse=True)
    shape = len(pulls), int(place.max()) + 1
    cell = row * shape[1] + place
    count = np.bincount(cell, minlength=shape[0] * shape[1]).astype(np.float64)
    with np.errstate(invalid="ignore"):

        def mean(values: FloatArray) -> FloatArray:
            return np.bincount(cell, weights=values, minlength=len(count)) / count

        means = {name: mean(points[name].to_numpy()) for name in ("rpm", "load", "icl", "ecl", "torque")}
        means["error"] = np.sqrt(mean(points["scatter"].to_numpy() ** 2) / count)
    for name in ("icl", "ecl"):  # one pull may have several timings at one place: none to compare
        away = np.zeros(len(count))
        np.maximum.at(away, cell, np.abs(points[name].to_numpy() - means[name][cell]))
        means[name][away > SAME_TIMING / 2] = np.nan
    return _Cells(pulls, **{name: values.reshape(shape) for name, values in means.items()})


def _places(points: xr.Dataset) -> IntArray:
    """The place of each point: marks apart, then speeds within a window, then at part throttle pressures likewise."""
    rpm, load = points["rpm"].to_numpy(), points["load"].to_numpy()
    full = points["full_throttle"].to_numpy().astype(np.int64)
    speed = _windows(rpm, full, SAME_RPM)
    return _windows(np.where(full == 1, 0.0, load), speed, SAME_LOAD)


def _windows(values: FloatArray, within: IntArray, width: float) -> IntArray:
    """Number groups of values no more than `width` above the group's least, apart for each number in `within`.

    >>> _windows(np.array([10.0, 11.0, 14.0, 10.5]), np.array([0, 0, 0, 1]), 2.0).tolist()
    [0, 0, 1, 2]
    """
    number = np.zeros(len(values), dtype=np.int64)
    count, first, key = -1, -np.inf, None
    for row in np.lexsort((values, within)):
        if key != within[row] or values[row] - first > width:
            count, first, key = count + 1, float(values[row]), within[row]
        number[row] = count
    return number


def _repeats_of(cells: _Cells, group: list[int]) -> Repeats:
    """Torque of a group over the places that at least two of its pulls share, in the order of speed."""
    met = np.array([cells.same(group[0], row) for row in group])
    shared = np.flatnonzero(met.sum(axis=0) >= 2)
    middle = np.nanmean(np.where(met, cells.rpm[group], np.nan)[:, shared], axis=0)
    shared = shared[np.argsort(middle)]
    met = met[:, shared]
    rpm, load, torque, error = (
        np.where(met, values[group][:, shared], np.nan) for values in (cells.rpm, cells.load, cells.torque, cells.error)
    )
    torque = torque - _slope(torque, rpm) * (rpm - np.nanmean(rpm, axis=0))
    torque *= np.nanmean(load, axis=0) / load  # torque is about proportional to pressure
    icl, ecl = (float(values[group[0], shared].mean()) for values in (cells.icl, cells.ecl))
    return Repeats(cells.pulls[group], np.nanmean(rpm, axis=0), torque, error, icl, ecl)


def _slope(torque: FloatArray, speed: FloatArray) -> FloatArray:
    """How torque changes with speed around each place, N m/rpm; 0 where places are at one speed."""
    rpm, mean = np.nanmean(speed, axis=0), np.nanmean(torque, axis=0)
    if len(rpm) < 2 or np.diff(rpm).min() <= SAME_RPM:
        return np.zeros_like(rpm)
    slope: FloatArray = np.gradient(mean, rpm)
    return slope
