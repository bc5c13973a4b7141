"""The objective of each label of each cell, and which rules hold: from a project, its limits and its torque model to a
search problem.

The objective is expected torque less `caution` standard deviations and less what part load costs, times the cell's
weight. Torque depends on true centrelines only, so labels are turned into those here and nowhere later.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from phaseopt.clearance.limits import ENDS, Limits
from phaseopt.clearance.model import ContactModel
from phaseopt.project import LIGHT_LOAD_WEIGHT, Project, Quantity
from phaseopt.search.part_load import cap_rules, charge, columns_of
from phaseopt.search.problem import Box, Problem
from phaseopt.search.rules import band_cells, hard_rules_of, slew_caps
from phaseopt.surrogate import TorqueSurface
from phaseopt.values.arrays import BoolArray, FloatArray, cells_of
from phaseopt.values.errors import InputError

OBJECTIVE_DECIMALS = 6  # N·m; so that the last bits of a machine's arithmetic do not choose between tables


@dataclass(frozen=True, eq=False)
class TorqueMap:
    """Torque of every label (R, L, A, B); where one phaser moves both cams, B is 1 and a label is its phase.

    Attributes
    ----------
    torque, deviation : array
        Expected, and its standard deviation [N·m]; nan where a simulation did not settle.
    in_reach : bool array
        Whether the torque model knows it: by the data, or, where a simulation takes part, that it settled there.
    measured : bool array
        Whether the data show it.
    simulated : bool
        Whether a simulation is the prior mean.
    quantities : mapping of str to array
        What the simulation knows beside torque, as far as the project's caps and costs ask for it.

    Examples
    --------
    >>> torque, known = np.zeros((2, 1, 3, 1)), np.ones((2, 1, 3, 1), dtype=bool)
    >>> TorqueMap(torque, torque, known, known, simulated=False).picked(np.array([0, 2])).torque.shape
    (2, 1, 2, 1)
    """

    torque: FloatArray
    deviation: FloatArray
    in_reach: BoolArray
    measured: BoolArray
    simulated: bool
    quantities: Mapping[Quantity, FloatArray] = field(default_factory=dict)

    def picked(self, places: Any) -> "TorqueMap":
        """Of some labels: `places` index what follows (R, L)."""
        at = (slice(None), slice(None), *(places if isinstance(places, tuple) else (places,)))

        def of(each: npt.NDArray[Any]) -> npt.NDArray[Any]:
            return np.ascontiguousarray(each[at])

        quantities = {name: of(values) for name, values in self.quantities.items()}
        return TorqueMap(
            of(self.torque), of(self.deviation), of(self.in_reach), of(self.measured), self.simulated, quantities
        )


def cell_weights(project: Project) -> FloatArray:
    """How much each cell counts, scaled to a mean of 1.

    The first band of `search.weights` that holds a cell decides; without one a cell counts 1 from `full_load_from`
    and a tenth below it: at a fixed manifold pressure, most torque is not what a driver wants there.

    Parameters
    ----------
    project : Project

    Returns
    -------
    array (R, L)

    Examples
    --------
    >>> from phaseopt.project.load import load_project
    >>> weights = cell_weights(load_project("examples/hillclimb/project.toml"))
    >>> weights.shape, round(float(weights.mean()), 9), bool(weights[0, 0] < weights[0, -1])
    ((16, 8), 1.0, True)
    """
    row = np.where(np.array(project.tables.load) >= project.search.full_load_from, 1.0, LIGHT_LOAD_WEIGHT)
    row[-1] = 1.0  # the top row is full throttle at any pressure
    weight = np.tile(row, (len(project.tables.rpm), 1))
    for band in reversed(project.search.weights):
        weight[band_cells(project, band)] = band.weight
    return np.asarray(weight / weight.mean())


def torque_map(limits: Limits, surrogate: TorqueSurface) -> TorqueMap:
    """Torque of every label from a torque model.

    Parameters
    ----------
    limits : Limits
        With the labels, and the engine that turns them into true centrelines.
    surrogate : TorqueSurface

    Returns
    -------
    TorqueMap

    Examples
    --------
    >>> from phaseopt.clearance import contact_model, phase_limits
    >>> from phaseopt.project.load import load_project
    >>> from phaseopt.torque_model import fit_torque
    >>> project = load_project("examples/intake_only/project.toml")
    >>> found = torque_map(phase_limits(contact_model(project)), fit_torque(project).surface)
    >>> found.torque.shape == found.deviation.shape, found.simulated
    (True, False)
    """
    intake, exhaust = limits.phases_intake, limits.phases_exhaust
    if limits.contact.tied:
        found = torque_of(limits.contact, surrogate, intake, exhaust)
        shape = (*found.torque.shape, 1)
    else:
        found = torque_of(limits.contact, surrogate, *cells_of(intake, exhaust).T)
        shape = (*found.torque.shape[:2], intake.size, exhaust.size)
    measured = found.measured.reshape(shape)
    in_reach = found.in_reach.reshape(shape) if found.simulated else measured
    return TorqueMap(
        found.torque.reshape(shape), found.deviation.reshape(shape), in_reach, measured, simulated=found.simulated
    )


def torque_of(contact: ContactModel, surrogate: TorqueSurface, intake: FloatArray, exhaust: FloatArray) -> TorqueMap:
    """Torque of every cell with pairs of phases (n,), crank degrees; arrays (R, L, n)."""
    rpm, load = np.array(contact.project.tables.rpm), np.array(contact.project.tables.load)
    mean, deviation = surrogate.predict_product(cells_of(rpm, load), contact.engine.centrelines(intake, exhaust))
    mean, deviation = (values.reshape(rpm.size, load.size, -1) for values in (mean, deviation))
    measured = deviation <= surrogate.informed_below(rpm)[:, None, None]
    if surrogate.trend is None:
        return TorqueMap(mean, deviation, measured, measured, simulated=False)
    return TorqueMap(mean, deviation, np.isfinite(mean), measured, simulated=True)


def search_problem(project: Project, limits: Limits, torque: TorqueMap) -> tuple[Problem, list[Box]]:
    """The search problem of a project and its safe boxes as ranges of labels.

    Parameters
    ----------
    project : Project
        It may differ from that of its limits in [search] alone.
    limits : Limits
    torque : TorqueMap
        Of every label of the limits.

    Returns
    -------
    Problem, list of Box

    Raises
    ------
    InputError
        A cell that a pin or a cap leaves without a label; caps or costs on quantities that the map does not hold.

    Notes
    -----
    Measured torque alone says nothing outside the tested range, so labels there are not used. A simulation knows every
    label that settled, and its uncertainty is in the deviation that `caution` takes off; only labels that did not
    settle are not used, and a cell without any that did counts nothing.

    Examples
    --------
    >>> from phaseopt.clearance import contact_model, phase_limits
    >>> from phaseopt.project.load import load_project
    >>> project = load_project("examples/intake_only/project.toml")
    >>> limits = phase_limits(contact_model(project))
    >>> shape = (len(project.tables.rpm), len(project.tables.load), limits.phases_intake.size, 1)
    >>> known = np.ones(shape, dtype=bool)
    >>> problem, boxes = search_problem(project, limits, TorqueMap(100.0 * known, 0.0 * known, known, known, False))
    >>> problem.objective.shape == shape, len(boxes)
    (True, 1)
    """
    weight = cell_weights(project)[:, :, None, None]
    expected, known = torque.torque - project.search.caution * torque.deviation, torque.in_reach
    rules = hard_rules_of(project, limits)
    if columns_of(project):
        costs = charged(project, torque)
        expected, known = expected - costs, known & np.isfinite(costs)
        rules |= cap_rules(project, torque.quantities, _choice(limits, rules, known))
    objective = np.round(weight * expected, OBJECTIVE_DECIMALS)
    if torque.simulated:
        objective[~known] = 0.0  # never read, but the search wants numbers
    problem = Problem(
        np.array(project.tables.rpm),
        np.array(project.tables.load),
        limits.phases_intake,
        np.zeros(1) if limits.contact.tied else limits.phases_exhaust,
        objective,
        project.search.roughness,
        project.search.slew_share * slew_caps(project, "intake"),
        project.search.slew_share * slew_caps(project, "exhaust"),
        rules,
        reach=None if torque.simulated else known,
        known=known if torque.simulated else None,
    )
    return problem, [_box(limits, box) for box in limits.boxes]


def charged(project: Project, torque: TorqueMap) -> FloatArray:
    """(R, L, A, B) torque that part load costs of each label, N·m, before the cell's weight; nan where not known.

    Raises `InputError` where the project asks for quantities that the map does not hold.
    """
    asked = columns_of(project)
    if not set(asked) <= set(torque.quantities):
        raise InputError.one(
            f"caps or costs ask for {', '.join(asked)}, which only a simulation knows",
            hint="describe the engine under [cycle], or leave them out",
        )
    return charge(project, torque.quantities) if asked else np.zeros_like(torque.torque)


def _choice(limits: Limits, rules: Mapping[str, BoolArray], known: BoolArray) -> BoolArray:
    """(R, L, A, B) labels that are known, and allowed by the rules and in a safe box."""
    left = np.zeros_like(known)
    for box in limits.boxes:
        inside = _box(limits, box).cut
        left[inside] = known[inside]
    for mask in rules.values():
        left &= mask
    return left


def _box(limits: Limits, box: object) -> Box:
    def at(axis: FloatArray, value: float) -> int:
        return int(np.abs(axis - value).argmin())

    a, b = limits.phases_intake, limits.phases_exhaust
    ends = [getattr(box, name) for name in ENDS]
    if limits.contact.tied:
        return Box(at(a, ends[0]), at(a, ends[1]), 0, 0)
    return Box(at(a, ends[0]), at(a, ends[1]), at(b, ends[2]), at(b, ends[3]))
