"""A torque surface conditioned on a grid, by the grid's own axes.

With equal noise the covariance of a full grid is `V W Vᵀ`, V a Kronecker product of one small matrix an axis, so
`A = V W^-½`. Nodes without torque (holes) take their part out again: `A = V W^-½ (1 - Q Qᵀ)`, where Q spans the rows of
`V W^-½` at the holes (the inverse of a block, Rasmussen and Williams, appendix A.3, from memory). Both are exact, and
both are read off a whole table axis by axis: some seconds for 17,280 nodes and a quarter of a million labels.

Where nodes have known errors of their own, expected torque weighs each (by conjugate gradients), and the deviation
gives every node the largest of those errors: more noise leaves more uncertainty, so it is never too small.

More than half a step beyond the ends of its axes a grid says nothing: there the level and the prior's deviation hold. A
smooth grid has lengths of many axes, by which the process alone would claim to know far more.
"""

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import khatri_rao, qr

from phaseopt.surrogate.gridded import NO_PULL, along, fit_grid, grid_weights, outer, predict_nodes
from phaseopt.surrogate.kernels import factor
from phaseopt.surrogate.readings import Hyperparameters, Readings, points_of
from phaseopt.surrogate.surface import TorqueSurface
from phaseopt.surrogate.trend import Trend
from phaseopt.values.arrays import BoolArray, FloatArray
from phaseopt.values.blas import one_blas_thread

_FILLED = 8  # times that holes are filled anew at most
_SETTLED = 0.01  # of a natural logarithm of a hyperparameter
_BEYOND = 0.5  # of the outermost step of an axis, as far as a grid still speaks
_FAR = 1e6  # lengths; a place so far off is correlated with no node


@dataclass(frozen=True, eq=False)
class GridModel(TorqueSurface):
    """A torque surface conditioned on a grid over d axes. Made by `GridModel.at` or `fit_supplied_grid`.

    Attributes
    ----------
    hyperparameters
        The numbers that shape the surface.
    readings
        The nodes that have torque, the last axis running fastest.
    axes
        Rising values of each input.
    seen
        Whether each node has torque, over the grid.
    vectors, roots, holes
        V by axis, the diagonal of W^-½ over the grid, and Q (nodes, holes).
    by_node
        (nodes,) weights of the nodes, zero in holes.
    trend
        What a simulation gives as the mean, fitted with the surface; None without one.

    Examples
    --------
    >>> speed, timing = np.linspace(0.0, 6.0, 13), np.linspace(0.0, 3.0, 7)
    >>> model = fit_supplied_grid([speed, timing], 100.0 + np.sin(speed)[:, None] * np.cos(timing))
    >>> mean, deviation = model.predict([[1.1, 1.3]])
    >>> bool(abs(mean[0] - 100.0 - np.sin(1.1) * np.cos(1.3)) < 0.01), bool(deviation[0] < 0.05)
    (True, True)
    """

    hyperparameters: Hyperparameters
    readings: Readings
    axes: tuple[FloatArray, ...]
    seen: BoolArray
    vectors: tuple[FloatArray, ...]
    roots: FloatArray
    holes: FloatArray
    by_node: FloatArray
    trend: Trend | None = None

    @classmethod
    def at(
        cls,
        hyperparameters: Hyperparameters,
        axes: Sequence[FloatArray],
        torque: FloatArray,
        extra: FloatArray | None = None,
    ) -> "GridModel":
        """Condition on torque over the axes, nan in holes, with known variance `extra` [(N·m)²] by node.

        The pull offset of the hyperparameters does not count. Raises `InputError` as `grid_weights`.
        """
        h = replace(hyperparameters, pull=NO_PULL)
        seen = np.isfinite(torque)
        variance = h.noise**2 + (0.0 if extra is None else float(extra[seen].max()))
        nodes = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes))[seen.ravel()]
        known = None if extra is None else extra[seen]
        readings = Readings(nodes, torque[seen], np.zeros(len(nodes), np.int64), known)
        with one_blas_thread():
            parts = [np.linalg.eigh(factor(a, a, length)) for a, length in zip(axes, h.lengths, strict=True)]
            vectors = tuple(part[1] for part in parts)
            roots = 1.0 / np.sqrt(h.signal**2 * outer([np.maximum(p[0], 0.0) for p in parts]) + variance)
            empty = np.argwhere(~seen)
            rows = np.array([_row(vectors, at) * roots.ravel() for at in empty]).reshape(len(empty), torque.size)
            holes = qr(rows.T, mode="economic")[0]
        model = cls(h, readings, tuple(axes), seen, vectors, roots, holes, np.empty(0))
        weights = model._equal_weights() if extra is None else grid_weights(h, axes, torque, extra).ravel()
        return replace(model, by_node=weights)

    @property
    def inputs(self) -> FloatArray:
        return np.stack(np.meshgrid(*self.axes, indexing="ij"), axis=-1).reshape(-1, len(self.axes))

    @property
    def weights(self) -> FloatArray:
        return self.by_node

    def solve(self, correlation: FloatArray) -> FloatArray:
        with one_blas_thread():
            turned = along(self.vectors, correlation.reshape(*self.roots.shape, -1), turn=True)
            result = (turned * self.roots[..., None]).reshape(correlation.shape)
            result -= self.holes @ (self.holes.T @ result)
        return result.T

    @property
    def solved_basis(self) -> FloatArray:
        return np.zeros((self.roots.size, 0))

    @property
    def trend_weights(self) -> FloatArray:
        return np.zeros((self.roots.size, 0))

    @property
    def basis_weights(self) -> FloatArray:
        return np.empty(0)

    def _equal_weights(self) -> FloatArray:
        """`K⁻¹ (y - mean)` over the grid where every node has the largest error; zero in holes."""
        off = np.zeros(self.roots.shape)
        off[self.seen] = self.readings.y - self.hyperparameters.mean
        state = self.solve(off.reshape(-1, 1)).reshape(self.roots.shape)
        with one_blas_thread():
            whole = along(self.vectors, state * self.roots)
        return np.where(self.seen, whole, 0.0).ravel()

    @property
    def reading_weights(self) -> FloatArray:
        return self._equal_weights()[self.seen.ravel()]

    def precision_blocks(self, groups: Sequence[NDArray[np.intp]]) -> list[FloatArray]:
        nodes = np.argwhere(self.seen)
        found = []
        for own in groups:
            rows = np.array([_row(self.vectors, at) * self.roots.ravel() for at in nodes[own]])
            rows -= (rows @ self.holes) @ self.holes.T
            found.append(rows @ rows.T)
        return found

    def precision_diagonal(self) -> FloatArray:
        with one_blas_thread():
            full = along([vector**2 for vector in self.vectors], self.roots**2)
            for column in self.holes.T:
                full -= along(self.vectors, column.reshape(self.roots.shape) * self.roots) ** 2
        return np.asarray(full[self.seen])

    def predict_product(self, cells: ArrayLike, labels: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """As `TorqueSurface.predict_product`, and exact: read off axis by axis."""
        cell = points_of(cells, "cells")
        split = cell.shape[1]
        label = points_of(labels, "labels", len(self.axes) - split)
        cell, label = self._set_apart(cell, 0), self._set_apart(label, split)
        h, sizes = self.hyperparameters, (math.prod(self.roots.shape[:split]), math.prod(self.roots.shape[split:]))
        with one_blas_thread():
            by_cell, by_label = (
                [factor(self.axes[k], points[:, i], h.lengths[k]) for i, k in enumerate(own)]
                for points, own in ((cell, range(split)), (label, range(split, len(self.axes))))
            )
            surface = _columnwise(by_cell).T @ self.weights.reshape(sizes) @ _columnwise(by_label)
            first, second = (
                _columnwise([self.vectors[start + i].T @ part for i, part in enumerate(parts)])
                for start, parts in ((0, by_cell), (split, by_label))
            )
            roots = self.roots.reshape(sizes)
            known = (first**2).T @ roots**2 @ second**2
            for column in self.holes.T:
                known -= (first.T @ (roots * column.reshape(sizes)) @ second) ** 2
        return h.mean + h.signal**2 * surface, self._deviation(known, [], [])

    def _points(self, x: ArrayLike) -> FloatArray:
        return self._set_apart(super()._points(x), 0)

    def _set_apart(self, points: FloatArray, first: int) -> FloatArray:
        """The points (m, k) over the axes from `first` on, with those beyond the grid moved far away from every node.

        They keep their distances from each other.
        """
        moved = points.copy()
        for values, axis, length in zip(moved.T, self.axes[first:], self.hyperparameters.lengths[first:], strict=False):
            steps = _BEYOND * np.diff(axis)
            before, after = (steps[0], steps[-1]) if steps.size else (0.0, 0.0)
            spare = 1e-9 * (1.0 + np.abs(axis).max())
            values[(values < axis[0] - before - spare) | (values > axis[-1] + after + spare)] += _FAR * length
        return moved


def fit_supplied_grid(axes: Sequence[FloatArray], torque: FloatArray, error: FloatArray | None = None) -> GridModel:
    """The torque model of a full grid, with the most likely hyperparameters.

    Parameters
    ----------
    axes
        Rising values of each input.
    torque
        Over the grid [N·m], nan in holes.
    error
        Standard error of each node [N·m], where it is known.

    Returns
    -------
    GridModel
        With the noise that the nodes' own errors do not explain.

    Raises
    ------
    InputError
        Where the solution does not settle.

    Notes
    -----
    Holes are filled by the surface itself and the hyperparameters fitted again until they settle; a filled hole shows
    no noise, which is corrected. Time and memory grow with the holes: keep them below some 1,500, and a quarter of
    the nodes.

    Examples
    --------
    >>> level = fit_supplied_grid([np.arange(4.0), np.arange(3.0)], np.full((4, 3), 7.0))
    >>> level.predict([[1.5, 0.5]])[0].round(3)
    array([7.])
    """
    seen = np.isfinite(torque)
    extra = None if error is None else np.where(seen, error, 0.0) ** 2
    filled = torque if seen.all() else _filled(_first_guess(axes, torque), axes, torque, extra)
    before = np.full(len(axes) + 3, np.inf)
    for _ in range(_FILLED):
        h = fit_grid(axes, filled)
        noise = h.noise**2 * torque.size / np.count_nonzero(seen)
        if extra is not None:
            noise = max(noise - float(extra[seen].mean()), 0.01 * noise)
        h = replace(h, noise=math.sqrt(noise))
        if seen.all() or np.abs(h.logs() - before).max() < _SETTLED:
            break
        before, filled = h.logs(), _filled(h, axes, torque, extra)
    return GridModel.at(h, axes, torque, extra)


def _filled(h: Hyperparameters, axes: Sequence[FloatArray], torque: FloatArray, extra: FloatArray | None) -> FloatArray:
    """Torque over the grid, that of the surface where there is a hole [N·m]."""
    weights = grid_weights(h, axes, torque, extra)
    return np.where(np.isfinite(torque), torque, predict_nodes(h, axes, weights, axes))


def _first_guess(axes: Sequence[FloatArray], torque: FloatArray) -> Hyperparameters:
    """Where the fit of a grid with holes starts: lengths of half an axis."""
    known = torque[np.isfinite(torque)]
    spread = float(known.std()) or 1.0
    lengths = tuple(0.5 * (float(np.ptp(axis)) or 1.0) for axis in axes)
    return Hyperparameters(spread, lengths, 0.03 * spread, NO_PULL, float(known.mean()))


def _row(vectors: Sequence[FloatArray], at: NDArray[np.intp]) -> FloatArray:
    """One row of V, for the node at these places on the axes."""
    return outer([vector[k] for vector, k in zip(vectors, at, strict=True)]).ravel()


def _columnwise(parts: Sequence[FloatArray]) -> FloatArray:
    """The Kronecker product of each column of one matrix with the same column of the next."""
    return np.asarray(functools.reduce(khatri_rao, parts))
