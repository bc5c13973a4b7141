"""The valve-drop law from a project: fitted to a sheet of readings, or from one reading at TDC.

The sheet is a CSV with `crank_deg` (degrees after gas-exchange TDC, before it negative), `drop_mm` (from the seat along
the valve's axis until it meets the piston) and, where several cylinders were measured, `cylinder`. The fit is weighted
least squares with what is known beforehand: the wheel's zero to wheel_error, k to its range for the valve's tilt.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from phaseopt.clearance.drop import DropLaw, Readings, fall_rate, single_reading
from phaseopt.csv_columns import Columns, read_columns
from phaseopt.engine.crank import SliderCrank
from phaseopt.errors import InputError, Mistake
from phaseopt.project import Drop, Project, Side

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

FEWEST = 5  # readings in all; practice is seven, every 5° from 15° before TDC to 15° after
FEWEST_A_SIDE = 2  # of them before TDC, and after it
FARTHEST = 90.0  # crank degrees from TDC; beyond, a reading was not counted from gas-exchange TDC
LARGEST = 100.0  # mm; no valve has so far to go near TDC
OUTLIER = 3.5  # standard deviations from a fit made without the reading
MOST_OUTLIERS = 0.25  # of the readings; beyond, they contradict each other
WIDEST_WHEEL = 3.0  # standard deviations of the wheel's zero
RISE = 0.7, 1.4  # drop's rise over the piston's fall; k lies between cos 60° and its inverse only on paper
_SPREAD = 0.3  # mm of piston travel between two readings that can tell the rise
_K_KNOWN = 1e-4  # k is known no better than this, an upright valve's too


def drop_law(project: Project, side: Side) -> DropLaw:
    """The valve drop of one kind of valve.

    Parameters: `project`; `side`, "intake" or "exhaust".
    Raises `InputError`, naming file and line: whatever `read_columns` refuses; drops not above zero; angles twice, out
    of order or not counted from TDC; too few readings or on one side of TDC only; drops that fall away from TDC or
    rise at another rate than the piston falls; readings that do not fit, unless the project accepts them; readings
    that contradict each other; a wheel zero beyond what wheel_error allows.
    """
    drop = project.drop.intake if side == "intake" else project.drop.exhaust
    tilt = project.cam(side).tilt
    crank = SliderCrank(project.crank.stroke, project.crank.rod, project.crank.pin_offset)
    if drop.readings is None:
        assert drop.at_tdc is not None  # the project file gives readings or at_tdc
        return single_reading(crank, drop.at_tdc, tilt, drop.gauge_error, drop.wheel_error)
    columns = read_columns(drop.readings, required=("crank_deg", "drop_mm"), optional=("cylinder",))
    return fit_readings(columns, crank, tilt, drop)


def fit_readings(columns: Columns, crank: SliderCrank, tilt: float, drop: Drop) -> DropLaw:
    """The law fitted to a sheet of readings.

    Parameters
    ----------
    columns
        `crank_deg`, `drop_mm` and perhaps `cylinder`, as read from the file.
    crank
        The slider-crank.
    tilt
        Valve axis from the cylinder axis, degrees.
    drop
        gauge_error, wheel_error and accept_outliers.
    """
    cylinder = _cylinders(columns)
    _refuse_impossible(columns, cylinder)
    _refuse_wrong_rise(columns, cylinder, crank)
    problem = _Problem(crank, columns["crank_deg"], columns["drop_mm"], cylinder, tilt, drop)
    used, notes = _fitting(problem, columns, drop)
    _refuse_one_sided(columns, used)
    fit = problem.solve(used)
    _refuse_wheel(columns, fit.wheel, drop)
    readings = Readings(
        columns.path,
        np.array(columns.lines),
        cylinder,
        problem.angle,
        problem.drop,
        fit.residual,
        fit.standardised,
        used,
    )
    return DropLaw(crank, fit.at_tdc, fit.factor, fit.wheel, fit.covariance, readings=readings, notes=notes)


@dataclass(frozen=True, eq=False)
class _Fit:
    at_tdc: FloatArray
    factor: float
    wheel: float
    covariance: FloatArray
    residual: FloatArray
    standardised: FloatArray


@dataclass(frozen=True, eq=False)
class _Problem:
    """Weighted least squares for (D0 of each cylinder, k, w)."""

    crank: SliderCrank
    angle: FloatArray
    drop: FloatArray
    cylinder: IntArray
    tilt: float
    errors: Drop

    def solve(self, used: BoolArray) -> _Fit:
        """The fit to the readings in use, and how every reading stands to it."""
        names, of = np.unique(self.cylinder[used], return_inverse=True)
        angle, drop, count = self.angle[used], self.drop[used], len(names)
        least = math.cos(math.radians(self.tilt))
        k_middle, k_sigma = (least + 1 / least) / 2, max((1 / least - least) / 2, _K_KNOWN)
        sigma, wheel_sigma = self.errors.gauge_error, self.errors.wheel_error

        def residuals(p: FloatArray) -> FloatArray:
            law = p[of] + p[count] * self.crank.drop(angle - p[-1])
            return np.append((law - drop) / sigma, [(p[count] - k_middle) / k_sigma, p[-1] / wheel_sigma])

        def jacobian(p: FloatArray) -> FloatArray:
            rows = np.zeros((len(angle) + 2, count + 2))
            rows[np.arange(len(angle)), of] = 1 / sigma
            rows[:-2, count] = self.crank.drop(angle - p[-1]) / sigma
            rows[:-2, -1] = -p[count] * fall_rate(self.crank, angle - p[-1]) / sigma
            rows[-2, count], rows[-1, -1] = 1 / k_sigma, 1 / wheel_sigma
            return rows

        start = np.r_[[drop[of == c].min() for c in range(count)], k_middle, 0.0]
        low = np.r_[np.full(count, -np.inf), k_middle - k_sigma, -FARTHEST]
        high = np.r_[np.full(count, np.inf), k_middle + k_sigma, FARTHEST]
        found = least_squares(
            residuals, start, jacobian, bounds=(low, high), x_scale=np.r_[np.ones(count), k_sigma, 1.0], xtol=1e-12
        )
        p, rows = found.x, jacobian(found.x)
        covariance: FloatArray = np.asarray(np.linalg.inv(rows.T @ rows))
        leverage = np.einsum("ip,pq,iq->i", rows, covariance, rows)[:-2]
        inside = drop - (p[of] + p[count] * self.crank.drop(angle - p[-1]))
        # More scatter than gauge_error states is believed; less is not.
        freedom = max(len(angle) - count - 2, 1)
        covariance = covariance * max(1.0, float(np.sum((inside / sigma) ** 2)) / freedom)
        # A reading alone on its cylinder fits by itself: nothing can be said against it.
        alone = 1 - leverage < 1e-6
        at_tdc = dict(zip(names.tolist(), p[:count].tolist(), strict=True))
        level = np.array([at_tdc.get(c, math.nan) for c in self.cylinder.tolist()])
        residual = self.drop - (level + p[count] * self.crank.drop(self.angle - p[-1]))
        standardised = residual / sigma
        standardised[used] = np.where(alone, 0.0, inside / (sigma * np.sqrt(np.where(alone, 1.0, 1 - leverage))))
        return _Fit(p[:count], float(p[count]), float(p[-1]), covariance, residual, standardised)


def _fitting(problem: _Problem, columns: Columns, errors: Drop) -> tuple[BoolArray, tuple[str, ...]]:
    """Which readings are used, and a note on each left out; refused where the project does not accept that."""
    used = np.ones(len(problem.angle), dtype=np.bool_)
    fit = problem.solve(used)
    while (worst := np.abs(np.where(used, fit.standardised, 0.0))).max() > OUTLIER:
        used[int(worst.argmax())] = False
        if np.count_nonzero(~used) > max(1, int(MOST_OUTLIERS * used.size)):
            raise InputError.one(
                f"the readings contradict each other: no law that a piston follows comes within {OUTLIER:g} times "
                f"gauge_error {errors.gauge_error:g} mm of them, whichever quarter is left out",
                mend="take the readings again; if the gauge is less sure than that, state its gauge_error",
                file=columns.path,
                where="lines " + ", ".join(str(columns.lines[i]) for i in np.flatnonzero(~used)),
            )
        fit = problem.solve(used)
    out = np.flatnonzero(~used).tolist()
    if out and not errors.accept_outliers:
        raise InputError(
            Mistake(
                f"crank_deg {problem.angle[i]:g} reads {problem.drop[i]:g} mm, {abs(fit.residual[i]):.2f} mm "
                f"{'more' if fit.residual[i] > 0 else 'less'} than the others say",
                "read that angle again, or set accept_outliers = true to leave it out",
                columns.path,
                f"line {columns.lines[i]}",
            )
            for i in out
        )
    notes = tuple(
        f"line {columns.lines[i]} of {columns.path.name} ({problem.drop[i]:g} mm at {problem.angle[i]:g}°) is "
        f"{fit.residual[i]:+.2f} mm off the others and left out, as the project accepts"
        for i in out
    )
    return used, notes


def _cylinders(columns: Columns) -> IntArray:
    if "cylinder" not in columns:
        return np.ones(len(columns["drop_mm"]), dtype=np.int64)
    for row, number in enumerate(columns["cylinder"]):
        if number != round(number) or number < 1:
            raise columns.error(row, f"cylinder {number:g} is not a cylinder", "number cylinders 1, 2, 3, ...")
    return columns["cylinder"].astype(np.int64)


def _refuse_impossible(columns: Columns, cylinder: IntArray) -> None:
    angle, drop = columns["crank_deg"], columns["drop_mm"]
    for row in np.flatnonzero(drop <= 0)[:1]:
        raise columns.error(
            int(row),
            f"drop_mm {drop[row]:g} is not above zero",
            "give the valve's travel from its seat until it meets the piston, counted positive",
        )
    for row in np.flatnonzero(drop > LARGEST)[:1]:
        raise columns.error(int(row), f"drop_mm {drop[row]:g} is no valve drop near TDC", f"give mm, below {LARGEST:g}")
    for row in np.flatnonzero(np.abs(angle) > FARTHEST)[:1]:
        raise columns.error(
            int(row),
            f"crank_deg {angle[row]:g} is more than {FARTHEST:g} degrees from TDC",
            "count from gas-exchange TDC, before it negative: 345 is -15",
        )
    for number in np.unique(cylinder):
        rows = np.flatnonzero(cylinder == number)
        own = Columns(columns.path, [columns.lines[i] for i in rows], {"crank_deg": angle[rows]})
        own.require_increasing("crank_deg")
    _refuse_one_sided(columns, np.ones(len(angle), dtype=np.bool_))


def _refuse_one_sided(columns: Columns, used: BoolArray) -> None:
    angle = columns["crank_deg"][used]
    mend = "read every 5° from 15° before TDC (negative) to 15° after"
    if len(angle) < FEWEST:
        raise InputError.one(
            f"{len(angle)} readings that can be used, {FEWEST} are needed", mend=mend, file=columns.path
        )
    for side, count in (("before", np.count_nonzero(angle < 0)), ("after", np.count_nonzero(angle > 0))):
        if count < FEWEST_A_SIDE:
            first, last = columns.lines[0], columns.lines[-1]
            raise InputError.one(
                f"{count} of {len(angle)} readings {'is' if count == 1 else 'are'} {side} TDC, so the wheel's zero "
                "cannot be told from the drop",
                mend=mend,
                file=columns.path,
                where=f"lines {first} to {last}",
            )


def _refuse_wrong_rise(columns: Columns, cylinder: IntArray, crank: SliderCrank) -> None:
    """Drop must rise as the piston falls: the median over pairs of readings (Theil and Sen), which no outlier moves."""
    fall, drop = crank.drop(columns["crank_deg"]), columns["drop_mm"]
    i, j = np.triu_indices(len(drop), 1)
    tell = (np.abs(fall[j] - fall[i]) > _SPREAD) & (cylinder[i] == cylinder[j])
    if not tell.any():
        return
    i, j = i[tell], j[tell]
    rise = float(np.median((drop[j] - drop[i]) / (fall[j] - fall[i])))
    where = f"lines {columns.lines[0]} to {columns.lines[-1]}"
    if rise < 0:
        raise InputError.one(
            "drop_mm falls away from TDC, where the piston makes room and it must rise: its sign is reversed",
            mend="give the travel from the seat until the valve meets the piston, not what the gauge shows when it has",
            file=columns.path,
            where=where,
        )
    if not RISE[0] <= rise <= RISE[1]:
        raise InputError.one(
            f"drop_mm rises {rise:.2f} times as fast as the piston falls, where it must be about once",
            mend="check crank_deg (crank, not cam degrees), drop_mm (in mm), crank.stroke and crank.rod",
            file=columns.path,
            where=where,
        )


def _refuse_wheel(columns: Columns, wheel: float, errors: Drop) -> None:
    if abs(wheel) > WIDEST_WHEEL * errors.wheel_error:
        raise InputError.one(
            f"the readings put TDC at {wheel:+.1f}° on the wheel, where wheel_error {errors.wheel_error:g}° allows "
            f"{WIDEST_WHEEL * errors.wheel_error:g}°",
            mend="find TDC again with a positive stop, check the sign of crank_deg, or state the wheel_error it had",
            file=columns.path,
            where=f"lines {columns.lines[0]} to {columns.lines[-1]}",
        )
