"""Torque at the flywheel from what a dyno measures: losses of a driveline, a roller, and acceleration.

What a driveline loses, counted at the engine's shaft, is a constant, a share of the torque that goes in, and a term
that grows with speed,

    T_out = T_in - (c + s T_in + k N/1000)

so that the flywheel's torque is (T_shaft/i + c + k N/1000)/(1 - s), with i engine turns for one of the shaft. Gears
lose a share, seals and churned oil a constant and a speed term (common practice, no source). Validity: steady torque at
one oil temperature. A tyre that slips loses speed too, which the ratio of both speeds shows.

    T_shaft = T_brake + J_roller α_roller + loss(ω)      T = T_flywheel + J_engine α_engine

An inertia dyno has no brake: all its torque is the roller's. The loss is seen where the roller runs down by itself,
J dω/dt = -(a + b ω + c ω²) (bearings, oil and belt, air). It is fitted to the integral of that, so that no logged speed
is differentiated: ω(t) = ω_0 - (a t + b ∫ω + c ∫ω²)/J.

Source: Newton's second law for rotation; 0.15 kg m² at 500 rpm/s takes 7.9 N m.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import xarray as xr
from scipy.optimize import lsq_linear

from phaseopt.project import Driveline, Dyno, Pull, Torque
from phaseopt.values.arrays import FloatArray
from phaseopt.values.display_units import METRIC, Unit
from phaseopt.values.errors import InputError

RAD = 2.0 * np.pi / 60.0  # rad/s of 1 rpm
USUAL_INERTIA = 0.15  # kg m^2 of an engine with flywheel and clutch on a brake (common practice, no source)
LEAST_EFFECT = 1.0  # N m between sweeps that deserves a note


def flywheel_torque(at_shaft: FloatArray, rpm: FloatArray, ratio: float, law: Driveline | None) -> FloatArray:
    """Torque that goes into a driveline.

    Parameters: `at_shaft`, torque that comes out [N m], (n,), at the shaft's own speed; `rpm` of the engine (n,);
    `ratio`, engine turns for one turn of the shaft; `law` of the losses, None = none. Returns N m at the engine, (n,).

    >>> law = Driveline(constant=3.0, share=0.05, speed=0.5)
    >>> flywheel_torque(np.array([550.0]), np.array([4000.0]), 4.0, law)  # 150 less 3, 7.5 and 2, times 4
    array([150.])
    """
    out = at_shaft / ratio
    if law is None:
        return np.asarray(out)
    return np.asarray((out + law.constant + law.speed * rpm / 1000.0) / (1.0 - law.share))


def engine_turns(log: xr.Dataset, torque: Torque, pull: Pull) -> float | None:
    """Engine turns for one turn of hub or roller: as stated, else by both speeds; None where neither shows it."""
    stated = pull.ratio or torque.dyno.ratio
    return turns_by_speeds(log) if stated is None else stated


def turns_by_speeds(log: xr.Dataset) -> float | None:
    """The median of engine speed over roller speed where the roller turns fast; None where it is not logged."""
    if "roller" not in log:
        return None
    rpm, turning = log["rpm"].to_numpy(), log["roller"].to_numpy()
    fast = turning > max(0.2 * float(turning.max()), 0.0)
    return float(np.median(rpm[fast] / turning[fast])) if fast.any() else None


def logged_ratio(log: xr.Dataset, torque: Torque, pull: Pull) -> float:
    """What logged torque is divided by to be at the engine's shaft."""
    if torque.dyno.at == "flywheel" or torque.dyno.divided:
        return 1.0
    return engine_turns(log, torque, pull) or 1.0


def driveline_notes(dyno: Dyno) -> list[str]:
    """What a person should know of torque that was not measured at the flywheel.

    >>> driveline_notes(Dyno(at="flywheel")), len(driveline_notes(Dyno(at="wheel", ratio=1.0)))
    ([], 2)
    """
    if dyno.at == "flywheel":
        return []
    notes, law = [], dyno.driveline
    if law is None and not dyno.coastdown:
        notes.append(
            f"torque was measured at the {dyno.at} and no losses are stated, so it counts as the flywheel's and reads"
            " low, gains too: give torque.dyno.driveline (a share of 0.10 to 0.20 is usual, common practice)"
        )
    elif law is not None and law.share_error:
        off = 100 * law.share_error / (1 - law.share)
        notes.append(
            f"driveline losses are {100 * law.share:g} ± {100 * law.share_error:g} % as stated, so all torque may be"
            f" {off:.1f} % high or low, gains by the same share; which timing is best does not depend on it"
        )
    if dyno.ratio == 1.0 and not dyno.divided:
        notes.append(
            f"ratio = 1, so logged torque counts as the engine's although it was measured at the {dyno.at}: right only"
            " where the dyno divides by the gearing, which divided = true says"
        )
    return notes


class Coastdown(NamedTuple):
    """Loss torque of a roller, a + b ω + c ω² [N m], ω in rad/s.

    `rpm` is the least and most that the roller turned at, `left` the root mean square of what the fit leaves, rpm.
    """

    a: float
    b: float
    c: float
    rpm: tuple[float, float]
    left: float

    def loss(self, rpm: FloatArray) -> FloatArray:
        """Loss torque at roller speeds in rpm [N m], same shape."""
        omega = RAD * rpm
        return np.asarray(self.a + self.b * omega + self.c * omega**2)


def _integral(values: FloatArray, time: FloatArray) -> FloatArray:
    """Over time from its first instant, by the trapezoidal rule (scipy.integrate has it, and takes long to import)."""
    parts = np.diff(time) * (values[1:] + values[:-1]) / 2.0
    return np.concatenate([[0.0], np.cumsum(parts)])


def coastdown(runs: list[tuple[FloatArray, FloatArray]], inertia: float) -> Coastdown:
    """Fit the loss law to a roller that runs down.

    Parameters: `runs`, (time [s], roller speed [rpm]) of each; `inertia` of all that runs down, kg m². No term is
    negative. Raises `InputError` where the roller does not slow down.

    >>> time = np.linspace(0.0, 60.0, 601)
    >>> law = coastdown([(time, 1200.0 - 8.0 * time)], inertia=20.0)
    >>> round(law.a, 2)  # 20 kg m² at 8 rpm/s
    16.76
    """
    rows, seen = [], []
    for number, (time, rpm) in enumerate(runs):
        if len(rpm) < 10 or np.mean(rpm[-3:]) > 0.9 * np.mean(rpm[:3]):
            raise InputError.one(
                f"the roller does not run down: {rpm[0]:.0f} to {rpm[-1]:.0f} rpm in {len(rpm)} rows",
                hint="a log of the roller alone, clutch out, from high speed down to at most nine tenths of it",
            )
        omega = RAD * rpm
        integrals = [time - time[0], *(_integral(omega**p, time) for p in (1, 2))]
        starts = np.zeros((len(time), len(runs)))
        starts[:, number] = 1.0
        rows.append(np.column_stack([*(-term / inertia for term in integrals), starts]))
        seen.append(omega)
    matrix, omega = np.concatenate(rows), np.concatenate(seen)
    scale = np.abs(matrix).max(axis=0)
    found = lsq_linear(matrix / scale, omega, bounds=(np.r_[[0.0] * 3, [-np.inf] * len(runs)], np.inf), tol=1e-13)
    a, b, c = (found.x / scale)[:3].tolist()
    left = float(np.sqrt(np.mean(found.fun**2))) / RAD
    return Coastdown(a, b, c, (float(omega.min() / RAD), float(omega.max() / RAD)), left)


def unlike_rates(dyno: Dyno, rates: Sequence[float], unit: Unit = METRIC.torque) -> str | None:
    """A note where brake sweeps were made at different rates and nothing allows for acceleration; else None.

    Parameters: `rates` of the sweeps, rpm/s; the `unit` of torque to state it in.

    >>> unlike_rates(Dyno(), [300.0, 310.0]) is None, unlike_rates(Dyno(engine_inertia=0.12), [100.0, 600.0]) is None
    (True, True)
    >>> unlike_rates(Dyno(), [100.0, 600.0])[:51]
    'sweeps at 100 to 600 rpm/s differ by about 7.9 N·m '
    """
    if dyno.corrected or dyno.engine_inertia is not None or len(rates) < 2:
        return None
    effect = USUAL_INERTIA * RAD * (max(rates) - min(rates))
    if effect < LEAST_EFFECT:
        return None
    return (
        f"sweeps at {min(rates):.0f} to {max(rates):.0f} rpm/s differ by about {unit.text(effect)} from acceleration"
        f" alone (with {USUAL_INERTIA:g} kg m², common practice): give torque.dyno.engine_inertia, or corrected = true"
    )
