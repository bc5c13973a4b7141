"""What readings tell of every cell with every label, through few columns instead of one for each pair.

Known of a place is `|A r|²`, r its correlation with the readings, a product of a cell's part and a label's part. Parts
are smooth, so a few columns make up those of all cells, and a few those of all labels; products of the two, of which
most are negligible, make up r. So the costly solution is for those alone, and a cell is then a small symmetric matrix
over the label columns. Which are negligible is tried, not guessed: at places drawn with a fixed seed the deviation
from the few columns is held against the exact one, and more columns are taken until it agrees.

Source of the columns: Halko, Martinsson and Tropp, Finding structure with randomness, SIAM Review 53 (2011), algorithm
4.4 (from memory); a random projection with a fixed seed. The rest is ours.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from phaseopt.surrogate.kernels import Array

Places = NDArray[np.intp]
Solve = Callable[[Array], Array]  # from columns (p, m) to columnsᵀ A (m, k)
Deviations = Callable[[Array, Places, Places], Array]  # from |A r|² at pairs of cell and label, which are given too

WORTH_IT = 5e10  # multiplications of the plain way, about a second; a smaller job stays exact
TRIED = (25, 16)  # cells, and labels of each, at which the deviation is held against the exact one
BELOW, ABOVE = 0.005, 0.02  # how far it may be off there, as shares of itself
TOLERANCES = (1e-6, 1e-7, 3e-8, 1e-8, 1e-9)  # products below this share of the largest are left off
_BLOCK = 8_000_000  # numbers in one working array (64 MB)
_MOST = 50_000_000  # numbers in the solved columns (400 MB)


def known(solve: Solve, deviations: Deviations, by_cell: Array, by_label: Array) -> Array | None:
    """`|A r|²` of every cell with every label (c, l), or None where the plain way costs less.

    Parameters: `solve` applies A; `deviations` turns what is known at some pairs (s,) into standard deviations, which
    must agree with the exact ones; `by_cell` (p, c) and `by_label` (p, l), the factors of r.

    >>> axis = np.linspace(0.0, 1.0, 2000)
    >>> by_cell, by_label = (np.exp(-((axis[:, None] - np.linspace(0.0, 1.0, n)) ** 2)) for n in (30, 500))
    >>> found = known(lambda c: c.T.copy(), lambda k, i, j: np.sqrt(2000.0 - k), by_cell, by_label)
    >>> bool(abs(found - (by_cell**2).T @ by_label**2).max() < 1e-3 * found.max())
    True
    """
    if float(len(by_cell)) ** 2 * by_cell.shape[1] * by_label.shape[1] < WORTH_IT:
        return None
    product = _agreeing(solve, deviations, by_cell, by_label)
    if product is None:
        return None
    cell, label, depth = product.cell, product.label, product.depth
    cells, labels, wide = by_cell.shape[1], by_label.shape[1], len(depth)
    columns = [cell.columns[:, :k] * label.columns[:, [i]] for i, k in enumerate(depth)]
    solved = solve(np.asfortranarray(np.concatenate(columns, axis=1)))
    result = np.empty((cells, labels))
    for part in _blocks(cells, wide * solved.shape[1]):
        for i, forms in zip(range(part.start, part.stop), product.of_cells(solved, part), strict=True):
            result[i] = np.einsum("ij,ij->j", label.values, (forms @ forms.T) @ label.values)
    return result


@dataclass(frozen=True, eq=False)
class Compressed:
    """A matrix (p, m) as orthonormal `columns` (p, q) times `values` (q, m); `sizes` (q,) falling singular values."""

    columns: Array
    values: Array
    sizes: Array


@dataclass(frozen=True, eq=False)
class _Product:
    """The correlations as sums of products: with label column i, the first `depth[i]` cell columns."""

    cell: Compressed
    label: Compressed
    depth: Places

    def at(self, i: int, labels: Places) -> Array:
        """The correlations (p, s) of cell i with some labels, as these columns have them."""
        parts = np.cumsum(self.cell.columns * self.cell.values[:, i], axis=1)[:, self.depth - 1]
        result: Array = (parts * self.label.columns) @ self.label.values[:, labels]
        return result

    def costs(self) -> float:
        """Multiplications to solve its columns and to read every cell and label off them; infinite if too large."""
        count, wide, places = float(self.depth.sum()), float(len(self.depth)), float(len(self.cell.columns))
        cells, labels = float(self.cell.values.shape[1]), float(self.label.values.shape[1])
        if count * places > _MOST:
            return math.inf
        return count * (places * places + 2.0 * places * cells) + cells * wide * wide * (places + labels)

    def of_cells(self, solved: Array, part: slice) -> Array:
        """The solved label columns of some cells (cells, label columns, k), cell columns summed by their values."""
        values = self.cell.values[:, part]
        result = np.empty((values.shape[1], len(self.depth), solved.shape[1]))
        first = 0
        for i, k in enumerate(self.depth):
            result[:, i] = values[:k].T @ solved[first : first + k]
            first += k
        return result


def compressed(matrix: Array, tolerance: float) -> Compressed:
    """The columns that make up a matrix but for singular values below `tolerance` times the largest.

    >>> found = compressed(np.outer(np.arange(1.0, 5.0), np.arange(1.0, 4.0)), 1e-9)
    >>> found.columns.shape, (found.columns @ found.values).round(6)[3]
    ((4, 1), array([ 4.,  8., 12.]))
    """
    p, m = matrix.shape
    count = min(256, p, m)
    while True:
        sketch = np.linalg.qr(matrix @ np.random.default_rng(0).standard_normal((m, count)))[0]
        turn, sizes, directions = np.linalg.svd(sketch.T @ matrix, full_matrices=False)
        enough = int(np.count_nonzero(sizes > tolerance * sizes[0]))
        if enough < 0.8 * count or count == min(p, m):  # the last of a random projection's are not to be trusted
            return Compressed(sketch @ turn[:, :enough], sizes[:enough, None] * directions[:enough], sizes[:enough])
        count = min(2 * count, p, m)


def _agreeing(solve: Solve, deviations: Deviations, by_cell: Array, by_label: Array) -> _Product | None:
    """The fewest columns whose deviations agree with the exact ones at the places tried.

    None where the plain way costs less than so many columns, or where none agree.
    """
    rng = np.random.default_rng(1)
    i, j = rng.integers(by_cell.shape[1], size=TRIED[0]), rng.integers(by_label.shape[1], size=TRIED)
    plain = float(len(by_cell)) ** 2 * by_cell.shape[1] * by_label.shape[1]

    def deviation(parts: list[Array]) -> Array:
        solved = solve(np.asfortranarray(np.concatenate(parts, axis=1)))
        return deviations((solved**2).sum(axis=1), np.repeat(i, TRIED[1]), j.ravel())

    exact = deviation([by_cell[:, [a]] * by_label[:, b] for a, b in zip(i, j, strict=True)])
    cell = compressed(by_cell, TOLERANCES[-1])
    for tolerance in TOLERANCES:
        product = _pruned(cell, compressed(by_label, tolerance), tolerance)
        if 1.5 * product.costs() > plain:
            return None
        off = deviation([product.at(a, b) for a, b in zip(i, j, strict=True)]) / exact - 1.0
        if np.nanmin(off) >= -BELOW and np.nanmax(off) <= ABOVE:
            return product
    return None


def _pruned(cell: Compressed, label: Compressed, tolerance: float) -> _Product:
    share = np.outer(label.sizes / label.sizes[0], cell.sizes / cell.sizes[0])
    return _Product(cell, label, np.count_nonzero(share > tolerance, axis=1))


def _blocks(count: int, height: int) -> Iterator[slice]:
    width = max(1, _BLOCK // max(1, height))
    for start in range(0, count, width):
        yield slice(start, min(start + width, count))
