"""A simulated torque grid as a smooth function of (rpm, load, icl, ecl).

Along each axis: a cubic through the two nodes around a point, with the slopes of the parabola through three nodes, so
that four nodes take part. Over four axes: the product of the four. It has continuous slopes, is linear in the grid, and
separable, so that a table's cells and labels each bring their own factor. On a surface with waves over speed its error
is within 5 % of a cubic spline's and a quarter below that of straight lines (0.53, 0.52 and 0.72 N·m,
`tests/benchmarks/bench_simulated_mean.py`). In a spline each node speaks everywhere, so a hole cannot be worked around;
slopes from five nodes gain nothing and pass on more of the simulation's own scatter.

Points that did not settle are holes. Torque is nan where a hole is a corner of the box of nodes around the point, and
outside the axes. Where a hole is only a neighbour that bends the cubic, the slope comes from the settled nodes instead,
as in a one-sided difference (`_filled_holes`).
"""

from collections.abc import Sequence

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike

from phaseopt.surrogate.readings import points_of
from phaseopt.values.arrays import FloatArray
from phaseopt.values.errors import InputError

AXES = ("rpm", "load", "icl", "ecl")
TOLERANCE = 1e-9  # of an axis: rounding, within which a point counts as on a node or on the end


class GridFunction:
    """A variable of a simulated grid over (rpm, load, icl, ecl), interpolated.

    Parameters
    ----------
    values
        Over the axes, nan where a point did not settle.
    axes
        Four rising arrays.
    bridged
        Whether such holes count as what their neighbours make likely, not as unknown.

    Examples
    --------
    >>> flat = GridFunction(np.full((2, 1, 2, 1), 3.0), [np.arange(2.0), np.ones(1), np.arange(2.0), np.ones(1)])
    >>> flat.at([[0.5, 1.0, 0.5, 1.0]])
    array([3.])
    """

    axes: tuple[FloatArray, ...]

    def __init__(self, values: FloatArray, axes: Sequence[FloatArray], *, bridged: bool = False) -> None:
        self.axes, holes = tuple(axes), ~np.isfinite(values)
        flat = (values.shape[0] * values.shape[1], values.shape[2] * values.shape[3])
        self._values = _filled_holes(np.where(holes, np.nan, values), self.axes).reshape(flat)
        self._holes = (holes & (not bridged)).astype(np.float64).reshape(flat)

    def at(self, x: ArrayLike) -> FloatArray:
        """Its values at points (n, 4): (n,), nan outside the axes and in a box with an unsettled corner."""
        points = points_of(x, "points to simulate", 4)
        by_cell, cell_corners = _pair_weights(self.axes[:2], points[:, :2])
        by_label, label_corners = _pair_weights(self.axes[2:], points[:, 2:])
        values = np.einsum("nk,nk->n", by_cell @ self._values, by_label)
        unsettled = np.einsum("nk,nk->n", cell_corners @ self._holes, label_corners)
        result: FloatArray = np.where(unsettled > 0.0, np.nan, values)
        return result

    def product(self, cells: ArrayLike, labels: ArrayLike) -> FloatArray:
        """Of every cell (rpm, load) (c, 2) with every label (icl, ecl) (k, 2): (c, k), nan as in `at`."""
        by_cell, cell_corners = _pair_weights(self.axes[:2], points_of(cells, "cells", 2))
        by_label, label_corners = _pair_weights(self.axes[2:], points_of(labels, "labels", 2))
        values = by_cell @ self._values @ by_label.T
        unsettled = cell_corners @ self._holes @ label_corners.T
        result: FloatArray = np.where(unsettled > 0.0, np.nan, values)
        return result


class GridPrior(GridFunction):
    """Torque of a simulated grid, interpolated.

    Parameters
    ----------
    grid
        With the dimensions rpm, load, icl, ecl and the variable `torque` [N·m], nan where a point did not settle.

    Attributes
    ----------
    axes
        Four rising arrays.
    best
        The greatest torque of the grid [N·m].

    Raises
    ------
    InputError
        For a data set without these, axes that do not rise, and a grid where no point settled or made torque.

    Examples
    --------
    >>> axes = {"rpm": [2e3, 4e3], "load": [50.0, 100.0], "icl": [100.0, 110.0, 120.0], "ecl": [110.0]}
    >>> values = np.array([0.0, 1.0, 4.0])[:, None] + np.array([10.0, 20.0])[:, None, None, None] + np.zeros((2, 1, 1))
    >>> prior = GridPrior(xr.Dataset({"torque": (tuple(axes), values.reshape(2, 2, 3, 1))}, axes))
    >>> prior.at([[3e3, 75.0, 105.0, 110.0], [3e3, 75.0, 121.0, 110.0]])  # a parabola over icl; outside the axis
    array([15.25,   nan])
    """

    best: float

    def __init__(self, grid: xr.Dataset) -> None:
        if "torque" not in grid or set(grid["torque"].dims) != set(AXES) or not set(AXES) <= set(grid.coords):
            raise InputError.one(
                f"no torque over {', '.join(AXES)}", hint="give a grid made by the simulation", where="simulated grid"
            )
        torque = np.array(grid["torque"].transpose(*AXES), dtype=np.float64)
        axes = tuple(np.array(grid[name], dtype=np.float64) for name in AXES)
        for name, axis in zip(AXES, axes, strict=True):
            if not (np.isfinite(axis).all() and axis.size and (np.diff(axis) > 0).all()):
                raise InputError.one(f"the {name} axis does not rise", hint="sort it and drop doubles",
                                     where="simulated grid")  # fmt: skip
        settled = np.isfinite(torque)
        if not settled.any():
            raise InputError.one(
                "no point of it settled",
                hint="check the dimensions under [cycle]: the engine they describe does not run",
                where="simulated grid",
            )
        self.best = float(torque[settled].max())
        if self.best <= 0.0:
            raise InputError.one(
                "no point of it makes torque",
                hint="check the dimensions under [cycle]: the engine they describe does not run",
                where="simulated grid",
            )
        super().__init__(torque, axes)

    @classmethod
    def of(cls, grid: xr.Dataset, name: str) -> "GridPrior":
        """The same for another variable of a simulated grid, in its own unit."""
        return cls(grid[[name]].rename({name: "torque"}) if name != "torque" else grid)


def _pair_weights(axes: Sequence[FloatArray], points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weight of each pair of nodes of two axes at points (n, 2), and 1 where the pair is a corner: each (n, nodes).

    Outside the axes the weights are nan.
    """
    (w0, c0), (w1, c1) = (_weights(axis, points[:, k]) for k, axis in enumerate(axes))
    shape = (len(points), axes[0].size * axes[1].size)
    return (w0[:, :, None] * w1[:, None, :]).reshape(shape), (c0[:, :, None] * c1[:, None, :]).reshape(shape)


def _weights(axis: FloatArray, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights of an axis' nodes at points (n,), which sum to 1, and 1 at the nodes around each point: each (n, nodes).

    >>> w, corners = _weights(np.arange(4.0), np.array([1.5, 2.0]))
    >>> w.tolist(), corners.tolist()
    ([[-0.0625, 0.5625, 0.5625, -0.0625], [0.0, 0.0, 1.0, 0.0]], [[0.0, 1.0, 1.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    """
    tolerance = TOLERANCE * (np.ptp(axis) or max(1.0, abs(axis[0])))
    outside = ~((x >= axis[0] - tolerance) & (x <= axis[-1] + tolerance))
    rows = np.arange(len(x))
    nearest = np.abs(np.where(outside, axis[0], x)[:, None] - axis).argmin(axis=1)
    x = np.where(np.abs(x - axis[nearest]) <= tolerance, axis[nearest], x)
    weights, corners = np.zeros((len(x), axis.size)), np.zeros((len(x), axis.size))
    if axis.size == 1:
        weights[:], corners[:] = 1.0, 1.0
    else:
        i = np.clip(np.searchsorted(axis, np.where(outside, axis[0], x), side="right") - 1, 0, axis.size - 2)
        step = axis[i + 1] - axis[i]
        u = np.where(outside, 0.0, (x - axis[i]) / step)
        weights[rows, i] = 1.0 - 3.0 * u**2 + 2.0 * u**3
        weights[rows, i + 1] = 3.0 * u**2 - 2.0 * u**3
        slopes = _slopes(axis)
        weights += (u * (1.0 - u) ** 2 * step)[:, None] * slopes[i] - (u**2 * (1.0 - u) * step)[:, None] * slopes[i + 1]
        corners[rows, i], corners[rows, i + 1] = u < 1.0, u > 0.0
    weights[outside] = np.nan
    return weights, corners


def _slopes(axis: FloatArray) -> FloatArray:
    """The slope at each node as weights of the nodes (nodes, nodes): of the parabola through three, one-sided at ends.

    >>> (_slopes(np.array([0.0, 1.0, 3.0])) @ np.array([0.0, 1.0, 9.0])).round(12).tolist()  # of a square
    [0.0, 2.0, 6.0]
    """
    n = axis.size
    if n == 2:
        straight: FloatArray = np.array([[-1.0, 1.0], [-1.0, 1.0]]) / (axis[1] - axis[0])
        return straight
    result = np.zeros((n, n))
    for i in range(n):
        first = min(max(i - 1, 0), n - 3)
        a, b, c = axis[first : first + 3]
        at = axis[i]
        result[i, first : first + 3] = (
            (2 * at - b - c) / ((a - b) * (a - c)),
            (2 * at - a - c) / ((b - a) * (b - c)),
            (2 * at - a - b) / ((c - a) * (c - b)),
        )
    return result


def _filled_holes(torque: FloatArray, axes: Sequence[FloatArray]) -> FloatArray:
    """The grid with its holes on straight lines through their neighbours, averaged over the axes.

    Such a value never counts as torque: it keeps a slope beside a hole at what the settled nodes say.
    """
    filled = torque.copy()
    while np.isnan(filled).any():
        lines = np.stack([_fill_lines(filled, k, axis) for k, axis in enumerate(axes)])
        known = ~np.isnan(lines)
        hole = np.isnan(filled) & known.any(axis=0)
        if not hole.any():  # lone points only: none has a box of settled corners, so none has a slope
            return np.where(np.isnan(filled), np.nanmean(filled), filled)
        filled[hole] = (np.where(known, lines, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1))[hole]
    return filled


def _fill_lines(torque: FloatArray, k: int, axis: FloatArray) -> FloatArray:
    """Holes of each line along axis `k` on the straight line through their nearest two settled nodes; nan with one."""
    lines = np.moveaxis(torque, k, -1).copy()
    flat = lines.reshape(-1, axis.size)
    known = (~np.isnan(flat)).sum(axis=1)
    for number in np.flatnonzero((known >= 2) & (known < axis.size)):
        line = flat[number]
        settled = np.flatnonzero(~np.isnan(line))
        holes = np.flatnonzero(np.isnan(line))
        after = np.clip(np.searchsorted(settled, holes), 1, settled.size - 1)
        a, b = settled[after - 1], settled[after]
        line[holes] = line[a] + (line[b] - line[a]) * (axis[holes] - axis[a]) / (axis[b] - axis[a])
    return np.moveaxis(lines, -1, k)
