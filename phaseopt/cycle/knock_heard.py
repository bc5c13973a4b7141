"""Knock that was heard sets the scale of the published delay; and how points fare under it."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from phaseopt.cycle import cylinder as cyl
from phaseopt.cycle.closed import run_closed
from phaseopt.cycle.config import CycleConfig, KnockLaw
from phaseopt.cycle.knock import PHASINGS, charges, knock_level, look
from phaseopt.cycle.scattered import CountProgress, run_scattered
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

TRACE = 0.1  # crank degrees: the phasing that knock leaves is found in steps, and is off `earliest` by less than this


@dataclass(frozen=True)
class Heard:
    """Knock that was heard: it began with so many degrees of spark advance [deg before firing TDC] at a point.

    The point is speed [rpm], mean plenum pressure [kPa] and true centrelines [deg].
    """

    rpm: float
    load: float
    icl: float
    ecl: float
    spark: float


@dataclass(frozen=True, eq=False)
class KnockLimit:
    """By point (n,): how early the charge may burn, and what that leaves of torque.

    `earliest`, `spark`, `end_gas` [K] and `integral` as `knock.Look` has them; `phasing` is the combustion phasing in
    use: the wanted one where knock allows it, else `earliest`. `torque` [N m] is with it, NaN where it knocks however
    late; `best_torque` as if there were no knock.
    """

    earliest: FloatArray
    phasing: FloatArray
    spark: FloatArray
    torque: FloatArray
    best_torque: FloatArray
    end_gas: FloatArray
    integral: FloatArray

    @property
    def margin(self) -> FloatArray:
        """Crank degrees in hand; 0 where knock decides."""
        left = np.asarray(self.phasing - self.earliest)
        return np.where(np.abs(left) < TRACE, 0.0, left)


def scaled_law(config: CycleConfig, heard: Iterable[Heard], octane: float) -> KnockLaw:
    """The law under which knock begins where it was heard: its scale is the geometric mean over the points.

    Parameters
    ----------
    config : CycleConfig
        The engine that was heard.
    heard : iterable of Heard
        Where.
    octane : float
        Research octane number of the fuel that was in it.

    Raises
    ------
    InputError
        For a spark that no burn starts from, and points that do not settle.
    """
    logs = []
    for one in heard:
        point = np.array([[one.rpm, one.load, one.icl, one.ecl]])
        engine = replace(config, knock=None)
        for _ in range(2):  # where half is burned decides a little what is trapped
            (found,) = run_scattered([engine], point)
            if not found.settled[0]:
                raise InputError.one(
                    f"does not settle at {one.rpm:g} rpm, where knock was heard",
                    hint="check speed and timing of that reading",
                )
            part = run_closed(engine, charges(engine, point, found)[0], PHASINGS)
            half = -one.spark + cyl.HALF_BURNED * float(part.duration[0])
            if not PHASINGS[0] <= half <= PHASINGS[-1]:
                raise InputError.one(
                    f"spark at {one.spark:g} degrees before TDC would burn half the charge at {half:.0f} after it",
                    hint="give the spark advance at which knock just began, in degrees before firing TDC",
                )
            engine = replace(engine, half_burned=half, phasing=None)
        logs.append(-float(np.interp(half, PHASINGS, knock_level(part, KnockLaw(octane)))))
    return KnockLaw(octane, math.exp(float(np.mean(logs))))


def knock_limits(
    config: CycleConfig, points: FloatArray, law: KnockLaw, progress: CountProgress | None = None
) -> KnockLimit:
    """How early the charge may burn at points (n, 4: rpm, load [kPa], icl, ecl), and torque with that.

    NaN at points that do not settle. Parameters: `progress`, called with points done and all of them.
    """
    points = np.asarray(points, dtype=np.float64).reshape(-1, 4)
    out = KnockLimit(*np.full((7, len(points)), np.nan))
    there = np.flatnonzero(np.isfinite(points).all(axis=1))  # at some speeds no timing may have settled
    free, found = run_scattered(
        [replace(config, knock=None), replace(config, knock=law)], points[there], progress=progress
    )
    settled = free.settled & found.settled
    both = np.flatnonzero(settled).tolist()
    known, free, found = there[both], free.only(both), found.only(both)
    here = [config.at(*place[:2]) for place in points[known].tolist()]
    for i, charge in enumerate(charges(config, points[known], found)):
        out.spark[known[i]] = look(here[i], charge, law).spark
    for i, charge in enumerate(charges(config, points[known], free)):
        _, _, out.end_gas[known[i]], out.integral[known[i]] = look(here[i], charge, law)
    out.earliest[known], out.phasing[known], out.best_torque[known] = found.earliest, found.half_burned, free.torque
    out.torque[known] = np.where(np.isposinf(found.earliest), np.nan, found.torque)
    return out
