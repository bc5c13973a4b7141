"""What a valve that leaves its lobe takes from a gap, and whether a speed is beyond valve control.

The flight of `engine.flight` says how far a valve may stand above its lobe at each crank angle. What counts is the most
of it where a contact can be: for the piston the angles around TDC at which the drop leaves less than `OF_INTEREST` of
gap to a valve at full lift that flies as far as it can anywhere, for two valves the angles at which both can be open.
So an intake valve that flies off its peak far from TDC costs nothing, an exhaust valve that closes late or bounces near
TDC does. It adds to what speed takes and never gives anything back. Beyond the speed up to which the spring holds for
certain nothing is clear, however little the valve flies.
"""

from collections.abc import Mapping
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.allowances import running_timing
from phaseopt.clearance.contacts import sides_of
from phaseopt.clearance.drop import DropLaw
from phaseopt.engine.camshaft import Camshaft, Engine
from phaseopt.engine.valve_control import ValveControl
from phaseopt.project import SIDES, Project, Side
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import Mistake

OF_INTEREST = 6.0  # mm of running gap, what speed takes included; more is never asked for
_AROUND = np.arange(-150.0, 150.5, 1.0)  # crank degrees about gas-exchange TDC


def separations(
    project: Project,
    engine: Engine,
    drops: dict[Side, DropLaw],
    zeros: Mapping[Side, float],
    contact: str,
    rpm: npt.ArrayLike,
) -> FloatArray:
    """The most that a valve may stand above its lobe where a contact can be, mm, shape of `rpm`; 0 without springs.

    `zeros` are those of `wheel_zeros`.
    """
    speed = np.asarray(rpm, dtype=np.float64)
    sides = [side for side in sides_of(contact) if engine.cam(side).control is not None]
    if not sides:
        return np.zeros(speed.shape)
    centres = {side: _centres(project, engine.cam(side), zeros[side]) for side in SIDES}
    known = [control.flight for side in SIDES if (control := engine.cam(side).control) is not None]
    # a flight is known at a few speeds: those between two of them ask for the same row
    _, first, back = np.unique(
        [flight.row(speed.ravel()) for flight in known], axis=1, return_index=True, return_inverse=True
    )
    found: list[float] = []
    for each in speed.ravel()[first].tolist():
        most = 0.0
        where = _open_together(engine, centres, each) if contact == "valve_valve" else None
        for side in sides:
            start, end = where or _near_piston(engine.cam(side), drops[side], each)
            early, late = centres[side]
            most = max(most, _control(engine.cam(side)).flight.most(each, start - late, end - early))
        found.append(most)
    return np.array(found)[back.ravel()].reshape(speed.shape)


def not_held(project: Project, engine: Engine, rpm: float) -> list[Mistake]:
    """For each valve that a speed is beyond the control of: the key, the figures, what to do."""
    found = []
    for side in SIDES:
        control = engine.cam(side).control
        if control is None or control.holds(rpm):
            continue
        shim = control.shim(rpm)
        way = (
            f", or fit {shim.seat_force:.0f} N on the seat, {shim.thickness:.1f} mm more shim (coil bind then "
            f"{shim.coil_bind:.1f} mm)"
            if shim is not None and shim.coil_bind > 0
            else f", or fit a spring {control.stronger(rpm):.1f} times as strong, or lighter parts"
        )
        held = int(control.least // 50 * 50)
        found.append(
            Mistake(
                f"{rpm:.0f} rpm is beyond {side} valve control: {control.speed.rpm:.0f} ± {control.speed.error:.0f} "
                f"rpm (95 %), held for certain to {held} rpm",
                f"keep it below {held} rpm and say so (crank.overspeed, tables.rpm){way}",
                project.file,
                f"{side}.spring",
            )
        )
    return found


def most_separation(engine: Engine, side: Side, rpm: float) -> float:
    """The most that a valve may stand above its lobe anywhere, mm; zero without springs."""
    control = engine.cam(side).control
    return control.flight.most(rpm, -720.0, 720.0) if control is not None else 0.0


def _control(cam: Camshaft) -> ValveControl:
    assert cam.control is not None
    return cam.control


def _centres(project: Project, cam: Camshaft, zero: float) -> tuple[float, float]:
    """The earliest and the latest place of a lobe's centre, crank degrees after TDC, errors of timing added; `zero`
    that of `wheel_zeros`."""
    phaser = project.phaser_of(cam.side)
    least, most = project.likely_travel(cam.side)
    error = running_timing(project.cam(cam.side), phaser, project.gap.running.chain, zero)
    return float(cam.centre(most)) - error, float(cam.centre(least)) + error


def _near_piston(cam: Camshaft, law: DropLaw, rpm: float) -> tuple[float, float]:
    """The crank angles around TDC outside which no valve comes near the piston."""
    needed = cam.most.peak + _control(cam).flight.most(rpm, -720.0, 720.0) + OF_INTEREST
    near = _AROUND[_low(law) < needed]
    return (float(near[0]) - 1.0, float(near[-1]) + 1.0) if near.size else (0.0, 0.0)


@lru_cache(maxsize=16)
def _low(law: DropLaw) -> FloatArray:
    return law.low(_AROUND)


def _open_together(engine: Engine, centres: dict[Side, tuple[float, float]], rpm: float) -> tuple[float, float]:
    """From the earliest opening of the intake valve to the latest crank angle at which the exhaust valve is shut."""
    intake, exhaust = engine.intake, engine.exhaust
    last = float(exhaust.most.breaks[-1])
    if exhaust.control is not None:
        last = max(last, exhaust.control.flight.last_open(rpm))
    return centres["intake"][0] + float(intake.most.breaks[0]), centres["exhaust"][1] + last
