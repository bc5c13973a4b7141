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
class Gains:
    """What tables gain at full load over the baseline.

    Attributes
    ----------
    rpm : (float, float)
        The span of speeds at which torque of both is known; where pulls measured some, from the first of these to the
        last, since a gain that nobody measured is in no average.
    before, after : float
        Mean torque by area under the curve over that span, by the trapezoid rule [N·m]; NaN where less than two speeds
        are known.
    deviation : float
        Standard deviation of the gain [N·m].
    moved : tuple of Moved
        The cells that moved most, first the one that moved furthest.

    Examples
    --------
    >>> Gains(rpm=(2000.0, 7000.0), before=150.0, after=153.5, deviation=1.2, moved=()).gain
    3.5
    """

    rpm: tuple[float, float]
    before: float
    after: float
    deviation: float
    moved: tuple[Moved, ...]

    @property
    def gain(self) -> float:
        """The mean gain over speed [N·m]."""
        return self.after - self.before


def gains(
    torque: xr.Dataset, surface: TorqueSurface, full: tuple[FloatArray, FloatArray],
    tables: tuple[PhaseTables, PhaseTables], limited_by: Sequence[Sequence[Sequence[str]]], baseline: Verdict,
) -> Gains:  # fmt: skip
    """Compare two pairs of tables.

    Parameters: `torque` over (rpm, load) as `build` has it; `surface`, the torque model; of the tables before and after
    the inputs `full` (R, 4) of their full-load cells and the `tables` themselves; `limited_by` of the cells after; the
    verdict on the `baseline`.
    """
    mean, covariance = surface.joint(np.concatenate(full))
    n = len(full[0])
    known = np.isfinite(mean[:n]) & np.isfinite(mean[n:]) & averaged(torque["measured"].isel(load=-1).to_numpy())
    rpm = full[0][:, 0]
    moved = _moved(torque, tables, limited_by, baseline)
    if np.count_nonzero(known) < 2:
        return Gains((np.nan, np.nan), np.nan, np.nan, np.nan, moved)
    share = np.zeros(n)
    share[known] = trapezoid_shares(rpm[known])
    contrast = np.concatenate([-share, share])
    deviation = np.sqrt(max(float(contrast @ np.nan_to_num(covariance) @ contrast), 0.0))
    mean = np.nan_to_num(mean)
    span = float(rpm[known][0]), float(rpm[known][-1])
    return Gains(span, float(share @ mean[:n]), float(share @ mean[n:]), float(deviation), moved)


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
    """Two curves of torque over speed, each (n, 3) of rpm, torque and its standard deviation, where both are known.

    Dim rpm: `first`, `second`, `difference` and its `deviation` [N·m]; `mean_deviation`, of the mean difference by the
    trapezoid rule. `at_most` and `mean_at_most` are these deviations as if the curves shared no uncertainty, which is
    the most they can be; where the `unknowns` of either are not known, that is what counts. `mean_off` is by how much
    the mean difference is expected to be off, as the pulls of one build show of the other's simulation, and
    `deviation_about` its deviation about that. None where less than two speeds are shared.
    """
    one, other = (curve[np.isfinite(curve).all(axis=1)] for curve in (first, second))
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
    if gain > 2.0 * deviation:
        return "for torque"
    if {"slew", "roughness", NEIGHBOURS} & set(names):
        return "goes along with its neighbours"
    return "for torque, though the gain is within its uncertainty"
