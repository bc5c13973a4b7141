"""How torque at given points answers to the factors, from a handful of simulations, so that fitting costs nothing.

Indicated and friction work are simulated with all factors at 1 and with one factor at a time moved; each factor then
adds its own line or parabola through what was simulated, and friction multiplies friction work exactly. What is
missing are the products of two factors' effects, which is why a fit is checked by one true simulation at its end.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from phaseopt.cycle.config import CycleConfig
from phaseopt.cycle.factors import FACTORS, check_names, with_factors
from phaseopt.cycle.lanes import Flags
from phaseopt.cycle.network import Mesh
from phaseopt.cycle.results import Results
from phaseopt.cycle.scattered import CountProgress, run_scattered
from phaseopt.values.arrays import FloatArray


@dataclass(frozen=True, eq=False)
class Responses:
    """Torque at n points over the factors.

    `at_one` (2, n) holds torque of indicated and of friction work [N m] with all factors at 1; `moved` has for each
    factor the same (steps, 2, n) at its steps. `ran` says at which points the engine ran in all simulations; the others
    hold nan.
    """

    at_one: FloatArray
    moved: Mapping[str, FloatArray]
    ran: Flags

    def torque(self, values: Mapping[str, float]) -> FloatArray:
        """Brake torque [N m] (n,) under factors; those not named are 1."""
        work = self._work(values)
        return np.asarray(work[0] - values.get("friction", 1.0) * work[1])

    def slopes(self, values: Mapping[str, float]) -> FloatArray:
        """How that changes with each factor named, [N m] (n, factors), in their order."""
        friction = values.get("friction", 1.0)
        found = []
        for name, value in values.items():
            if name == "friction":
                found.append(-self._work(values)[1])
                continue
            steps, at = np.array(FACTORS[name].steps), value - 1.0
            rise = _weights(steps, at + 0.5) - _weights(steps, at - 0.5)  # exact for lines and parabolas
            indicated, rubbed = np.tensordot(rise, self._changes[name], axes=1)
            found.append(indicated - friction * rubbed)
        return np.stack(found, axis=1)

    def _work(self, values: Mapping[str, float]) -> FloatArray:
        """Torque of indicated work, and of friction work with its factor at 1 (2, n)."""
        work = self.at_one.copy()
        for name, change in self._changes.items():
            if name in values:
                work += np.tensordot(_weights(np.array(FACTORS[name].steps), values[name] - 1.0), change, axes=1)
        return work

    @cached_property
    def _changes(self) -> dict[str, FloatArray]:
        """What each factor's steps change."""
        return {name: moved - self.at_one for name, moved in self.moved.items()}

    def only(self, chosen: FloatArray | Flags) -> "Responses":
        """The same at some of the points."""
        moved = {name: values[..., chosen] for name, values in self.moved.items()}
        return Responses(self.at_one[:, chosen], moved, self.ran[chosen])


def _weights(steps: FloatArray, at: float) -> FloatArray:
    """Weights of what changes at the steps, for the line or parabola through nothing at 0.

    >>> float((_weights(np.array([-0.1, 0.2]), 0.3) @ np.array([0.01, 0.04])).round(9))  # a square
    0.09
    """
    others = [np.delete(steps, i) for i in range(len(steps))]
    return np.array([at / s * np.prod((at - o) / (s - o)) for s, o in zip(steps, others, strict=True)])


def respond(
    config: CycleConfig,
    points: FloatArray,
    names: tuple[str, ...],
    *,
    mesh: Mesh | None = None,
    progress: CountProgress | None = None,
) -> Responses:
    """Simulate what `Responses` hold.

    Parameters: `config`, the engine as described; `points` (n, 4) speed [rpm], load [kPa], true intake and exhaust
    centreline [deg]; `names` of the factors; `mesh`, `progress` as for `grid.simulate`.
    Raises `InputError` for a name that is no factor.
    """
    check_names(names)
    cases = [(name, step) for name in names for step in FACTORS[name].steps]
    engines = [config, *(with_factors(config, {name: 1.0 + step}) for name, step in cases)]
    results = run_scattered(engines, points, mesh=mesh, progress=progress)
    ran = np.all([r.settled for r in results], axis=0)
    work = np.where(ran, np.array([_works(config, r) for r in results]), np.nan)
    moved = {
        name: work[[1 + i for i, case in enumerate(cases) if case[0] == name]] for name in names if FACTORS[name].steps
    }
    return Responses(work[0], moved, ran)


def _works(config: CycleConfig, r: Results) -> FloatArray:
    """Torque of indicated and of friction work [N m] (2, n)."""
    return np.array([r.imep, r.fmep]) * config.displacement / (4.0 * np.pi)
