"""What is unknown of a project's torque at full throttle with its tables, and which parts that belongs to."""

from collections.abc import Iterable, Mapping
from functools import reduce
from pathlib import Path

import numpy as np
from pydantic import BaseModel

from phaseopt.cycle.carried import COMPARED
from phaseopt.cycle.effects import effects_at, sparse_speeds
from phaseopt.cycle.from_project import cycle_section, plenum_pressure
from phaseopt.cycle.tolerances import DEVIATIONS, tolerances
from phaseopt.cycle.version import code_version
from phaseopt.io.cache import cached_arrays
from phaseopt.io.digest import file_digest, fingerprint
from phaseopt.project import Project, Pull
from phaseopt.project.tracts import ExhaustTract, IntakeTract
from phaseopt.torque import pull_files
from phaseopt.torque_model.model import TorqueModel
from phaseopt.torque_model.shared_unknowns import OWN_KINDS, SCALE, SHIFT, Unknowns, Variable
from phaseopt.torque_model.simulation import Simulated, error_context
from phaseopt.values.arrays import FloatArray

_PIPES = {  # keys of the pipes of a side: all of its tract that are not the head's
    side: tuple(key for name in tract.model_fields if (key := f"cycle.{side}.{name}") not in COMPARED["flow"])
    for side, tract in (("intake", IntakeTract), ("exhaust", ExhaustTract))
}
_INTAKE = (*_PIPES["intake"], "cycle.plenum_volume", "cycle.throttles", "cycle.throttle_volume")
_LOBE = ("lobe", "lobe_column", "card", "ratio", "ratio_over_lift", "lash", "pump_up")
_KEYS: Mapping[str, tuple[str, ...]] = {  # that describe a part of a kind
    "intake_cams": tuple(f"intake.{key}" for key in _LOBE),
    "exhaust_cams": tuple(f"exhaust.{key}" for key in _LOBE),
    "heads": COMPARED["flow"],
    "pistons": ("crank.bore", "crank.compression_ratio"),
    "cranks": ("cylinders", "crank.stroke", "crank.rod", "crank.pin_offset"),
    "manifolds": _INTAKE,
    "exhausts": _PIPES["exhaust"],
    "fuels": ("cycle.fuel",),
}
_TOLERANCE_KEYS: Mapping[str, tuple[str, ...]] = {  # that describe what a tolerance belongs to
    **COMPARED,
    "chamber heat": COMPARED["wall temperature"],
    "exhaust walls": _PIPES["exhaust"],
    "runner length": _INTAKE,
    "primary length": _PIPES["exhaust"],
    "secondary length": _PIPES["exhaust"],
    "tail length": _PIPES["exhaust"],
    "plenum volume": _INTAKE,
}


def table_unknowns(project: Project, model: TorqueModel, x: FloatArray) -> Unknowns | None:
    """What is unknown of torque at (r, 4) speeds, loads and true centrelines of tables at full throttle.

    With pulls the effects of the variables are those of the torque model: the regression of torque on what the pulls
    leave of the variables, so that the residual has nothing of them. Without, they are simulated at some of these
    points alone, and cached beside the project. None where no simulation takes part, and where it settles nowhere.
    """
    simulation = model.simulation
    if simulation is None:
        return None
    if simulation.effects is not None:
        return _with_pulls(project, model, simulation, x)
    return _simulated_alone(project, simulation, x) if simulation.alone else None


def facts(project: Project, value: object) -> object:
    """What a value of a project says, without where it stands: input files by what is in them."""
    if isinstance(value, Path):
        return file_digest(value) if value.is_file() else value.name
    if isinstance(value, Pull):
        read = tuple(facts(project, path) for path in pull_files(project, 0, value.files))
        return read, *(facts(project, each) for name, each in value if name != "files")
    if isinstance(value, BaseModel):
        return type(value).__name__, *(facts(project, each) for _, each in value)
    if isinstance(value, tuple | list):
        return tuple(facts(project, each) for each in value)
    return value


def _digest(project: Project, keys: tuple[str, ...]) -> str:
    """Of what the keys say."""
    return fingerprint(*(facts(project, reduce(getattr, key.split("."), project)) for key in keys))


def _with_pulls(project: Project, model: TorqueModel, simulation: Simulated, x: FloatArray) -> Unknowns | None:
    surface = model.surface
    trend, solved = surface.trend, surface.solved_basis
    assert trend is not None
    assert simulation.effects is not None
    covariance = np.eye(solved.shape[1]) - solved.T @ solved
    x = x[np.isfinite(surface.predict(x)[0])]
    if not len(x):
        return None
    between = surface.beside_trend(x)
    effects: FloatArray = np.asarray(np.linalg.solve(covariance, between.T).T, dtype=np.float64)
    values, vectors = np.linalg.eigh(surface.joint(x)[1] - effects @ between.T)
    residual = (vectors * np.maximum(values, 0.0)) @ vectors.T  # below zero by rounding alone
    return Unknowns(
        rpm=x[:, 0],
        centrelines=x[:, 2:],
        variables=_variables(project, [str(name) for name in simulation.effects["part"].to_numpy()]),
        effects=effects,
        mean=surface.basis_weights,
        covariance=covariance,
        scale=trend.scale,
        shift=trend.shift,
        parts=_parts(project),
        pulls=fingerprint(surface.readings.x[:, :2], surface.readings.y),
        model=fingerprint(surface.readings, surface.hyperparameters, simulation.grid.attrs["fingerprint"]),
        residual=residual,
    )


def _simulated_alone(project: Project, simulation: Simulated, x: FloatArray) -> Unknowns | None:
    cycle = cycle_section(project)
    known = tolerances(simulation.config, cycle.length_error)
    at = {name: cycle.factors.named.get(name, 1.0) for name in known}
    x = x[np.isin(x[:, 0], sparse_speeds(x[:, 0]))]
    points = x.copy()
    points[:, 1] = plenum_pressure(project, x[:, 0], x[:, 1])

    def simulated() -> dict[str, FloatArray]:
        base, found = effects_at(simulation.config, known, at, points)
        return {SCALE: np.where(base.settled, base.torque, np.nan), **found}

    parts = tuple((name, tolerance.deviation, tolerance.step, at[name]) for name, tolerance in known.items())
    with error_context(project, "cycle"):
        found = cached_arrays(project.folder, "effects", simulated, code_version(), simulation.config, points, parts)
    scale = simulation.uncertainty
    effects = np.column_stack([scale * found[SCALE], np.zeros(len(x)), *(found[name] for name in known)])
    settled = np.isfinite(effects).all(axis=1)
    if not settled.any():
        return None
    carried = [(at[name] - 1.0) / DEVIATIONS[name] if at[name] != 1.0 else 0.0 for name in known]
    return Unknowns(
        rpm=x[settled, 0],
        centrelines=x[settled, 2:],
        variables=_variables(project, known),
        effects=effects[settled],
        mean=np.array([0.0, 0.0, *carried]),
        covariance=np.eye(effects.shape[1]),
        scale=scale,
        shift=0.0,
        parts=_parts(project),
        pulls="",
        model="",
        residual=np.zeros((int(settled.sum()),) * 2),
    )


def _variables(project: Project, names: Iterable[str]) -> tuple[Variable, ...]:
    """Scale, shift and tolerances of a project."""
    tolerance = (Variable(name, (_digest(project, _TOLERANCE_KEYS[name]),)) for name in names)
    return Variable(SCALE), Variable(SHIFT), *tolerance


def _parts(project: Project) -> dict[str, str]:
    return {kind: _digest(project, _KEYS[kind]) for kind in OWN_KINDS}
