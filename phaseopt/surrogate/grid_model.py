"""A torque surface conditioned on a grid: what every torque model answers, by the grid's own axes.

With equal noise the covariance of a full grid is `V W Vᵀ`, V a Kronecker product of one small matrix an axis, so
`A = V W^-½`. Nodes without torque (holes) take their part out again: `A = V W^-½ (1 - Q Qᵀ)`, where Q spans the rows of
`V W^-½` at the holes (the inverse of a block, Rasmussen and Williams, appendix A.3, from memory). Both are exact, and
both are read off a whole table axis by axis: some seconds for 17,280 nodes and a quarter of a million labels.

Where the nodes have known errors of their own, expected torque counts each (by conjugate gradients), and the deviation
counts every node as unsure as the most unsure one: more noise leaves more doubt, so that it is never too small.

More than half a step beyond the ends of its axes a grid says nothing: the level and the prior's deviation stand there.
A smooth grid has lengths of many axes, by which the process alone would claim to know far more than was given.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import qr

from phaseopt.surrogate.gridded import GridNumbers, along, fit_grid, grid_weights, outer, predict_nodes
from phaseopt.surrogate.hyperparameters import Hyperparameters
from phaseopt.surrogate.kernels import Array, factor
from phaseopt.surrogate.readings import Readings, columns, refuse_not_finite
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend
from phaseopt.values.blas import one_blas_thread

_NO_PULL = 1e-9  # N·m; a grid was not made in pulls, and a deviation must be above zero
_FILLED = 8  # times that holes are filled anew at most
_SETTLED = 0.01  # of a natural logarithm of a number
_BEYOND = 0.5  # of the outermost step of an axis, as far as a grid still speaks
_FAR = 1e6  # lengths; a place so far off is correlated with no node


@dataclass(frozen=True, eq=False)
class GridModel(TorqueSurface):
    """A torque surface conditioned on a grid over d axes. Made by `GridModel.at` or `fit_given`.

    `readings` are the nodes that have torque, the last axis running fastest. `vectors` are V by axis, `roots` the
    diagonal of W^-½ over the grid, `holes` is Q (nodes, holes), `weights` (nodes,) are zero in holes.

    >>> speed, timing = np.linspace(0.0, 6.0, 13), np.linspace(0.0, 3.0, 7)
    >>> model = fit_given([speed, timing], 100.0 + np.sin(speed)[:, None] * np.cos(timing))
    >>> mean, deviation = model.predict([[1.1, 1.3]])
    >>> bool(abs(mean[0] - 100.0 - np.sin(1.1) * np.cos(1.3)) < 0.01), bool(deviation[0] < 0.05)
    (True, True)
    """

    hyperparameters: Hyperparameters
    readings: Readings
    axes: tuple[Array, ...]
    seen: NDArray[np.bool_]
    vectors: tuple[Array, ...]
    roots: Array
    holes: Array
    by_node: Array
    trend: Trend | None = None

    @classmethod
    def at(cls, numbers: GridNumbers, axes: Sequence[Array], torque: Array, extra: Array | None = None) -> "GridModel":
        """Condition on torque over the axes, nan in holes, with known variance `extra` [(N·m)²] by node.

        Raises `InputError` as `grid_weights`.
        """
        seen = np.isfinite(torque)
        variance = numbers.noise**2 + (0.0 if extra is None else float(extra[seen].max()))
        nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))[seen.ravel()]
        known = None if extra is None else extra[seen]
        readings = Readings(nodes, torque[seen], np.zeros(len(nodes), np.int64), known)
        with one_blas_thread():
            parts = [np.linalg.eigh(factor(a, a, length)) for a, length in zip(axes, numbers.lengths, strict=True)]
            vectors = tuple(part[1] for part in parts)
            roots = 1.0 / np.sqrt(numbers.signal**2 * outer([np.maximum(p[0], 0.0) for p in parts]) + variance)
            lost = np.argwhere(~seen)
            rows = np.array([_row(vectors, at) * roots.ravel() for at in lost]).reshape(len(lost), torque.size)
            holes = qr(rows.T, mode="economic")[0]
        h = Hyperparameters(numbers.signal, numbers.lengths, numbers.noise, _NO_PULL, numbers.mean)
        unweighed = cls(h, readings, tuple(axes), seen, vectors, roots, holes, np.empty(0))
        by_node = unweighed.equally_weighed() if extra is None else grid_weights(numbers, axes, torque, extra).ravel()
        return cls(h, readings, tuple(axes), seen, vectors, roots, holes, by_node)

    @property
    def places(self) -> Array:
        return np.stack(np.meshgrid(*self.axes, indexing="ij"), axis=-1).reshape(-1, len(self.axes))

    @property
    def weights(self) -> Array:
        return self.by_node

    def solved(self, correlation: Array) -> Array:
        with one_blas_thread():
            turned = along(self.vectors, correlation.reshape(*self.roots.shape, -1), turn=True)
            result = (turned * self.roots[..., None]).reshape(correlation.shape)
            result -= self.holes @ (self.holes.T @ result)
        return result.T

    @property
    def solved_basis(self) -> Array:
        return np.zeros((self.roots.size, 0))

    @property
    def trend_weights(self) -> Array:
        return np.zeros((self.roots.size, 0))

    @property
    def basis_weights(self) -> Array:
        return np.empty(0)

    def equally_weighed(self) -> Array:
        """`K⁻¹ (y - mean)` over the grid, every node as unsure as the most unsure one; zero in holes."""
        off = np.zeros(self.roots.shape)
        off[self.seen] = self.readings.y - self.hyperparameters.mean
        state = self.solved(off.reshape(-1, 1)).reshape(self.roots.shape)
        with one_blas_thread():
            whole = along(self.vectors, state * self.roots)
        return np.where(self.seen, whole, 0.0).ravel()

    @property
    def reading_weights(self) -> Array:
        return self.equally_weighed()[self.seen.ravel()]

    def reading_precisions(self, groups: Sequence[NDArray[np.intp]]) -> list[Array]:
        nodes = np.argwhere(self.seen)
        found = []
        for own in groups:
            rows = np.array([_row(self.vectors, at) * self.roots.ravel() for at in nodes[own]])
            rows -= (rows @ self.holes) @ self.holes.T
            found.append(rows @ rows.T)
        return found

    def certainty(self) -> Array:
        with one_blas_thread():
            full = along([vector**2 for vector in self.vectors], self.roots**2)
            for column in self.holes.T:
                full -= along(self.vectors, column.reshape(self.roots.shape) * self.roots) ** 2
        return np.asarray(full[self.seen])

    def predict_product(self, cells: ArrayLike, labels: ArrayLike) -> tuple[Array, Array]:
        """As `TorqueSurface.predict_product`, and exact, deviation too: read off axis by axis."""
        cell = columns(cells, "cells")
        split = cell.shape[1]
        label = columns(labels, "labels", len(self.axes) - split)
        refuse_not_finite(cell, "cells")
        refuse_not_finite(label, "labels")
        cell, label = self._set_apart(cell, 0), self._set_apart(label, split)
        h, sizes = self.hyperparameters, (math.prod(self.roots.shape[:split]), math.prod(self.roots.shape[split:]))
        with one_blas_thread():
            by_cell, by_label = (
                [factor(self.axes[k], points[:, i], h.lengths[k]) for i, k in enumerate(own)]
                for points, own in ((cell, range(split)), (label, range(split, len(self.axes))))
            )
            mean = h.mean + h.signal**2 * (_columnwise(by_cell).T @ self.weights.reshape(sizes) @ _columnwise(by_label))
            first, second = (
                _columnwise([self.vectors[start + i].T @ part for i, part in enumerate(parts)])
                for start, parts in ((0, by_cell), (split, by_label))
            )
            roots = self.roots.reshape(sizes)
            known = (first**2).T @ roots**2 @ second**2
            for column in self.holes.T:
                known -= (first.T @ (roots * column.reshape(sizes)) @ second) ** 2
        return mean, self._deviation(known, [], None)

    def _points(self, x: ArrayLike) -> Array:
        return self._set_apart(super()._points(x), 0)

    def _set_apart(self, points: Array, first: int) -> Array:
        """The points (m, k) over the axes from `first` on, those beyond the grid moved so far off that no node tells.

        They keep their distances from each other.
        """
        moved = points.copy()
        for values, axis, length in zip(moved.T, self.axes[first:], self.hyperparameters.lengths[first:], strict=False):
            steps = _BEYOND * np.diff(axis)
            before, after = (steps[0], steps[-1]) if steps.size else (0.0, 0.0)
            spare = 1e-9 * (1.0 + np.abs(axis).max())
            values[(values < axis[0] - before - spare) | (values > axis[-1] + after + spare)] += _FAR * length
        return moved


def fit_supplied_grid(axes: Sequence[Array], torque: Array, error: Array | None = None) -> GridModel:
    """The model of torque over a grid: torque nan in holes, with a standard `error` of each node [N·m], if known.

    The numbers are the most likely ones (`fit_grid`). Holes are filled by the surface itself and the numbers sought
    again until they settle; a filled hole shows no noise, which is made up for. What the nodes' own errors explain of
    the noise is taken off it. Time and memory grow with the holes: keep them below some 1,500, and a fourth of the
    nodes.

    >>> level = fit_given([np.arange(4.0), np.arange(3.0)], np.full((4, 3), 7.0))
    >>> level.predict([[1.5, 0.5]])[0].round(3)
    array([7.])
    """
    seen = np.isfinite(torque)
    extra = None if error is None else np.where(seen, error, 0.0) ** 2
    filled = torque if seen.all() else _filled(_believed(axes, torque), axes, torque, extra)
    before = np.full(len(axes) + 2, np.inf)
    for _ in range(_FILLED):
        numbers = fit_grid(axes, filled)
        noise = numbers.noise**2 * torque.size / np.count_nonzero(seen)
        if extra is not None:
            noise = max(noise - float(extra[seen].mean()), 0.01 * noise)
        numbers = GridNumbers(numbers.signal, numbers.lengths, math.sqrt(noise), numbers.mean)
        logs = np.log([numbers.signal, *numbers.lengths, numbers.noise])
        if seen.all() or np.abs(logs - before).max() < _SETTLED:
            break
        before, filled = logs, _filled(numbers, axes, torque, extra)
    return GridModel.at(numbers, axes, torque, extra)


def _filled(numbers: GridNumbers, axes: Sequence[Array], torque: Array, extra: Array | None) -> Array:
    """Torque over the grid, that of the surface where there is a hole [N·m]."""
    weights = grid_weights(numbers, axes, torque, extra)
    return np.where(np.isfinite(torque), torque, predict_nodes(numbers, axes, weights, axes))


def _believed(axes: Sequence[Array], torque: Array) -> GridNumbers:
    """Where the numbers of a grid with holes start: lengths of half an axis."""
    known = torque[np.isfinite(torque)]
    spread = float(known.std()) or 1.0
    lengths = tuple(0.5 * (float(np.ptp(axis)) or 1.0) for axis in axes)
    return GridNumbers(spread, lengths, 0.03 * spread, float(known.mean()))


def _row(vectors: Sequence[Array], at: NDArray[np.intp]) -> Array:
    """One row of V, for the node at these places on the axes."""
    return outer([vector[k] for vector, k in zip(vectors, at, strict=True)]).ravel()


def _columnwise(parts: Sequence[Array]) -> Array:
    """The Kronecker product of each column of one matrix with the same column of the next.

    >>> _columnwise([np.array([[1.0], [2.0]]), np.array([[3.0], [4.0]])]).ravel()
    array([3., 4., 6., 8.])
    """
    result = parts[0]
    for part in parts[1:]:
        result = (result[:, None, :] * part[None, :, :]).reshape(-1, result.shape[1])
    return result
