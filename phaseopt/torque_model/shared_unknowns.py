"""What may be wrong with simulated torque, as variables that engines share, and how sure a difference of two is.

A variable counts in its own standard deviations. It is a tolerance of the description (`cycle.tolerances`) together
with the parts that it belongs to: the flow of this head, the length of that exhaust's primaries. Engines with the same
part have the same variable. Two more are the scale and the shift of the whole simulation. A part that was not in the
engine has the same tolerance anew, yet not all of it: most of what is wrong with a flow figure is how heads are
measured and simulated, whichever head it is (`ALIKE`).

Before any pull the covariance of all variables is K. Pulls leave those of their engine a mean m and a covariance C, and
what they show of others is (any textbook on conditioning Gaussians; A is the part of K between both)

    mean = A m,  covariance = K - A (1 - C) Aᵀ

A difference of torque has the variance (J_1 - J_2) Σ (J_1 - J_2)ᵀ: J is each one's own change of torque by each
variable, 0 where it has no such part, Σ the covariance of all. Added to it is what they do not share: what pulls leave
beyond the variables, and `OWN` for each part that only one has and no pull was made with.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from phaseopt.values.arrays import FloatArray

# Correlation of a tolerance between two parts of a kind, before any pull: heads off one bench differ by a percent or
# two more than their sheets say, where what a simulation makes of a sheet may be 6 % off (our judgement; of four values
# tried on two of the shelves of `tests/benchmarks/bench_parts.py`, one whose intervals are about as wide as its errors)
ALIKE = 0.97
OWN = 0.004  # of torque: what a part may do beyond all tolerances, standard deviation (our judgement)
OWN_KINDS = ("intake_cams", "exhaust_cams", "heads", "pistons", "cranks", "manifolds", "exhausts", "fuels")
SCALE, SHIFT, BEYOND = "scale", "shift", "beyond the description"
_SAME = 1e-6  # crank degrees; timings nearer than this are the same


class Variable(NamedTuple):
    """Something unknown, and the parts that it belongs to, by name or digest; none for what all engines share."""

    name: str
    parts: tuple[str, ...] = ()


def before_pulls(some: Sequence[Variable], others: Sequence[Variable]) -> FloatArray:
    """Covariance of variables before any pull (n, m).

    >>> before_pulls([Variable("flow", ("ported",))], [Variable("flow", ("as cast",)), Variable(SCALE)]).tolist()
    [[0.97, 0.0]]
    """

    def alike(one: Variable, other: Variable) -> float:
        if one == other:
            return 1.0
        return ALIKE if one.name == other.name and one.name != BEYOND else 0.0

    return np.array([[alike(one, other) for other in others] for one in some]).reshape(len(some), len(others))


def conditioned(
    variables: Sequence[Variable], known: Sequence[Variable], mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean (v,) and covariance (v, v) of any variables, by what pulls made of those `known`: (k,) and (k, k)."""
    between = before_pulls(variables, known)
    less = between @ (np.eye(len(known)) - covariance) @ between.T
    return between @ mean, before_pulls(variables, variables) - less


@dataclass(frozen=True, eq=False)
class Unknowns:
    """What is unknown of a build's torque at full throttle, as two builds share it.

    Parameters
    ----------
    rpm : array (r,)
        Speeds of its tables where that is known; between them it is on straight lines.
    centrelines : array (r, 2)
        True ones of its tables [crank degrees].
    variables : tuple of Variable
        Scale and shift first, then the tolerances.
    effects : array (r, v)
        What a standard deviation of each changes of torque [N·m]; with pulls, along with what they leave of it.
    mean, covariance : array (v,) and (v, v)
        Where its torque has each variable, in standard deviations from the description, and how sure that is.
    scale, shift : float
        Standard deviation of the scale, as a share of torque, and of the shift [N·m].
    parts : mapping of str
        A digest of its part by kind.
    pulls, model : str
        Digests of the pulls that its torque rests on, and of the torque model; empty without pulls.
    residual : array (r, r)
        Covariance that the pulls leave beyond the variables [(N·m)²].

    See Also
    --------
    of_difference
    """

    rpm: FloatArray
    centrelines: FloatArray
    variables: tuple[Variable, ...]
    effects: FloatArray
    mean: FloatArray
    covariance: FloatArray
    scale: float
    shift: float
    parts: Mapping[str, str]
    pulls: str
    model: str
    residual: FloatArray

    def at(self, rpm: FloatArray) -> FloatArray:
        """(n, r) weights of its speeds at others, on straight lines."""
        return np.stack([np.interp(rpm, self.rpm, one) for one in np.eye(self.rpm.size)], axis=1)

    def in_units_of(self, other: "Unknowns") -> "Unknowns":
        """With the scale and the shift of the other's simulation."""
        effects = self.effects.copy()
        effects[:, 0] *= other.scale / self.scale
        effects[:, 1] = other.shift
        return replace(self, effects=effects, scale=other.scale, shift=other.shift)


class Unknown(NamedTuple):
    """What is unknown of a difference of torque at speeds (n,): by how much it is expected to be `off` [N·m], and the
    `covariance` (n, n) about that [(N·m)²]."""

    off: FloatArray
    covariance: FloatArray

    def deviation(self, shares: FloatArray) -> float:
        """Of a sum by shares of the speeds (n,), what it is off included [N·m]."""
        return float(np.hypot(shares @ self.off, self.about(shares)))

    def about(self, shares: FloatArray) -> float:
        """The same about where the sum is expected."""
        return float(np.sqrt(max(float(shares @ self.covariance @ shares), 0.0)))


def of_difference(first: Unknowns, second: Unknowns, rpm: FloatArray) -> Unknown:
    """What is unknown of the torque of the second build less that of the first at speeds (n,).

    Where only one rests on pulls, the other's variables are as these pulls have them, and its torque is off by what
    they show that it does not count.

    Examples
    --------
    >>> def alone(flow, head):
    ...     variables = (Variable(SCALE), Variable(SHIFT), Variable("flow", (head,)))
    ...     effects = np.array([[10.0, 0.0, flow]])
    ...     return Unknowns(np.array([4e3]), np.full((1, 2), 108.0), variables, effects, np.zeros(3), np.eye(3), 0.08,
    ...                     0.0, {}, "", "", np.zeros((1, 1)))
    >>> of_difference(alone(5.0, "ported"), alone(4.0, "ported"), np.array([4e3])).covariance.round(6).tolist()
    [[1.0]]
    >>> of_difference(alone(5.0, "ported"), alone(5.0, "as cast"), np.array([4e3])).covariance.round(6).tolist()
    [[1.5]]
    """
    if first.pulls and not second.pulls:
        second = second.in_units_of(first)
    elif second.pulls and not first.pulls:
        first = first.in_units_of(second)
    pair = first, second
    off, errors = _errors(first, second)
    at = [each.at(rpm) for each in pair]
    contrast = np.hstack([sign * w @ each.effects for sign, w, each in zip((-1.0, 1.0), at, pair, strict=True)])
    found = contrast @ errors @ contrast.T
    apart = np.ones(rpm.size)
    if first.model == second.model:
        timing = [w @ each.centrelines for w, each in zip(at, pair, strict=True)]
        apart = (np.abs(timing[1] - timing[0]).max(axis=1) > _SAME).astype(np.float64)
    for w, each in zip(at, pair, strict=True):
        found += np.outer(apart, apart) * (w @ each.residual @ w.T)
        if not each.pulls:
            own = OWN / each.scale * (w @ each.effects[:, 0])
            found += _other_parts(first, second) * np.outer(own, own)
    return Unknown(contrast @ off, found)


def _other_parts(first: Unknowns, second: Unknowns) -> int:
    """How many kinds of part are others in the second."""
    return sum(first.parts.get(kind) != second.parts.get(kind) for kind in OWN_KINDS)


def _errors(first: Unknowns, second: Unknowns) -> tuple[FloatArray, FloatArray]:
    """By how much the variables of both are expected to be off what their torque has, and the covariance of that.

    Pulls of its own leave e = C v less their noise of each variable v; so the errors of two builds with other pulls
    have the covariance C_1 K C_2 between them. The same pulls leave the same error.
    """
    both, n = (*first.variables, *second.variables), len(first.variables)
    if first.pulls != second.pulls and first.pulls and second.pulls:
        cross = first.covariance @ before_pulls(first.variables, second.variables) @ second.covariance
        return np.zeros(len(both)), np.block([[first.covariance, cross], [cross.T, second.covariance]])
    knows, other = (first, second) if first.pulls or not second.pulls else (second, first)
    mean, errors = conditioned(both, knows.variables, knows.mean, knows.covariance)
    off = np.zeros(len(both))
    if knows.pulls and not other.pulls:
        own = slice(n, None) if other is second else slice(n)
        off[own] = mean[own] - other.mean
    return off, errors
