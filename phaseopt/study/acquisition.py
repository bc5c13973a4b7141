"""Choosing pulls: every timing held over all speeds, and tables that may be the best by the torque model."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from phaseopt.study.knowledge_gradient import KnowledgeGradient, ReadingNoise, normal_draws
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

TABLES = 24  # draws of what the best table may be, beside the one expected to be
SEED = 20


@dataclass(frozen=True, eq=False)
class Candidate:
    """A pull that could be made: the label read at each cell of full load, in the order of speed."""

    kind: Literal["fixed", "table"]
    label: IntArray


@dataclass(frozen=True, eq=False)
class Field:
    """The labels of the cells of full load, and which of them a pull may read.

    `steps` (c - 1, l, l) what going from one label to another between two neighbouring speeds costs, N·m; infinite
    where the phasers cannot. `measurable` (l,) where a pull may go; `read` (c,) cells that a pull reads.
    """

    steps: FloatArray
    measurable: BoolArray
    read: BoolArray


def candidates(state: KnowledgeGradient, field: Field) -> list[Candidate]:
    """Every measurable timing held, and tables along speed: the best one as expected, and as drawn."""
    cells, labels = state.allowed.shape
    held = [Candidate("fixed", np.full(cells, k)) for k in np.flatnonzero(field.measurable)]
    if cells == 1:
        return held
    drawn = state.sample(np.random.default_rng(SEED).standard_normal((TABLES, cells * labels)))
    paths = [best_path(surface, field) for surface in (state.mean[0], *drawn)]
    distinct = {tuple(path.tolist()): path for path in paths if np.ptp(path) > 0}
    return held + [Candidate("table", path) for path in distinct.values()]


def best_path(surface: FloatArray, field: Field) -> IntArray:
    """The labels (c,) with the most torque of a surface (c, l) less the cost of their steps, by dynamic programming.

    >>> free = Field(np.zeros((1, 2, 2)), np.array([True, True]), np.array([True, True]))
    >>> best_path(np.array([[1.0, 2.0], [4.0, 3.0]]), free).tolist()
    [1, 0]
    """
    torque = np.where(field.measurable, surface, -np.inf)
    best, came = torque[0], []
    for row, steps in zip(torque[1:], field.steps, strict=True):
        arriving = best[:, None] - steps
        came.append(arriving.argmax(axis=0))
        best = arriving.max(axis=0) + row
    path = [int(best.argmax())]
    for back in reversed(came):
        path.append(int(back[path[-1]]))
    return np.array(path[::-1])


def places(candidate: Candidate, labels: int, read: BoolArray) -> IntArray:
    """Which of the c l places a pull reads."""
    return (np.arange(len(read)) * labels + candidate.label)[read]


def choose(
    state: KnowledgeGradient,
    offered: list[Candidate],
    read: BoolArray,
    noise: ReadingNoise,
    pulls: int,
    progress: Callable[[int], None] = lambda done: None,
) -> list[Candidate]:
    """The pulls that add most together, one after another, each the best with those before it."""
    labels = state.allowed.shape[1]
    chosen: list[Candidate] = []
    for number in range(pulls):
        draws = normal_draws(int(read.sum()), SEED + number)
        gains = [state.expected_gain(places(c, labels, read), noise, draws) for c in offered]
        best = offered[int(np.argmax(gains))]
        state = state.after(places(best, labels, read), noise, draws)
        chosen.append(best)
        progress(number + 1)
    return chosen


def expected_gains(
    state: KnowledgeGradient, pulls: list[Candidate], read: BoolArray, noise: ReadingNoise
) -> tuple[float, ...]:
    """What the final tables are expected to gain after 0, 1, ... of the pulls in their order [N·m]."""
    labels = state.allowed.shape[1]
    gains = [state.gain]
    for number, pull in enumerate(pulls):
        state = state.after(places(pull, labels, read), noise, normal_draws(int(read.sum()), SEED + number))
        gains.append(max(state.gain, gains[-1]))
    return tuple(gains)
