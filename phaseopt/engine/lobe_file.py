"""A lobe measured on the bench or on the engine: a CSV, checked before anything is built on it.

On the bench: `cam_deg,lift_mm`, tappet lift over cam degrees. On the engine: `crank_deg,valve_lift_mm`, lift at the
valve's retainer with lash as set, over crank degrees. Either angle goes with either lift; both count from the lobe's
centre, negative on the opening flank. `bench_deg` are cam degrees from any zero, as a bench counts them the way the cam
turns: the lobe's zero is then the middle between equal lifts near its nose. Both flanks beside each other, and several
lobes in a file, go by their headings (`lobe_columns.py`).
"""

from pathlib import Path

import numpy as np

from phaseopt.engine.lobe import HALF_CYCLE, Lobe, at_valve, shifted
from phaseopt.engine.lobe_columns import LIFTS, LobeColumns, lobe_columns
from phaseopt.io.columns import Columns, names_of, read_columns
from phaseopt.io.text import lines_of
from phaseopt.project.hardware import Cam, Ratios
from phaseopt.values.errors import InputError

CRANK_PER_CAM = 2.0
CLOSED_BELOW = 0.05  # mm of lift that counts as closed at the ends: a dial gauge and a base circle's run-out
LONGEST_OPEN = 200.0  # cam degrees; no road or race lobe lifts for longer, a lobe given in crank degrees does
LONGEST_FLANK = 140.0  # cam degrees from the lobe's centre; leaves room for a tail on the circle
SHORTEST_OPEN = 90.0  # cam degrees; a stroke alone takes as long, and less is a lobe given in radians or in turns
WIDEST_STEP = 5.0  # cam degrees between points while open; beyond, the curve between them is a guess
BENCH = "bench_deg"
BELOW_FULL = 1.25  # mm, 0.050 in: where builders read equal lifts about the nose (common practice)
NOSE = 0.9  # of the peak; the middle of the stretch above it shows where the lobe's centre must be, near enough
OFF_CENTRE = 5.0  # cam degrees that the middle may stand off 0 in a lobe whose flanks differ
WRONG_ROW = 0.12  # mm off the curve through the rows around it; no lobe bends so sharply from row to row (judgement)
NOISY = 7.0  # times the median of that: what chance does not reach in a file read with scatter
TAIL = 60.0  # crank degrees beyond the valve's closing in which its tappet may still stand within the lash,
TAIL_END = 20.0  # and over which that is brought to zero


def read_lobe(path: Path, ratio: Ratios, lash: float = 0.0, name: str | None = None) -> Lobe:
    """Read a measured lobe.

    Parameters
    ----------
    path : Path
        CSV with an angle, `cam_deg` or `crank_deg` (from the lobe's centre, increasing) or `bench_deg` (cam degrees
        from any zero, increasing as the cam turns), and a lift, `lift_mm` at the tappet or `valve_lift_mm` at the
        valve's retainer with lash as set; `_in` and `_thou` in place of `_mm`. Or other columns that `lobe_columns`
        understands.
    ratio : float or pairs
        Valve travel over tappet travel, for tappet lift; pairs of tappet lift [mm] and ratio where it changes.
    lash : float
        As it was set [mm at the valve], for lift at the retainer.
    name : str, optional
        Which lobe, where the file holds several.

    Returns
    -------
    Lobe
        Lift at the valve with zero lash, over crank degrees.

    Raises
    ------
    InputError
        What `read_columns` and `lobe_columns` refuse, and: both angles or both lifts, angles not increasing or beyond
        half a turn, negative lift, ends that are not closed (lift above 0.05 mm), lift that is not in mm, angles that
        can only be the other kind of degrees, a centre far from the peak, points too far apart, one row far off those
        around it, lash larger than the lift.

    Notes
    -----
    Between the points is the monotone cubic of `Lobe.through`; with points every 1 or 2 cam degrees it is within
    0.001 mm of a smooth lobe on the flanks, and up to 0.006 mm below it at a nose between two points. One step beyond
    the first and the last point lift is zero. Lift at the retainer is short of lift at zero lash by the lash; while the
    valve is shut its tappet may be anywhere within the lash, and near the flanks it is taken to fill it.

    Examples
    --------
    >>> lobe = read_lobe(Path("examples/hillclimb/lobes/intake.csv"), ratio=1.0)
    >>> 5.0 < lobe.peak < 15.0
    True
    """
    found = lobe_source(path, name)
    if found.angle == BENCH:
        columns = _about_nose(found.columns, found.lift)
        lobe = _lobe(columns, "cam_deg", found.lift, ratio, lash)
        low, high = lobe.span(max(lobe.peak - BELOW_FULL, lobe.peak / 2))
        return shifted(lobe, -(low + high) / 2)
    found.columns.require_increasing(found.angle)
    return _lobe(found.columns, found.angle, found.lift, ratio, lash)


def lobe_source(path: Path, name: str | None = None) -> LobeColumns:
    """The columns of a lobe, of the program's own form or as their headings say. Raises `InputError`."""
    names = [cell.strip() for _, cells in lines_of(path)[:1] for cell in cells]
    own = {*names_of("lift_mm"), *names_of("valve_lift_mm")}
    others = any("lift" in each.casefold() and each not in own for each in names)  # other lobes beside it
    if name is not None or others or not own & set(names):
        return lobe_columns(path, name)
    lift = _one_of(path, names, "lift_mm", "valve_lift_mm")
    if BENCH in names and ("cam_deg" in names or "crank_deg" in names):
        raise InputError.one(f"{BENCH} and another angle are both there", hint="keep one of them", file=path)
    angle = BENCH if BENCH in names else _one_of(path, names, "cam_deg", "crank_deg")
    return LobeColumns(read_columns(path, required=(angle, lift)), angle, lift, lift)


def _about_nose(read: Columns, lift: str) -> Columns:
    """Columns over cam degrees from the nose, near enough to be read as any other; one turn may wrap."""
    _refuse_falling(read)
    read.require_increasing(BENCH)
    angle, height = read[BENCH], read[lift]
    if angle[-1] - angle[0] >= 360.0:
        problem = f"{BENCH} {angle[-1]:g} is a whole turn or more beyond {angle[0]:g}, where the lines begin"
        raise read.error(len(angle) - 1, problem, "keep the lines of one turn, and its first angle once")
    top = height.max()
    turned = (angle - angle[int(height.argmax())] + 180.0) % 360.0 - 180.0
    nose = turned[height >= min(NOSE * top, top)]  # a gauge that counts down is refused with the others
    turned = (turned - (nose.min() + nose.max()) / 2 + 180.0) % 360.0 - 180.0
    order = np.argsort(turned)
    columns = Columns(read.path, [read.lines[row] for row in order], {"cam_deg": turned[order], lift: height[order]})
    columns.require_increasing("cam_deg")
    return columns


def _refuse_falling(read: Columns) -> None:
    """Refuse an angle that falls down the file: sorted, as other angles are, it might mirror the lobe."""
    falls = np.diff(read[BENCH]) < 0.0
    if falls.sum() > falls.size / 2:
        raise read.error(
            1,
            f"{BENCH} falls",
            "if the cam turned as it runs, write 360 less each angle; if it turned backwards, put the last line first",
        )


def _lobe(columns: Columns, angle: str, lift: str, ratio: Ratios, lash: float) -> Lobe:
    """The lobe of two columns, refused where they are no lobe's."""
    per_cam = 1.0 if angle == "cam_deg" else CRANK_PER_CAM
    _refuse_impossible(columns, angle, lift, per_cam)
    crank_deg = columns[angle] * (CRANK_PER_CAM / per_cam)
    if lift == "lift_mm":
        return _closed(crank_deg, at_valve(columns[lift], ratio))
    if lash >= columns[lift].max():
        raise columns.error(
            int(columns[lift].argmax()),
            f"lash {lash:g} mm is not below the lift {columns[lift].max():g} mm",
            "check lash and valve_lift_mm, both in mm",
        )
    return _closed(crank_deg, columns[lift]) if lash == 0.0 else _with_lash(crank_deg, columns[lift], lash)


def at_tappet(path: Path, name: str | None = None) -> bool:
    """Whether a lobe of a file that can be read is lift at the tappet."""
    return lobe_source(path, name).lift == "lift_mm"


def from_any_zero(cam: Cam) -> bool:
    """Whether a cam's lobe file counts from a zero of the bench's, so that the lobe's own was found from the lift."""
    return cam.lobe is not None and any(lobe_source(cam.lobe, name).angle == BENCH for name in cam.lobe_names)


def _one_of(path: Path, names: list[str], first: str, second: str) -> str:
    """Which of two columns the file has; the first where it has neither, for `read_columns` to miss it."""
    has_first, has_second = (any(each in names for each in names_of(name)) for name in (first, second))
    if has_first and has_second:
        raise InputError.one(
            f"columns {first} and {second} are both there", hint="keep the one that was measured", file=path
        )
    return second if has_second else first


def _refuse_impossible(columns: Columns, angle_name: str, lift_name: str, per_cam: float) -> None:
    """Refuse what no lobe is; `per_cam` is how many of the file's degrees a cam degree is."""
    angle, lift = columns[angle_name], columns[lift_name]
    kind = "cam" if angle_name == "cam_deg" else "crank"
    half_turn = HALF_CYCLE / CRANK_PER_CAM * per_cam
    for row in (0, -1):
        if abs(angle[row]) > half_turn:
            raise columns.error(
                row,
                f"{angle_name} {angle[row]:g} is more than half a turn of the cam from the lobe's centre",
                f"count {kind} degrees from the lobe's centre, {-half_turn:g} to {half_turn:g}",
            )
    for row in np.flatnonzero(lift < 0)[:1]:
        raise columns.error(
            int(row), f"{lift_name} {lift[row]:g} is below zero", "set the gauge to zero on the base circle"
        )
    top = int(np.argmax(lift))
    if not LIFTS[0] <= lift[top] <= LIFTS[1]:
        raise columns.error(
            top,
            f"the greatest lift is {lift[top]:g}",
            "give lift in mm, not inches: lift_mm at the tappet, or valve_lift_mm at the valve's retainer",
        )
    for row in (0, -1):
        if lift[row] > CLOSED_BELOW:
            raise columns.error(
                row,
                f"the lobe does not close: {lift_name} is {lift[row]:g} at its end",
                f"measure on both flanks until lift is {CLOSED_BELOW:g} mm or less",
            )
    opened = np.flatnonzero(lift > CLOSED_BELOW)
    first, last = int(opened[0]), int(opened[-1])
    length = angle[last] - angle[first]
    if length > LONGEST_OPEN * per_cam:
        looks = "these look like crank degrees: name the column crank_deg, or halve them"
        raise columns.error(
            first,
            f"the lobe lifts for {length:g} degrees, longer than any lobe in {kind} degrees",
            looks if kind == "cam" else "give crank degrees from the lobe's centre",
        )
    if length < SHORTEST_OPEN * per_cam:
        looks = "these look like cam degrees: name the column cam_deg, or double them"
        raise columns.error(
            first,
            f"the lobe lifts for only {length:g} {kind} degrees",
            looks if kind == "crank" else "give angles in cam degrees, as a degree wheel reads",
        )
    for row in first + np.flatnonzero(np.diff(angle[first - 1 : last + 2]) > WIDEST_STEP * per_cam)[:1]:
        raise columns.error(
            int(row),
            f"{angle[row] - angle[row - 1]:g} {kind} degrees from the line before",
            f"measure every {per_cam:g} or {2 * per_cam:g} {kind} degrees while the lobe lifts, at most "
            f"{WIDEST_STEP * per_cam:g} apart",
        )
    nose = angle[lift >= NOSE * lift[top]]
    middle = (nose[0] + nose[-1]) / 2
    if abs(middle) > OFF_CENTRE * per_cam:
        raise columns.error(
            top,
            f"the lobe's nose stands at {angle_name} {middle:g}",
            f"count {angle_name} from the lobe's centre, at most {OFF_CENTRE * per_cam:g} from the middle of the nose; "
            f"cam degrees from any other zero are called {BENCH}",
        )
    _refuse_wrong_row(columns, angle_name, lift_name, opened)
    for row in (first, last):
        if abs(angle[row]) > LONGEST_FLANK * per_cam:
            raise columns.error(
                row,
                f"the flank is {abs(angle[row]):g} {kind} degrees long, longer than any lobe's",
                "count from the lobe's centre; set the gauge to zero on the base circle",
            )


def _refuse_wrong_row(columns: Columns, angle_name: str, lift_name: str, opened: np.ndarray) -> None:
    """Refuse a row that stands far off the cubic through two rows on either side of it.

    A file read with scatter has many rows somewhat off, a slip of the pen one alone: the scatter is judged by the
    median.
    """
    angle, lift = columns[angle_name], columns[lift_name]
    off = np.zeros_like(lift)
    middle = np.arange(2, len(angle) - 2)
    around = [middle + step for step in (-2, -1, 1, 2)]
    for one in around:
        weight = np.ones(len(middle))
        for other in around:
            if other is not one:
                weight *= (angle[middle] - angle[other]) / (angle[one] - angle[other])
        off[middle] -= weight * lift[one]
    off[middle] += lift[middle]
    row = int(np.abs(off).argmax())
    if abs(off[row]) > max(WRONG_ROW, NOISY * float(np.median(np.abs(off[opened])))):
        raise columns.error(
            row,
            f"{lift_name} {lift[row]:g} at {angle_name} {angle[row]:g} is {abs(off[row]):.2f} mm "
            f"{'above' if off[row] > 0 else 'below'} the curve through the rows around it",
            "read that row again, or leave it out",
        )


def _closed(angles: np.ndarray, lifts: np.ndarray) -> Lobe:
    """The lobe through points, brought to zero one step beyond its ends where they are not zero."""
    if lifts[0] > 0.0 and angles[0] > -HALF_CYCLE:
        before = max(2 * angles[0] - angles[1], -HALF_CYCLE)
        angles, lifts = np.r_[before, angles], np.r_[0.0, lifts]
    if lifts[-1] > 0.0 and angles[-1] < HALF_CYCLE:
        after = min(2 * angles[-1] - angles[-2], HALF_CYCLE)
        angles, lifts = np.r_[angles, after], np.r_[lifts, 0.0]
    return Lobe.through(angles, lifts)


def _with_lash(angles: np.ndarray, lifts: np.ndarray, lash: float) -> Lobe:
    """The lobe at zero lash from lift with lash: the lash added, and kept for a while where the valve is shut."""
    opened = np.flatnonzero(lifts > CLOSED_BELOW)
    first, last = max(int(opened[0]) - 1, 0), min(int(opened[-1]) + 1, len(lifts) - 1)
    inner, outer = angles[first] - TAIL, angles[last] + TAIL
    around = np.r_[inner - TAIL_END, inner, angles[first : last + 1], outer, outer + TAIL_END]
    return Lobe.through(around, np.r_[0.0, lash, lifts[first : last + 1] + lash, lash, 0.0])
