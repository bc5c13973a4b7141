"""How far to trust a measured torque model: left-out errors, whether its error bars look right, what it cannot know."""

from dataclasses import dataclass

import numpy as np
import xarray as xr

from phaseopt.project import SIDES, Project, Side
from phaseopt.surrogate import ChangeDistance, Coverage, TorqueSurface, coverage, distance_of_change
from phaseopt.torque import Repeatability, repeatability
from phaseopt.torque_model.model import TorqueModel, require_source
from phaseopt.values.arrays import FloatArray, cells_of
from phaseopt.values.blas import one_blas_thread
from phaseopt.values.errors import InputError

INPUTS = ("rpm", "load", "icl", "ecl")
VARIED = 2.0  # crank degrees of timing below which pulls count as made at one timing
TOGETHER = 0.95  # correlation of the two timings over the pulls above which they count as moved together
_SPEEDS = 8  # at which the change along an input is looked at


@dataclass(frozen=True)
class PullLeftOut:
    """A pull predicted from the others.

    Parameters
    ----------
    name, points
        Of the pull, and how many points it has.
    mean, rmse
        Mean of measured less predicted torque, and its root mean square [N·m].
    inside
        Share of its points inside the 90 % interval.

    Examples
    --------
    >>> PullLeftOut("sweep-03", 26, 0.4, 1.1, 0.92).inside
    0.92
    """

    name: str
    points: int
    mean: float
    rmse: float
    inside: float


@dataclass(frozen=True, eq=False)
class TorqueTrust:
    """What readings that were left out show of a torque model. Made by `torque_trust`.

    Parameters
    ----------
    by_point, by_pull
        Coverage with single readings and with whole pulls left out; the latter empty with one pull.
    pulls
        Each pull predicted from the others; empty with one pull.
    change_distances
        How far each of `INPUTS` moves before torque changes visibly, None where it was not varied.
    repeats
        How well the dyno repeats itself.
    unknown
        What the readings cannot show, in sentences, each with its fix.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque_model import fit_torque
    >>> project = load_project("examples/intake_only/project.toml")
    >>> trust = torque_trust(project, fit_torque(project))
    >>> len(trust.pulls), trust.change_distances["ecl"]
    (6, None)
    """

    by_point: tuple[Coverage, ...]
    by_pull: tuple[Coverage, ...]
    pulls: tuple[PullLeftOut, ...]
    change_distances: dict[str, ChangeDistance | None]
    repeats: Repeatability
    unknown: tuple[str, ...]


def require_measured(project: Project) -> None:
    """Refuse a project without pulls or a grid: a torque model of a simulation alone has no readings to judge it by."""
    require_source(project)
    if not project.has_pulls and project.torque_grid is None:
        raise InputError.one(
            "nothing is measured: torque comes from simulation alone, and its uncertainty is a judgement",
            hint="describe pulls under [torque], with [torque.prior] to keep the simulation under them; `phaseopt "
            "simulate` shows the simulation itself",
            file=project.file,
            where="torque",
        )


@one_blas_thread()
def torque_trust(project: Project, model: TorqueModel) -> TorqueTrust:
    """Judge a torque model by its own readings.

    Parameters
    ----------
    project
        With pulls.
    model
        Its torque model, of the same pulls.

    Returns
    -------
    TorqueTrust
        By leaving readings and pulls out.

    Raises
    ------
    InputError
        Where nothing was measured.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque_model import fit_torque
    >>> project = load_project("examples/intake_only/project.toml")
    >>> [share.share for share in torque_trust(project, fit_torque(project)).by_pull]
    [0.5, 0.9, 0.99]
    """
    require_measured(project)
    assert model.reduction is not None
    assert model.left_out is not None
    points, readings = model.reduction.points, model.surface.readings
    by_pull = () if model.pull_left_out is None else coverage(model.pull_left_out, readings)
    return TorqueTrust(
        coverage(model.left_out, readings), by_pull, _pulls(model, points), _change_distances(model.surface, points),
        repeatability(points), tuple(unknown(points, simulated=model.simulation is not None).values()),
    )  # fmt: skip


def unknown(points: xr.Dataset, *, simulated: bool) -> dict[str, str]:
    """What torque points cannot show, each in a sentence with its fix.

    Parameters: `points` as `reduce_logs` makes them; `simulated`, whether a simulation is there to fill in. The keys
    are "drift", "icl", "ecl", "each cam", "part load" and "full load".
    """
    rests = "rests on the simulation alone" if simulated else "is not known"
    found = {}
    if np.unique(points["pull"]).size == 1:
        found["drift"] = "There is one pull: how far pulls drift is not known. Make a second pull at another timing."
    varied = {}
    for name, cam in (("icl", "intake"), ("ecl", "exhaust")):
        values = points[name].to_numpy()
        varied[name] = np.ptp(values) >= VARIED
        if not varied[name]:
            found[name] = (
                f"All points have one {cam} timing (centreline {values.mean():.0f}°): what {cam} timing does to torque "
                f"{rests}. Make a pull at another {cam} timing."
            )
    if all(varied.values()):
        centres = points[["icl", "ecl"]].groupby(points["pull"]).mean().to_array().to_numpy()
        if (centres.std(axis=1) > 0).all() and abs(np.corrcoef(centres)[0, 1]) > TOGETHER:
            found["each cam"] = (
                f"All pulls moved the two cams together: what each does alone {rests}. Make a pull with one of them "
                "moved alone."
            )
    if points["full_throttle"].all():
        found["part load"] = f"Only full load was measured: torque at part load {rests}. Log steady points there."
    elif not points["full_throttle"].any():
        found["full load"] = f"No point is at full load: torque there {rests}. Make a pull at full throttle."
    return found


def _pulls(model: TorqueModel, points: xr.Dataset) -> tuple[PullLeftOut, ...]:
    if model.pull_left_out is None:
        return ()
    left, pull = model.pull_left_out, model.surface.readings.pull
    names, inside = points["pull_name"].to_numpy(), left.inside(0.9)
    return tuple(
        PullLeftOut(
            str(names[number]), int(own.sum()), float(left.residual[own].mean()),
            float(np.sqrt(np.mean(left.residual[own] ** 2))), float(inside[own].mean()),
        )
        for number in np.unique(pull)
        for own in [pull == number]
    )  # fmt: skip


def _change_distances(surface: TorqueSurface, points: xr.Dataset) -> dict[str, ChangeDistance | None]:
    """How far each input moves before torque changes by what two readings of one thing differ by.

    Two pulls of one timing differ by √2 of a pull's offset, noise and scatter together. Speed and load move within a
    pull, so there the offset does not count. At full load (at the greatest load where there is none), over the measured
    speeds; load at the middle timings. None where a timing was not varied: jitter shows nothing.
    """
    h, readings = surface.hyperparameters, surface.readings
    own = h.noise**2 + float(np.median(readings.variance))
    low, high = readings.x.min(axis=0), readings.x.max(axis=0)
    full = points["full_throttle"].to_numpy()
    measured_at = readings.x[full] if full.any() else readings.x
    speeds = np.linspace(measured_at[:, 0].min(), measured_at[:, 0].max(), _SPEEDS)
    found: dict[str, ChangeDistance | None] = {}
    for axis, name in enumerate(INPUTS):
        seen = float(np.sqrt(2.0 * (own + (h.pull**2 if name in ("icl", "ecl") else 0.0))))
        if name in ("icl", "ecl") and high[axis] - low[axis] < VARIED:
            found[name] = None
            continue
        at = _places(speeds, float(measured_at[:, 1].max()), measured_at, axis)
        ends = (float(speeds[0]), float(speeds[-1])) if name == "rpm" else (float(low[axis]), float(high[axis]))
        found[name] = distance_of_change(surface, axis, at, *ends, seen)
    return found


def _places(speeds: FloatArray, load: float, measured_at: FloatArray, axis: int) -> FloatArray:
    """Places (m, 4) to lay lines through: every speed, with the low, middle and high measured value of each timing."""
    others = [
        np.unique(np.quantile(measured_at[:, k], [0.1, 0.5, 0.9])) if k != axis else measured_at[:1, k] for k in (2, 3)
    ]
    rpm = speeds[:1] if axis == 0 else speeds
    grid = np.meshgrid(rpm, [load], *others, indexing="ij")
    return np.column_stack([values.ravel() for values in grid])


def deviations(project: Project, surface: TorqueSurface) -> xr.Dataset:
    """Standard deviation of torque [N·m] over the whole travel of the phasers: where the data are thin.

    Parameters
    ----------
    project
        For its tables and phasers.
    surface
        Its torque model's surface.

    Returns
    -------
    Dataset
        `over_timing` (intake_phase, exhaust_phase) at full load, rms over the speeds of the tables, and `over_speed`
        (rpm, load), rms over the timings; nan where there is no simulated torque. Where one phaser moves both cams,
        exhaust_phase has one value and no meaning; a fixed cam has one phase, 0.

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque_model import fit_torque
    >>> project = load_project("examples/intake_only/project.toml")
    >>> deviations(project, fit_torque(project).surface)["over_timing"].sizes["exhaust_phase"]
    1
    """
    phases = [_phases(project, side) for side in SIDES]
    if project.arrangement == "together":
        phases[1] = phases[0][:1]
        a = b = phases[0]
    else:
        a, b = (values.ravel() for values in np.meshgrid(*phases, indexing="ij"))
    rpm, load = np.array(project.tables.rpm), np.array(project.tables.load)
    labels = np.column_stack([centrelines(project, "intake", a), centrelines(project, "exhaust", b)])
    _, deviation = surface.predict_product(cells_of(rpm, load), labels)
    squares = (deviation**2).reshape(rpm.size, load.size, *(values.size for values in phases))
    units = {"units": "N m"}
    return xr.Dataset(
        {
            "over_timing": (("intake_phase", "exhaust_phase"), _rms(squares[:, -1], (0,)),
                            units | {"long_name": "deviation of torque at full load, rms over speeds"}),
            "over_speed": (("rpm", "load"), _rms(squares, (2, 3)),
                           units | {"long_name": "deviation of torque, rms over timings"}),
        },
        {"intake_phase": phases[0], "exhaust_phase": phases[1], "rpm": rpm, "load": load},
    )  # fmt: skip


def centrelines(project: Project, side: Side, phase: FloatArray) -> FloatArray:
    """True centrelines of phases as the cams are fitted now, crank degrees."""
    cam = project.cam(side)
    moved = cam.offset + phase
    return cam.centreline - moved if side == "intake" else cam.centreline + moved


def _phases(project: Project, side: Side) -> FloatArray:
    phaser = project.phaser_of(side)
    return np.zeros(1) if phaser is None else np.linspace(*phaser.travel, 13)


def _rms(squares: FloatArray, over: tuple[int, ...]) -> FloatArray:
    known = np.isfinite(squares)
    count = known.sum(axis=over)
    total = np.where(known, squares, 0.0).sum(axis=over)
    root: FloatArray = np.sqrt(np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0))
    return root
