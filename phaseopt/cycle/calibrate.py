"""Fitting a few named factors of the simulation to measured torque.

Least squares within bounds. A factor is fitted only if the data determine it: its standard error, from the curvature
of the misfit at the start and the scatter of the measurements, must be a small part of the range it may take. Factors
that fail are left at 1, the least determined first, and named with the reason.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.engine import Simulator
from phaseopt.cycle.lanes import Array
from phaseopt.cycle.network import Mesh
from phaseopt.errors import InputError


@dataclass(frozen=True)
class Factor:
    """Bounds of a factor, the change by which its effect is judged, and what it multiplies."""

    low: float
    high: float
    step: float
    apply: Callable[[CycleConfig, float], CycleConfig]


def _friction(c: CycleConfig, f: float) -> CycleConfig:
    law = c.friction
    return replace(
        c,
        friction=replace(
            law,
            constant=f * law.constant,
            pressure=f * law.pressure,
            speed=f * law.speed,
            speed_squared=f * law.speed_squared,
        ),
    )


# steps are well above what settling cycles to 0.1 % leaves in torque
FACTORS = {
    "flow": Factor(0.8, 1.2, 0.04, lambda c, f: replace(c, flow_factor=f * c.flow_factor)),
    "friction": Factor(0.5, 1.6, 0.1, _friction),
    "wall temperature": Factor(0.8, 1.25, 0.1, lambda c, f: replace(c, wall_temperature=f * c.wall_temperature)),
    "burn duration": Factor(0.7, 1.4, 0.1, lambda c, f: replace(c, burn_duration=f * c.burn_duration)),
}
DETERMINED = 0.15  # largest standard error of a factor that is fitted, as a share of its range
EVALUATIONS = 12


@dataclass(frozen=True)
class Calibration:
    """What came of a fit.

    `factors` and `errors` (standard errors) hold the fitted ones; `refused` says why the others were not. `before` and
    `after` are root-mean-square errors of torque [N m]; `config` is the engine with the factors applied.
    """

    factors: dict[str, float]
    errors: dict[str, float]
    refused: dict[str, str]
    before: float
    after: float
    config: CycleConfig


def calibrate(
    config: CycleConfig,
    points: Array,
    torque: Array,
    scatter: float,
    *,
    names: tuple[str, ...] = tuple(FACTORS),
    mesh: Mesh | None = None,
) -> Calibration:
    """Fit factors to measured torque.

    Parameters
    ----------
    config : CycleConfig
        The engine as described.
    points : array (n, 4)
        Speed [rpm], load [kPa], intake and exhaust centreline [deg] of each measurement, best in the order of speed.
    torque : array (n,)
        Brake torque [N m].
    scatter : float
        Standard deviation of a measurement [N m].
    names : tuple of str
        Which of `FACTORS` to try.
    mesh : Mesh, optional
        As for the simulation.

    Raises `InputError` for names that are no factors, fewer points than one, or points that the engine cannot run at.
    """
    unknown = [n for n in names if n not in FACTORS]
    if unknown:
        raise InputError.one(f"no factor is called {', '.join(unknown)}", mend=f"one of {', '.join(FACTORS)}")
    if not len(torque):
        raise InputError.one(
            "there are no measured points to calibrate by", mend="give pulls, or leave calibration out"
        )

    def misfit(values: Array, fitted: list[str]) -> Array:
        changed = config
        for name, value in zip(fitted, values, strict=True):
            changed = FACTORS[name].apply(changed, float(value))
        r = Simulator(changed, mesh).run(*np.asarray(points, dtype=np.float64).T)
        if not r.settled.all():
            rpm, load, icl, ecl = points[int(np.argmin(r.settled))]
            raise InputError.one(
                f"the simulated engine does not run at {rpm:.0f} rpm, {load:.0f} kPa, icl {icl:.1f}, ecl {ecl:.1f}",
                mend="check the engine's dimensions and the point's timing, or leave the point out of the calibration",
            )
        return (r.torque - torque) / scatter

    fitted = list(names)
    start = misfit(np.ones(0), [])
    slopes = np.stack(
        [(misfit(np.array([1 + FACTORS[n].step]), [n]) - start) / FACTORS[n].step for n in fitted], axis=1
    )
    refused: dict[str, str] = {}
    while fitted:
        part = _standard_errors(slopes) / np.array([FACTORS[n].high - FACTORS[n].low for n in fitted])
        worst = int(np.argmax(part))
        if part[worst] <= DETERMINED:
            break
        size = "more than its whole range" if part[worst] > 1.0 else f"{part[worst] * 100:.0f} % of its range"
        refused[fitted[worst]] = f"the data leave it uncertain by {size}; up to {DETERMINED * 100:.0f} % is fitted"
        fitted.pop(worst)
        slopes = np.delete(slopes, worst, axis=1)
    rms = scatter * float(np.sqrt(np.mean(start**2)))
    if not fitted:
        return Calibration({}, {}, refused, rms, rms, config)
    low, high, step = (np.array([getattr(FACTORS[n], k) for n in fitted]) for k in ("low", "high", "step"))
    fit = least_squares(
        misfit, np.ones(len(fitted)), bounds=(low, high), diff_step=step / 2, x_scale=step, max_nfev=EVALUATIONS,
        ftol=1e-3, xtol=1e-3, args=(fitted,),
    )  # fmt: skip
    changed = config
    for name, value in zip(fitted, fit.x, strict=True):
        changed = FACTORS[name].apply(changed, float(value))
    errors = dict(zip(fitted, _standard_errors(fit.jac).tolist(), strict=True))
    after = scatter * float(np.sqrt(np.mean(fit.fun**2)))
    return Calibration(dict(zip(fitted, fit.x.tolist(), strict=True)), errors, refused, rms, after, changed)


def _standard_errors(slopes: Array) -> Array:
    """Standard errors of factors from the slopes of standardised misfits; infinite where nothing tells them apart."""
    _, size, directions = np.linalg.svd(slopes, full_matrices=False)
    if len(size) < slopes.shape[1]:
        return np.full(slopes.shape[1], np.inf)
    return np.asarray(np.sqrt(np.sum((directions / np.maximum(size, 1e-12)[:, None]) ** 2, axis=0)))
