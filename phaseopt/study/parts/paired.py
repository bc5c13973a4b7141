"""Which of several combinations is better, and how sure that is: their uncertainty counted together.

Combinations have most of what is unknown in common (`knowledge`), so it cancels between them:

    variance of a difference = (J_A - J_B) Σ (J_A - J_B)ᵀ

J is each one's own change of torque by each variable, 0 where it has no such part, Σ the covariance of all variables.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from phaseopt.study.parts.knowledge import Knowledge
from phaseopt.study.parts.trial import Outcome, variable_of
from phaseopt.torque_model.shared_unknowns import Variable
from phaseopt.values.arrays import FloatArray

DRAWS = 20_000
SETTLED = 0.001  # of torque: what cycles that settle to 0.1 % leave in a mean, of each combination by itself


@dataclass(frozen=True, eq=False)
class Paired:
    """Torque of combinations over the band, together.

    Parameters
    ----------
    torque : array (n,)
        Expected [N·m].
    variables : tuple of Variable
        All that any of them depends on.
    effects : array (n, v)
        What a standard deviation of each changes [N·m].
    shared : array (v, v)
        Covariance of the variables.
    alone : array (n,)
        Variance that a combination shares with none [(N·m)²].

    Examples
    --------
    >>> flow = (Variable("flow", ("as fitted",)),)
    >>> both = Paired(np.array([150.0, 152.0]), flow, np.array([[4.0], [4.5]]), np.eye(1), np.zeros(2))
    >>> both.difference(1, 0), both.best.round(2).tolist()
    ((2.0, 0.5), [0.0, 1.0])
    """

    torque: FloatArray
    variables: tuple[Variable, ...]
    effects: FloatArray
    shared: FloatArray
    alone: FloatArray

    @classmethod
    def of(cls, outcomes: Sequence[Outcome], knowledge: Knowledge) -> "Paired":
        """Of outcomes that were tried whole."""
        by_outcome = [{variable_of(name): change for name, change in each.effects.items()} for each in outcomes]
        variables = tuple(dict.fromkeys(each for effects in by_outcome for each in effects))
        effects = np.array([[each.get(v, 0.0) for v in variables] for each in by_outcome])
        torque = np.array([each.torque for each in outcomes])
        _, shared = knowledge.of(variables)
        return cls(torque, variables, effects, shared, (SETTLED * torque) ** 2)

    @cached_property
    def covariance(self) -> FloatArray:
        """(n, n) of their torque [(N·m)²]."""
        return np.asarray(self.effects @ self.shared @ self.effects.T + np.diag(self.alone))

    def difference(self, one: int, other: int) -> tuple[float, float]:
        """How much more the first makes than the second, and its standard deviation [N·m]."""
        if one == other:
            return 0.0, 0.0
        return float(self.torque[one] - self.torque[other]), self._deviation(self._contrast(one, other), self.shared)

    def apart(self, one: int, other: int) -> float:
        """The deviation of their difference if they had nothing in common [N·m]."""
        variance = np.diag(self.effects @ self.shared @ self.effects.T) + self.alone
        return float(np.sqrt(variance[one] + variance[other]))

    @cached_property
    def best(self) -> FloatArray:
        """(n,) probability that each makes the most torque of all."""
        return np.asarray(np.bincount(self._draws.argmax(axis=1), minlength=self.torque.size) / DRAWS)

    def beats(self, one: int, other: int, by: float) -> float:
        """Probability that the first makes more than the second by so much [N·m]."""
        return float(np.mean(self._draws[:, one] - self._draws[:, other] > by))

    def deciding(self, one: int, other: int) -> list[tuple[Variable, float]]:
        """What would narrow a difference most if it were known: variables, and the deviation left then [N·m]."""
        contrast = self._contrast(one, other)
        found = []
        for k, each in enumerate(self.variables):
            if self.shared[k, k] > 0.0 and contrast[k] != 0.0:
                less = np.outer(self.shared[:, k], self.shared[k]) / self.shared[k, k]
                found.append((each, self._deviation(contrast, self.shared - less)))
        return sorted(found, key=lambda pair: pair[1])

    def _contrast(self, one: int, other: int) -> FloatArray:
        return np.append(self.effects[one] - self.effects[other], np.sqrt(self.alone[one] + self.alone[other]))

    def _deviation(self, contrast: FloatArray, shared: FloatArray) -> float:
        changes, alone = contrast[:-1], contrast[-1]
        return float(np.sqrt(max(float(changes @ shared @ changes), 0.0) + alone**2))

    @cached_property
    def _draws(self) -> FloatArray:
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, None))
        draws = np.random.default_rng(0).standard_normal((DRAWS, self.torque.size))
        return np.asarray(self.torque + draws @ root.T)
