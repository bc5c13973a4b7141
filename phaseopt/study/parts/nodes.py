"""Torque of a combination at full throttle over speed and both timings, simulated at few points and interpolated.

Nodes are nested: the finer of two sets holds all of the coarser, whose points are not simulated again. Each set is
cached by the engine and its points, so combinations that differ only in what the simulation does not see share them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from phaseopt.clearance.limits import Limits
from phaseopt.cycle.chunks import Axes
from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.from_project import full_throttle_pressure
from phaseopt.cycle.grid import simulate
from phaseopt.cycle.scattered import run_scattered
from phaseopt.cycle.version import code_version
from phaseopt.io.cache import FOLDER, cached_arrays
from phaseopt.project import Project
from phaseopt.search.objective import TorqueMap
from phaseopt.surrogate import GridFunction
from phaseopt.values.arrays import BoolArray, FloatArray, cells_of

ENDS = 2.0  # crank degrees to which the ends of a timing are widened, so that they move seldom
FEW, MORE = 3, 5  # timings of each cam


@dataclass(frozen=True)
class Nodes:
    """Speeds [rpm], and true centrelines of both cams [deg], rising."""

    rpm: tuple[float, ...]
    icl: tuple[float, ...]
    ecl: tuple[float, ...]

    @classmethod
    def over(cls, limits: Limits, along: int) -> "Nodes":
        """So many timings of each cam over all safe boxes, at the speeds of the tables."""
        boxes, engine = limits.boxes, limits.contact.engine
        ends = []
        for side in ("intake", "exhaust"):
            phases = np.array([getattr(box, f"{side}_{end}") for box in boxes for end in ("from", "to")])
            centres = engine.centrelines(phases, phases)[:, 0 if side == "intake" else 1]
            ends.append((float(centres.min()), float(centres.max())))
        rpm = tuple(float(n) for n in limits.contact.project.tables.rpm)
        return cls(rpm, _evenly(*ends[0], along), _evenly(*ends[1], along))

    @property
    def points(self) -> FloatArray:
        """(n, 3), the last running fastest."""
        return np.stack([x.ravel() for x in np.meshgrid(self.rpm, self.icl, self.ecl, indexing="ij")], axis=1)


def nested(rpm: Sequence[float], limits: Limits, level: int) -> list[Nodes]:
    """The nodes of a level and of that below it, coarsest first: every other speed and few timings; all and more."""
    coarse = replace(Nodes.over(limits, FEW), rpm=every_other(rpm))
    return [coarse] if level == 0 else [coarse, replace(Nodes.over(limits, MORE), rpm=tuple(rpm))]


def every_other(rpm: Sequence[float]) -> tuple[float, ...]:
    """Every other speed, both ends among them.

    >>> every_other([1.0, 2.0, 3.0, 4.0])
    (1.0, 3.0, 4.0)
    """
    return (*rpm[:-1:2], rpm[-1])


@dataclass(frozen=True, eq=False)
class SimulatedTorque:
    """Torque [N·m] at nodes, (speeds, icl, ecl), nan where a point did not settle; `simulated` points made anew."""

    nodes: Nodes
    torque: FloatArray
    simulated: int

    def of_labels(self, limits: Limits) -> TorqueMap:
        """Torque of each label at the speeds of the nodes, which the limits' tables have."""
        axes = [np.array(self.nodes.rpm), np.zeros(1), np.array(self.nodes.icl), np.array(self.nodes.ecl)]
        surface = GridFunction(self.torque[:, None], axes)
        a, b = limits.phases_intake, limits.phases_exhaust
        pairs = np.column_stack([a, a]) if limits.contact.tied else cells_of(a, b)
        labels = limits.contact.engine.centrelines(*pairs.T)
        found = surface.product(cells_of(axes[0], axes[1]), labels)
        shape = (len(axes[0]), 1, a.size, 1 if limits.contact.tied else b.size)
        torque = found.reshape(shape)
        known: BoolArray = np.isfinite(torque)
        return TorqueMap(np.nan_to_num(torque), np.zeros(shape), known, np.zeros(shape, dtype=np.bool_), True)


def simulated_torque(
    folder: Path,
    project: Project,
    config: CycleConfig,
    sets: Sequence[Nodes],
    workers: int | None = None,
    cluster: str | None = None,
) -> SimulatedTorque:
    """Torque at the last of nested sets of nodes, each point simulated once and cached beside a project.

    On a Dask `cluster` (the address of its scheduler) the whole of the last set is simulated at once.
    """
    if cluster is not None:
        return _on_cluster(folder, project, config, sets[-1], cluster)
    known: dict[tuple[float, ...], float] = {}
    made = 0
    for nodes in sets:
        points = np.array([point for point in nodes.points.tolist() if tuple(point) not in known]).reshape(-1, 3)
        if not len(points):
            continue
        at = np.column_stack([points[:, 0], full_throttle_pressure(project, points[:, 0]), points[:, 1:]])

        def simulated(at: FloatArray = at) -> dict[str, FloatArray]:
            nonlocal made
            made += len(at)
            (found,) = run_scattered([config], at, workers=workers)
            return {"torque": np.where(found.settled, found.torque, np.nan)}

        torque = cached_arrays(folder, f"{PARTS}/points", simulated, code_version(), config, at)["torque"]
        known |= {tuple(point): float(value) for point, value in zip(points.tolist(), torque, strict=True)}
    last = sets[-1]
    shape = len(last.rpm), len(last.icl), len(last.ecl)
    return SimulatedTorque(last, np.array([known[tuple(p)] for p in last.points.tolist()]).reshape(shape), made)


def _on_cluster(folder: Path, project: Project, config: CycleConfig, nodes: Nodes, cluster: str) -> SimulatedTorque:
    made = 0

    def simulated() -> dict[str, FloatArray]:
        nonlocal made
        load = np.array([full.max()])
        grid = simulate(config, Axes(rpm, load, np.array(nodes.icl), np.array(nodes.ecl)), pressure=full[:, None],
                        cluster=cluster)  # fmt: skip
        made = grid["torque"].size
        return {"torque": grid["torque"].to_numpy()[:, 0]}

    rpm = np.array(nodes.rpm)
    full = full_throttle_pressure(project, rpm)
    found = cached_arrays(folder, f"{PARTS}/nodes", simulated, code_version(), config, nodes.points, full)
    return SimulatedTorque(nodes, found["torque"], made)


PARTS = "parts"  # the folder of simulated points, in that of the cache


def points_folder(folder: Path) -> Path:
    """Where simulated points are cached beside a project."""
    return folder / FOLDER / PARTS


def _evenly(first: float, last: float, along: int) -> tuple[float, ...]:
    """So many timings, the ends widened to whole steps; one where a cam stands still.

    >>> _evenly(99.0, 133.0, 3), _evenly(108.0, 108.0, 3)
    ((98.0, 116.0, 134.0), (108.0,))
    """
    if first == last:
        return (first,)
    low, high = ENDS * np.floor(first / ENDS + 1e-9), ENDS * np.ceil(last / ENDS - 1e-9)
    return tuple(round(float(x), 6) for x in np.linspace(low, high, along))
