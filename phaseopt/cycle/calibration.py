"""A project's engine fitted to its pulls.

What is simulated is kept in the project's `.phaseopt/`, named by all that it depends on, so that a second build, or one
with other readings at the same points, simulates nothing again.
"""

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.cycle.calibrate import Calibration, Measured, calibrate
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.factors import FACTORS, with_factors
from phaseopt.cycle.from_project import plenum_pressure
from phaseopt.cycle.lanes import Flags
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.responses import Responses, respond
from phaseopt.cycle.scattered import CountProgress, run_scattered
from phaseopt.cycle.version import code_version
from phaseopt.io.cache import cached_arrays
from phaseopt.project import Project
from phaseopt.values.arrays import FloatArray
from phaseopt.values.blas import one_blas_thread


@dataclass(frozen=True, eq=False)
class PulledCalibration:
    """Calibration to all pulls.

    `config` is the engine with the whole's factors. `ran` (n,) says which measured points could be simulated; the
    others took no part. `response_error` is the root-mean-square difference [N m] between the responses, on which the
    fits rest, and one true simulation of `config` at the measured points.
    """

    whole: Calibration
    config: CycleConfig
    ran: Flags
    response_error: float
    _points: FloatArray
    _responses: Responses

    def simulated(self, x: FloatArray, calibration: Calibration) -> FloatArray:
        """Torque [N m] (m,) under a calibration's factors, by the responses, nan where it could not be simulated.

        Parameters: `x` (m, 4), some or all of the measured points: rpm, load as measured, both centrelines.
        Raises `ValueError` for a point that is none of them.
        """
        torque = self._responses.torque(calibration.factors)
        number = {tuple(point): i for i, point in enumerate(self._points.tolist())}
        try:
            return torque[[number[tuple(point)] for point in np.asarray(x, dtype=np.float64).tolist()]]
        except KeyError as error:
            raise ValueError(f"{error} is no measured point") from None


@one_blas_thread()
def calibrate_to(
    project: Project,
    config: CycleConfig,
    points: xr.Dataset,
    *,
    mesh: Mesh | None = None,
    progress: CountProgress | None = None,
) -> PulledCalibration:
    """Fit the factors that the project names, all by default, to its torque points.

    Parameters
    ----------
    project : Project
        With a torque section.
    config : CycleConfig
        The engine as described.
    points : xarray.Dataset
        `reduce_logs(project).points`, or some of them.
    mesh : Mesh, optional
        As for `grid.simulate`.
    progress : callable, optional
        Called with points simulated and points in all.

    Returns
    -------
    PulledCalibration
        Without a single factor fitted where the data determine none, or no point can be simulated.
    """
    x = np.column_stack([points[name].to_numpy() for name in ("rpm", "load", "icl", "ecl")])
    seen = Measured(
        np.column_stack([x[:, 0], plenum_pressure(project, x[:, 0], x[:, 1]), x[:, 2:]]),
        points["torque"].to_numpy(),
        points["scatter"].to_numpy(),
        points["pull"].to_numpy(),
    )
    names = _names(project)
    responses = _kept_responses(project, config, seen.points, names, mesh, progress)
    whole = calibrate(responses, seen, names)
    found = with_factors(config, whole.factors)
    error = _response_error(project, found, seen.points, responses.torque(whole.factors), mesh)
    return PulledCalibration(whole, found, responses.ran, error, x, responses)


def _names(project: Project) -> tuple[str, ...]:
    """Factors to try, in the order of `FACTORS`."""
    prior = None if project.torque is None else project.torque.prior
    return tuple(n for n in FACTORS if prior is None or n in prior.calibrate)


def _kept_responses(
    project: Project,
    config: CycleConfig,
    points: FloatArray,
    names: tuple[str, ...],
    mesh: Mesh | None,
    progress: CountProgress | None,
) -> Responses:
    """Responses, simulated or taken from what is kept."""

    def simulated() -> dict[str, FloatArray]:
        r = respond(config, points, names, mesh=mesh, progress=progress)
        return {"at one": r.at_one, **r.moved}

    found = cached_arrays(project.folder, "responses", simulated, code_version(), config, mesh or Mesh(), points, names)
    at_one = found.pop("at one")
    return Responses(at_one, found, np.isfinite(at_one[0]))


def _response_error(
    project: Project, config: CycleConfig, points: FloatArray, answer: FloatArray, mesh: Mesh | None
) -> float:
    """Root-mean-square difference of the responses' torque and a true simulation's [N m], nan where neither ran."""

    def simulated() -> dict[str, FloatArray]:
        (r,) = run_scattered([config], points, mesh=mesh)
        return {"torque": np.where(r.settled, r.torque, np.nan)}

    depends_on = code_version(), config, mesh or Mesh(), points
    difference = answer - cached_arrays(project.folder, "calibrated", simulated, *depends_on)["torque"]
    both = np.isfinite(difference)
    return float(np.sqrt(np.mean(difference[both] ** 2))) if both.any() else np.nan
