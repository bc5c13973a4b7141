"""What pulls on the present engine show of combinations of parts, by the variables that these share.

The variables and what pulls leave of them are those of `torque_model.shared_unknowns`; here they belong to parts by
name. Each part that was never run has one more for what it does beyond all tolerances.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.factors import FACTORS
from phaseopt.cycle.tolerances import DEVIATIONS, tolerances
from phaseopt.project import Project
from phaseopt.surrogate import TorqueSurface
from phaseopt.torque_model import TorqueModel
from phaseopt.torque_model.shared_unknowns import BEYOND, OWN, OWN_KINDS, SCALE, SHIFT, Variable, conditioned
from phaseopt.values.arrays import FloatArray

Kinds = Mapping[str, str]  # the name of the part by kind, in a combination

# Kinds of part that a tolerance belongs to: with another of them it is another.
BELONGS: Mapping[str, tuple[str, ...]] = {
    "flow": ("heads",),
    "friction": ("pistons", "cranks"),
    "wall temperature": ("heads", "pistons"),
    "burn duration": ("heads", "pistons", "fuels"),
    "chamber heat": ("heads", "pistons"),
    "exhaust walls": ("exhausts",),
    "runner length": ("manifolds",),
    "primary length": ("exhausts",),
    "secondary length": ("exhausts",),
    "tail length": ("exhausts",),
    "plenum volume": ("manifolds",),
}


@dataclass(frozen=True, eq=False)
class Knowledge:
    """What is known of the present engine's variables.

    Parameters
    ----------
    kinds : mapping of str
        Its part by kind.
    variables : tuple of Variable
    mean : array (n,)
        In standard deviations from the description.
    covariance : array (n, n)
    scale : float
        Standard deviation of the simulation's scale, as a share of torque.
    shift : float
        Standard deviation of its shift [N·m].

    Examples
    --------
    >>> flow = Variable("flow", ("as fitted",))
    >>> known = Knowledge({"heads": "as fitted"}, (flow,), np.array([-1.0]), np.array([[0.1]]), 0.03, 0.0)
    >>> mean, covariance = known.of([flow, Variable("flow", ("ported",))])
    >>> mean.tolist(), covariance.round(3).tolist()
    ([-1.0, -0.97], [[0.1, 0.097], [0.097, 0.153]])
    """

    kinds: Kinds
    variables: tuple[Variable, ...]
    mean: FloatArray
    covariance: FloatArray
    scale: float
    shift: float

    def of(self, variables: Sequence[Variable]) -> tuple[FloatArray, FloatArray]:
        """Mean (v,) and covariance (v, v) of variables of any combinations."""
        return conditioned(variables, self.variables, self.mean, self.covariance)

    def factors(self, deviations: Mapping[str, float], kinds: Kinds) -> dict[str, float]:
        """What a combination's tolerances are expected to be, 1 as described; `deviations` of each about 1."""
        mean, _ = self.of([variable(name, kinds) for name in deviations])
        return {name: 1.0 + deviation * m for (name, deviation), m in zip(deviations.items(), mean, strict=True)}


def knowledge(project: Project, model: TorqueModel | None, kinds: Kinds) -> Knowledge:
    """What the torque model of the present engine knows, from its pulls, or from factors of an earlier engine.

    Parameters: the `project` as it is, with [cycle]; its `kinds`, the name of each part that is fitted now.
    """
    effects = None if model is None or model.simulation is None else model.simulation.effects
    if model is None or effects is None:
        assert project.cycle is not None
        carried = project.cycle.factors.named
        variables = (Variable(SCALE), Variable(SHIFT), *(variable(name, kinds) for name in carried))
        mean = np.array([0.0, 0.0, *((value - 1.0) / DEVIATIONS[name] for name, value in carried.items())])
        return Knowledge(kinds, variables, mean, np.eye(len(variables)), project.cycle.uncertainty, 0.0)
    return knowledge_of_surface(model.surface, [str(name) for name in effects["part"].to_numpy()], kinds)


def knowledge_of_surface(surface: TorqueSurface, names: Sequence[str], kinds: Kinds) -> Knowledge:
    """What a torque surface knows whose trend has the effects of these tolerances."""
    assert surface.trend is not None
    solved = surface.solved_basis
    return Knowledge(
        kinds,
        (Variable(SCALE), Variable(SHIFT), *(variable(name, kinds) for name in names)),
        surface.basis_weights,
        np.eye(solved.shape[1]) - solved.T @ solved,
        surface.trend.scale,
        surface.trend.shift,
    )


def expected_engine(
    known: Knowledge, kinds: Kinds, described: CycleConfig, tape: float
) -> tuple[CycleConfig, dict[str, float]]:
    """A described engine as it is expected to be, and the factors that make it so.

    Parameters: `kinds`, its part by kind; `tape` [mm], by how much a length may be measured wrong (95 %).
    """
    may_be = tolerances(described, tape)
    factors = known.factors({name: each.deviation for name, each in may_be.items()}, kinds)
    config = described
    for name, factor in factors.items():
        ends = FACTORS.get(name)
        factors[name] = round(float(np.clip(factor, ends.low, ends.high) if ends else factor), 3)
        if factors[name] != 1.0:
            config = may_be[name].apply(config, factors[name])
    return config, factors


def changes_by_variable(
    known: Knowledge, kinds: Kinds, torque: float, effects: Mapping[str, float]
) -> dict[Variable, float]:
    """What one standard deviation of each variable changes of a combination's torque [N·m].

    Parameters: its part by `kinds`, its mean `torque`, and the mean `effects` of its tolerances [N·m].
    """
    found = {variable(name, kinds): change for name, change in effects.items()}
    found |= {Variable(SCALE): known.scale * torque, Variable(SHIFT): known.shift}
    return found | dict.fromkeys(own_variables(kinds, known.kinds), OWN * torque)


def variable(name: str, kinds: Kinds) -> Variable:
    """A tolerance of a combination."""
    return Variable(name, tuple(kinds.get(kind, "") for kind in BELONGS[name]))


def own_variables(kinds: Kinds, present: Kinds) -> Iterable[Variable]:
    """One for each part of a combination that was not in the engine when its pulls were made."""
    for kind in OWN_KINDS:
        if kind in kinds and kinds[kind] != present.get(kind):
            yield Variable(BEYOND, (kind, kinds[kind]))
