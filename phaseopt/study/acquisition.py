"""Choosing pulls: timings held over all speeds, timings in turn, and tables that may be the best.

A pull's own offset (drift, weather, a warm tyre) is in all that it reads. So two timings held in a pull each look like
two offsets. Pulls that change between the same timings, band of speeds by band of speeds, each pull one timing on from
the pull before, compare the timings within each pull: the Latin square of four pulls, bands and timings (Fisher, The
Design of Experiments, 1935, chapter 5), and of two pulls the crossover (Cochran and Cox, Experimental Designs, 1957,
chapter 4; both from memory).
"""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from phaseopt.study.knowledge_gradient import KnowledgeGradient, ReadingNoise, normal_draws
from phaseopt.values.arrays import BoolArray, FloatArray, IntArray

TABLES = 24  # draws of what the best table may be, beside the one expected to be
TURNS = 80  # pulls that take timings in turn
BANDS = 4  # of speed, in which a pull changes from timing to timing: two or six separate offsets less well
LEAST_IN_BAND = 2  # cells, so that each band has one besides those between which the phasers move
FAR = 1e3  # N·m a square degree off a timing that is to be followed: more than any step costs
SEED = 20


@dataclass(frozen=True, eq=False)
class Candidate:
    """A pull that could be made: the label read at each cell of full load, in the order of speed."""

    kind: Literal["fixed", "table", "in turn"]
    label: IntArray


@dataclass(frozen=True, eq=False)
class Field:
    """The labels of the cells of full load, and which of them a pull may read.

    `pairs` (l, 2) the labels, crank degrees; `steps` (c - 1, l, l) what going from one label to another between two
    neighbouring speeds costs, N·m; infinite where the phasers cannot. `measurable` (l,) where a pull may go; `read`
    (c,) cells that a pull reads.
    """

    pairs: FloatArray
    steps: FloatArray
    measurable: BoolArray
    read: BoolArray

    @property
    def bands(self) -> IntArray:
        """(c,) the band of each cell: even parts of those that a pull reads, one where they are too few for two."""
        return np.asarray(bands_of(int(self.read.sum()))[np.maximum(np.cumsum(self.read) - 1, 0)])


def bands_of(count: int) -> IntArray:
    """The band of speed of each of so many cells that a pull reads: even parts, one where they are too few for two.

    >>> bands_of(9).tolist()
    [0, 0, 0, 1, 1, 2, 2, 3, 3]
    """
    bands: IntArray = np.arange(count) * max(min(BANDS, count // LEAST_IN_BAND), 1) // max(count, 1)
    return bands


def candidates(state: KnowledgeGradient, field: Field) -> list[Candidate]:
    """Measurable timings held; tables along speed, the best one as expected and as drawn; and timings in turn."""
    cells, labels = state.allowed.shape
    free = np.flatnonzero(field.measurable)
    held = [Candidate("fixed", np.full(cells, k)) for k in free]
    if cells == 1:
        return held
    rng = np.random.default_rng(SEED)
    paths = [
        best_path(surface, field)
        for surface in (state.mean[0], *state.sample(rng.standard_normal((TABLES, cells * labels))))
    ]
    distinct = {tuple(path.tolist()): path for path in paths if np.ptp(path) > 0}
    drawn = [rng.choice(free, BANDS)[field.bands] for _ in range(TURNS)]
    for number, wanted in enumerate(drawn[::2]):  # half of them with the best table in every other band
        wanted[...] = np.where(field.bands % 2 == number % 2, paths[0], wanted)
    return held + [Candidate("table", path) for path in distinct.values()] + _by_bands(drawn, field)


def in_turn(tables: Sequence[IntArray], field: Field) -> list[Candidate]:
    """As many pulls as tables (c,): each takes all of them in turn by bands of speed, one on from the pull before. None
    where the phasers are too slow for one of them.

    >>> field = Field(np.array([[0.0, 0.0], [9.0, 0.0]]), np.zeros((3, 2, 2)), np.ones(2, bool), np.ones(4, bool))
    >>> [pull.label.tolist() for pull in in_turn([np.zeros(4, int), np.ones(4, int)], field)]
    [[0, 0, 1, 1], [1, 1, 0, 0]]
    """
    bands, cell = field.bands, np.arange(len(field.read))
    wanted = [np.array(tables)[(bands + pull) % len(tables), cell] for pull in range(len(tables))]
    pulls = _by_bands(wanted, field)
    return pulls if len(pulls) == len(tables) else []


def _by_bands(wanted: Sequence[IntArray], field: Field) -> list[Candidate]:
    """Pulls that have these labels, (c,) each, as nearly as the phasers can; only those that have them in each band."""
    if np.ptp(field.bands) == 0:
        return []
    paths = [best_path(-FAR * ((field.pairs[each][:, None] - field.pairs) ** 2).sum(axis=2), field) for each in wanted]
    reached = [np.unique(field.bands[path == each]).size for path, each in zip(paths, wanted, strict=True)]
    return [
        Candidate("in turn", path)
        for path, count in zip(paths, reached, strict=True)
        if count == np.unique(field.bands).size
    ]


def best_path(surface: FloatArray, field: Field) -> IntArray:
    """The labels (c,) with the most torque of a surface (c, l) less the cost of their steps, by dynamic programming.

    >>> free = Field(np.zeros((2, 2)), np.zeros((1, 2, 2)), np.array([True, True]), np.array([True, True]))
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
    at = [places(candidate, labels, read) for candidate in offered]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for number in range(pulls):
            draws = normal_draws(int(read.sum()), SEED + number)
            gain = partial(state.expected_gain, noise=noise, draws=draws, among=state.in_play(draws))
            best = int(np.argmax(list(pool.map(gain, at))))
            state = state.after(at[best], noise, draws)
            chosen.append(offered[best])
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
