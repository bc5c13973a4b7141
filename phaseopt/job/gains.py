"""Before and after: what tables gain over the baseline, and the cells that moved most, and why."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.clearance.check import Verdict
from phaseopt.clearance.rules import CLEAR
from phaseopt.search.limited_by import NEIGHBOURS
from phaseopt.surrogate import TorqueSurface
from phaseopt.tables import PhaseTables
from phaseopt.torque_model.shared_unknowns import Unknown, Unknowns, of_difference
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.interval import is_shown

MOST = 5  # cells shown as those that moved most


@dataclass(frozen=True)
class Moved:
    """A cell that moved.

    Parameters
    ----------
    rpm, load : float
        The cell [rpm, kPa].
    intake, exhaust : float
        By how much its phases moved [crank degrees].
    gain, gain_sd : float
        What it gained, and the standard deviation of that [N·m].
    why : str
        In words.

    Examples
    --------
    >>> Moved(3000.0, 100.0, intake=8.0, exhaust=-3.0, gain=4.2, gain_sd=1.1, why="more torque").gain
    4.2
    """

    rpm: float
    load: float
    intake: float
    exhaust: float
    gain: float
    gain_sd: float
    why: str


@dataclass(frozen=True, eq=False)
class AverageGain:
    """What tables gain on average at full throttle over others: the one definition, by `averaged_shares`.

    Attributes
    ----------
    rpm : (float, float)
        The span of speeds that count.
    before, after : float
        Average torque over that span [N·m]; NaN where less than two speeds count.
    deviation : float
        Standard deviation of the gain [N·m].

    Examples
    --------
    >>> AverageGain(rpm=(2000.0, 7000.0), before=150.0, after=153.5, deviation=1.2).gain
    3.5
    """

    rpm: tuple[float, float]
    before: float
    after: float
    deviation: float

    @property
    def gain(self) -> float:
        """The average gain [N·m]."""
        return self.after - self.before


@dataclass(frozen=True, eq=False)
class Gains(AverageGain):
    """What tables gain over the baseline: on average at full throttle, and the cells that moved most.

    Attributes
    ----------
    rpm, before, after, deviation
        As of an `AverageGain`.
    moved : tuple of Moved
        First the one that moved furthest.

    Examples
    --------
    >>> Gains(rpm=(2000.0, 7000.0), before=150.0, after=153.5, deviation=1.2, moved=()).gain
    3.5
    """

    moved: tuple[Moved, ...]


def gains(
    torque: xr.Dataset, surface: TorqueSurface, full: tuple[FloatArray, FloatArray],
    tables: tuple[PhaseTables, PhaseTables], limited_by: Sequence[Sequence[Sequence[str]]], baseline: Verdict,
) -> Gains:  # fmt: skip
    """Compare two pairs of tables.

    Parameters: `torque` over (rpm, load) as `build` has it; `surface`, the torque model; of the tables before and after
    the inputs `full` (R, 4) of their full-load cells and the `tables` themselves; `limited_by` of the cells after; the
    verdict on the `baseline`.
    """
    found = average_gain(surface, *full, torque["measured"].isel(load=-1).to_numpy())
    return Gains(found.rpm, found.before, found.after, found.deviation, _moved(torque, tables, limited_by, baseline))


def average_gain(surface: TorqueSurface, before: FloatArray, after: FloatArray, *measured: BoolArray) -> AverageGain:
    """The average gain at full throttle.

    Parameters: `surface`, the torque model; inputs (R, 4) of the full-throttle cells of the tables `before` and
    `after`; `measured`, each (R,), as `averaged_shares` has it.
    """
    mean, covariance = surface.joint(np.concatenate([before, after]))
    n, rpm = len(before), before[:, 0]
    share = averaged_shares(rpm, np.isfinite(mean[:n]) & np.isfinite(mean[n:]), *measured)
    contrast = np.concatenate([-share, share])
    deviation = np.sqrt(np.maximum(contrast @ np.nan_to_num(covariance) @ contrast, 0.0))
    mean, counted = np.nan_to_num(mean), rpm[share > 0.0]
    span = (float(counted[0]), float(counted[-1])) if counted.size else (np.nan, np.nan)
    return AverageGain(span, float(share @ mean[:n]), float(share @ mean[n:]), float(deviation))


def averaged_shares(rpm: FloatArray, known: BoolArray, *measured: BoolArray) -> FloatArray:
    """(n,) what each speed counts in an average at full throttle, 1 in all: by area under the curve.

    Those count where torque is `known`, from the first speed that was `measured` to the last: what nobody measured is
    in no average. All known ones count where nothing was measured. Of two pairs of tables both are to be `measured`.
    NaN where less than two count.

    >>> rpm, all_known = np.array([1e3, 2e3, 3e3, 5e3]), np.ones(4, dtype=bool)
    >>> averaged_shares(rpm, all_known, np.array([False, True, True, True])).round(3).tolist()
    [0.0, 0.167, 0.5, 0.333]
    """
    counts = np.logical_and.reduce([known, *(averaged(each) for each in measured)])
    if np.count_nonzero(counts) < 2:
        return np.full(rpm.size, np.nan)
    shares = np.zeros(rpm.size)
    shares[counts] = trapezoid_shares(rpm[counts])
    return shares


def averaged(measured: BoolArray) -> BoolArray:
    """(n,) the speeds that count in an average: from the first that was measured to the last; all where none was.

    >>> averaged(np.array([False, True, False, True, False])).tolist(), averaged(np.array([False, False])).tolist()
    ([False, True, True, True, False], [True, True])
    """
    if not measured.any():
        return np.ones_like(measured)
    return np.asarray(np.maximum.accumulate(measured) & np.maximum.accumulate(measured[::-1])[::-1])


def between_curves(
    first: FloatArray, second: FloatArray, unknowns: tuple[Unknowns | None, Unknowns | None] = (None, None)
) -> xr.Dataset | None:
    """Two curves of torque at full throttle where both count in an average, each (n, 4) of rpm, torque, its standard
    deviation, and whether the speed was measured.

    Dim rpm: `first`, `second`, `difference` and its `deviation` [N·m]; `mean_first`, `mean_second`, their averages by
    area under the curve, and `mean_deviation`, of the difference of these. `at_most` and `mean_at_most` are these
    deviations as if the curves shared no uncertainty, which is the most they can be; where the `unknowns` of either are
    not known, that is what counts. `mean_off` is by how much the mean difference is expected to be off, as the pulls of
    one build show of the other's simulation, and `deviation_about` its deviation about that. None where less than two
    speeds are shared.
    """
    counted = (curve[averaged(curve[:, 3] > 0.0), :3] for curve in (first, second))
    one, other = (curve[np.isfinite(curve).all(axis=1)] for curve in counted)
    if not (len(one) and len(other)):
        return None
    rpm = shared_axis(one[:, 0], other[:, 0])
    if rpm.size < 2:
        return None
    (now, own), (then, its) = ([np.interp(rpm, curve[:, 0], curve[:, k]) for k in (1, 2)] for curve in (one, other))
    share, most = trapezoid_shares(rpm), np.hypot(own, its)
    unknown = Unknown(np.zeros(rpm.size), np.outer(most, most))
    if unknowns[0] is not None and unknowns[1] is not None:
        unknown = of_difference(unknowns[0], unknowns[1], rpm)
    deviation = np.array([unknown.deviation(at) for at in np.eye(rpm.size)])
    found = {"first": now, "second": then, "difference": then - now, "deviation": deviation, "at_most": most}
    curves = xr.Dataset({name: ("rpm", values, {"units": "N m"}) for name, values in found.items()}, {"rpm": rpm})
    return curves.assign(
        mean_first=float(share @ now),
        mean_second=float(share @ then),
        mean_deviation=unknown.deviation(share),
        mean_at_most=float(share @ most),
        mean_off=float(share @ unknown.off),
        deviation_about=unknown.about(share),
        paired=None not in unknowns,
    )


def shared_axis(one: FloatArray, other: FloatArray) -> FloatArray:
    """The breakpoints of two axes where both speak.

    >>> shared_axis(np.array([1.0, 3.0, 5.0]), np.array([2.0, 4.0, 6.0])).tolist()
    [2.0, 3.0, 4.0, 5.0]
    """
    low, high = max(one.min(), other.min()), min(one.max(), other.max())
    return np.unique(np.r_[one[(one >= low) & (one <= high)], other[(other >= low) & (other <= high)]])


def trapezoid_shares(x: FloatArray) -> FloatArray:
    """(n,) shares such that `shares @ y` is the mean of y over x by the trapezoid rule.

    >>> trapezoid_shares(np.array([0.0, 1.0, 3.0])).round(4).tolist()
    [0.1667, 0.5, 0.3333]
    """
    steps = np.diff(x)
    shares = np.zeros(x.size)
    shares[:-1] += steps / 2
    shares[1:] += steps / 2
    return np.asarray(shares / (x[-1] - x[0]))


def shares_within(rpm: FloatArray, span: tuple[float, float]) -> FloatArray:
    """(n,) the same for readings at any speeds, in any order, over the part of a span of speeds that they cover: where
    it ends between two readings, on the line between them. All alike where they cover none of it.

    >>> shares_within(np.array([4e3, 2e3, 3e3]), (2e3, 3.5e3)).round(4).tolist()
    [0.0833, 0.3333, 0.5833]
    """
    if not rpm.size:
        return rpm
    speeds, place, count = np.unique(rpm, return_inverse=True, return_counts=True)
    low, high = np.clip(span, speeds[0], speeds[-1])
    if not low < high:
        return np.full(rpm.size, 1.0 / rpm.size)
    nodes = np.unique(np.r_[low, speeds[(speeds > low) & (speeds < high)], high])
    lines = np.array([np.interp(nodes, speeds, one) for one in np.eye(speeds.size)])
    return np.asarray((lines @ trapezoid_shares(nodes) / count)[place])


def _moved(
    torque: xr.Dataset, tables: tuple[PhaseTables, PhaseTables], limited_by: Sequence[Sequence[Sequence[str]]],
    baseline: Verdict,
) -> tuple[Moved, ...]:  # fmt: skip
    before, after = tables
    intake, exhaust = ((getattr(after, side) - getattr(before, side)).to_numpy() for side in ("intake", "exhaust"))
    far = np.hypot(intake, exhaust)
    order = np.lexsort((np.arange(far.size), -far.ravel()))[:MOST]
    found = []
    for r, k in zip(*np.unravel_index(order, far.shape), strict=True):
        if far[r, k] == 0.0:
            break
        cell = {"rpm": int(r), "load": int(k)}
        gain, deviation = (float(torque[name].isel(cell)) for name in ("gain", "gain_sd"))
        refused = str(baseline.cells["verdict"].isel(cell).item()) != CLEAR
        found.append(
            Moved(
                float(after.rpm[r]), float(after.load[k]), float(intake[r, k]), float(exhaust[r, k]), gain, deviation,
                _why(gain, deviation, refused, limited_by[r][k]),
            )
        )  # fmt: skip
    return tuple(found)


def _why(gain: float, deviation: float, refused: bool, names: Sequence[str]) -> str:
    """Why a cell moved: it had to, it gained surely, or it goes along."""
    if refused:
        return "the baseline breaks a contact rule there"
    if not np.isfinite(gain):
        return "torque is not known of both"
    if is_shown(gain, deviation) and gain > 0.0:
        return "for torque"
    if {"slew", "roughness", NEIGHBOURS} & set(names):
        return "goes along with its neighbours"
    return "for torque, though the gain is within its uncertainty"
