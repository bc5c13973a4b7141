"""Lobes that a grinder could make of one: each flank longer by itself, and more or less lift.

Angles from the nose are stretched: both flanks by their mean share everywhere, and by what differs between them from
nothing at the nose to all of it at the check lift, by the 3-4-5 polynomial. So the nose keeps one curvature (lift scale
over the square of the mean stretch), and acceleration has no step anywhere that the lobe had none.
"""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from phaseopt.engine.lobe_file import lobe_source
from phaseopt.io.atomic import write_file
from phaseopt.io.cache import FOLDER
from phaseopt.project import Project, Side
from phaseopt.project.shelf import LobeFamily
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError


@dataclass(frozen=True)
class Grind:
    """One lobe of a family: crank degrees by which each flank is longer at the check lift, and lift as a share."""

    opening: float = 0.0
    closing: float = 0.0
    lift: float = 1.0


def middle_of(family: LobeFamily) -> Grind:
    """The lobe in the middle of a family.

    >>> middle_of(LobeFamily(of="examples/hillclimb/lobes/intake.csv", opening=[0, 10], lift=[1.0, 1.06]))
    Grind(opening=5.0, closing=0.0, lift=1.03)
    """
    opening, closing, lift = ((least + most) / 2 for least, most in (family.opening, family.closing, family.lift))
    return Grind(opening, closing, round(lift, 9))


def stretched_lobe(path: Path, grind: Grind, check_lift: float = 1.0) -> FloatArray:
    """The lobe of a file with each flank longer and lift scaled.

    Parameters
    ----------
    path : Path
        A lobe file with one lobe, over `cam_deg` or `crank_deg`.
    grind : Grind
    check_lift : float
        Lift at which flanks are measured, mm, as the file has lift.

    Returns
    -------
    array, (n, 2)
        Cam degrees from the lobe's centre, and lift as the file has it, mm.

    Raises
    ------
    InputError
        As `lobe_source`; angles from a bench's zero; a check lift that is never reached; a flank so much shorter that
        the lobe would fold.

    Examples
    --------
    >>> rows = stretched_lobe(Path("examples/hillclimb/lobes/intake.csv"), Grind(10.0, 14.0, 1.06))
    >>> float(rows[:, 1].max().round(3))
    11.024
    """
    source = lobe_source(path)
    if source.angle not in ("cam_deg", "crank_deg"):
        hint = "write a column cam_deg, from the lobe's centre"
        raise InputError.one("counts from a zero of the bench's, so no flank has a length", hint=hint, file=path)
    source.columns.require_increasing(source.angle)
    angle = source.columns[source.angle] * (1.0 if source.angle == "cam_deg" else 0.5)
    lift = source.columns[source.lift]
    nose = lift.max()
    if check_lift >= nose * min(grind.lift, 1.0):
        hint = "give a lower tables.check_lift, or another lobe"
        raise InputError.one(f"never lifts to {check_lift:g} mm", hint=hint, file=path)
    shares = []
    for sign, longer in ((-1.0, grind.opening), (1.0, grind.closing)):
        before = _flank(angle, lift, sign, check_lift / grind.lift)
        shares.append(((_flank(angle, lift, sign, check_lift) + longer / 2) / before - 1.0, before))
    mean = (shares[0][0] + shares[1][0]) / 2
    stretched = np.empty_like(angle)
    for sign, (share, before) in zip((-1.0, 1.0), shares, strict=True):
        on = angle * sign >= 0.0
        x = np.clip(np.abs(angle[on]) / before, 0.0, 1.0)
        stretched[on] = angle[on] * (1.0 + mean + (share - mean) * x**3 * (10.0 - 15.0 * x + 6.0 * x**2))
    if np.any(np.diff(stretched) <= 0.0):
        raise InputError.one("a flank so much shorter folds the lobe", hint="give a family nearer to it", file=path)
    return np.column_stack([stretched, lift * grind.lift])


def _flank(angle: FloatArray, lift: FloatArray, sign: float, at: float) -> float:
    """Cam degrees from the lobe's centre to where a flank has a lift."""
    on = angle * sign >= 0.0
    away, height = np.abs(angle[on])[:: int(sign)], lift[on][:: int(sign)]
    last = int(np.flatnonzero(height >= at)[-1])
    if last + 1 == away.size:
        return float(away[last])
    return float(np.interp(at, height[[last + 1, last]], away[[last + 1, last]]))


def lobe_text(path: Path, grind: Grind, check_lift: float) -> str:
    """The CSV of `stretched_lobe`, which the program reads back."""
    rows = stretched_lobe(path, grind, check_lift)
    return f"cam_deg,{lobe_source(path).lift}\n" + "".join(f"{angle:.4f},{lift:.4f}\n" for angle, lift in rows)


def family_lobe(family: LobeFamily, grind: Grind, project: Project, side: Side) -> Path:
    """The file of one lobe of a family, written once under `.phaseopt/` beside the project.

    Raises `InputError` where the grind is not of the family, as `stretched_lobe` does, and where it cannot be written.
    """
    for name in ("opening", "closing", "lift"):
        least, most = getattr(family, name)
        if not least - 1e-9 <= getattr(grind, name) <= most + 1e-9:
            problem = f"{name} {getattr(grind, name):g} is not within {least:g} to {most:g}"
            raise InputError.one(problem, hint="give a lobe of the family", where=f"{side}.lobe")
    cam, at = project.cam(side), project.tables.check_lift
    if lobe_source(family.of).lift == "lift_mm":  # at the lifter, without lash
        at = (at + cam.lash) / (1.0 if cam.ratio_over_lift else cam.ratio)
    content = lobe_text(family.of, grind, at).encode()
    path = project.folder / FOLDER / f"lobe-{hashlib.sha256(content).hexdigest()[:16]}.csv"
    if not path.is_file() or path.read_bytes() != content:
        path.parent.mkdir(exist_ok=True)
        write_file(path, content)
    return path
