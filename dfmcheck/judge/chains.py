"""Points that hang together: neighbours of neighbours within a reach."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.groups import connected

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_SAMPLE = 16  # points of a cell tried in the first pass; the second pass tries all


def chains(key: Ints, x: Floats, y: Floats, reach: float) -> Ints:
    """Label points so that two share a label when a chain of steps ≤ ``reach`` joins them.

    Points lie in cells whose diagonal is the reach, so a cell is always one chain, and only
    cells up to two apart need comparing. Memory stays proportional to the number of points
    however dense they are, which listing all pairs within reach would not.

    Parameters
    ----------
    key : (n,) int
        Only points with the same key are joined.
    x, y : (n,) float
        mm. Points that are not finite are joined with each other, per key.
    reach : float
        mm.

    Returns
    -------
    (n,) int
        Labels from 0.

    Examples
    --------
    >>> chains(np.array([0, 0, 0, 1]), np.array([0, 0.9, 2.5, 0]), np.zeros(4), 1.0).tolist()
    [0, 0, 1, 2]
    """
    n = len(key)
    if n == 0:
        return np.zeros(0, dtype=np.int64)
    placed = np.isfinite(x) & np.isfinite(y)
    key = np.unique(key, return_inverse=True)[1].astype(np.int64) * 2 + ~placed
    x, y = np.where(placed, x, 0.0), np.where(placed, y, 0.0)
    # slightly smaller cells, so that rounding never puts two points beyond reach into one
    side = reach / np.sqrt(2.0) * (1 - 1e-9)
    column, row = _ranks(np.floor(x / side)), _ranks(np.floor(y / side))
    code = (key * (column.max() + 3) + column) * (row.max() + 3) + row
    cells, cell = np.unique(code, return_inverse=True)
    order = np.argsort(cell, kind="stable")
    start = np.searchsorted(cell[order], np.arange(len(cells) + 1))

    pairs = _neighbours(cells, int(row.max()) + 3)
    joined = pairs[_touch(pairs, order, start, x, y, reach)]

    def components(edges: Ints) -> Ints:
        return connected(len(cells), edges[:, 0], edges[:, 1]).astype(np.int64)

    label = components(joined)
    count = np.diff(start)
    open_ = (count[pairs] > _SAMPLE).any(axis=1) & (label[pairs[:, 0]] != label[pairs[:, 1]])
    if open_.any():
        more = [p for p in pairs[open_] if _touch_exactly(p, order, start, x, y, reach)]
        if more:
            label = components(np.vstack([joined, np.array(more)]))
    by_point: Ints = label[cell]
    return by_point


def _ranks(cell: npt.NDArray[Any]) -> Ints:
    """Renumber cell coordinates; gaps of more than two cells shrink to three."""
    values, index = np.unique(cell, return_inverse=True)
    steps = np.minimum(np.diff(values), 3).astype(np.int64)
    rank = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(steps)])
    return np.asarray(rank[index], dtype=np.int64)


def _neighbours(cells: Ints, height: int) -> Ints:
    """Pairs of occupied cells up to two apart; code differences never wrap to another key or
    column because both have a margin of three empty cells."""
    found = []
    for dx in range(3):
        for dy in range(-2, 3):
            if dx == 0 and dy <= 0:
                continue
            other = cells + dx * height + dy
            at = np.searchsorted(cells, other)
            at[at == len(cells)] = 0
            hit = np.flatnonzero(cells[at] == other)
            found.append(np.column_stack([hit, at[hit]]))
    return np.concatenate(found).astype(np.int64)


def _touch(
    pairs: Ints, order: Ints, start: Ints, x: Floats, y: Floats, reach: float
) -> npt.NDArray[np.bool_]:
    """Whether sampled points of two cells come within reach; exact for small cells."""
    touches = np.zeros(len(pairs), dtype=bool)
    count = np.diff(start)
    for i in range(min(_SAMPLE, int(count.max()))):
        for j in range(min(_SAMPLE, int(count.max()))):
            todo = np.flatnonzero(~touches & (count[pairs[:, 0]] > i) & (count[pairs[:, 1]] > j))
            if not len(todo):
                break
            a, b = order[start[pairs[todo, 0]] + i], order[start[pairs[todo, 1]] + j]
            touches[todo] = np.hypot(x[a] - x[b], y[a] - y[b]) <= reach + 1e-9
    return touches


def _touch_exactly(
    pair: Ints, order: Ints, start: Ints, x: Floats, y: Floats, reach: float
) -> bool:
    from scipy.spatial import cKDTree

    a, b = (order[start[c] : start[c + 1]] for c in pair)
    few, many = (a, b) if len(a) < len(b) else (b, a)
    tree = cKDTree(np.column_stack([x[few], y[few]]))
    distance, _ = tree.query(np.column_stack([x[many], y[many]]), distance_upper_bound=reach + 1e-8)
    return bool(np.min(distance) <= reach + 1e-9)
