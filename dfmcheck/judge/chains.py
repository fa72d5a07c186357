"""Points that hang together: neighbours of neighbours within a reach."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.groups import connected

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_SAMPLE = 16  # points of a cell tried in the first pass; the second pass tries all
_FAR = 2**18  # cells; more than any board is wide


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
    if key.min() < 0 or key.max() > 4 * n:  # few numbers for few keys, lest a code overflows
        key = np.unique(key, return_inverse=True)[1].astype(np.int64)
    key = key * 2 + ~placed
    x, y = np.where(placed, x, 0.0), np.where(placed, y, 0.0)
    # slightly smaller cells, so that rounding never puts two points beyond reach into one
    side = reach / np.sqrt(2.0) * (1 - 1e-9)
    column, row = _steps(np.floor(x / side)), _steps(np.floor(y / side))
    height = int(row.max()) + 3
    code = (key * (column.max() + 3) + column) * height + row
    order = np.argsort(code)
    ordered = code.take(order)
    new = np.concatenate([[True], ordered[1:] != ordered[:-1]])
    start = np.flatnonzero(new)
    cells, start = ordered.take(start), np.append(start, n)

    a, b = _neighbours(cells, height)
    near = _touch(a, b, order, start, x, y, reach)
    label = connected(len(cells), a[near], b[near])
    crowded = np.diff(start) > _SAMPLE
    open_ = np.flatnonzero((crowded[a] | crowded[b]) & (label[a] != label[b]))
    more = [k for k in open_ if _touch_exactly((a[k], b[k]), order, start, x, y, reach)]
    if more:
        near[more] = True
        label = connected(len(cells), a[near], b[near])
    by_point = np.empty(n, dtype=np.int64)
    by_point[order] = label.take(np.cumsum(new) - 1)
    return by_point


def _steps(cell: Floats) -> Ints:
    """Renumber cell coordinates from 0. Where they reach far, gaps of more than two cells shrink
    to three, so that a code of three such numbers never overflows."""
    cell = cell - cell.min()
    if cell.max() < _FAR:
        return cell.astype(np.int64)
    values, index = np.unique(cell, return_inverse=True)
    steps = np.minimum(np.diff(values), 3).astype(np.int64)
    rank = np.concatenate([np.zeros(1, dtype=np.int64), np.cumsum(steps)])
    return np.asarray(rank[index], dtype=np.int64)


def _neighbours(cells: Ints, height: int) -> tuple[Ints, Ints]:
    """Pairs of occupied cells up to two apart; code differences never wrap to another key or
    column because both have a margin of three empty cells."""
    beyond = np.append(cells, np.iinfo(np.int64).max)
    row = np.arange(len(cells))
    found = []
    for across in range(3):
        # in one column the cells near lie side by side, so the first tells where the others are
        up_to = cells + (across * height + 2)
        at = np.searchsorted(cells, up_to - 4) if across else row + 1
        here = row
        while len(here):
            hit = np.flatnonzero(beyond.take(at) <= up_to.take(here))
            here, at = here.take(hit), at.take(hit)
            found.append((here, at))
            at = at + 1
    first, second = zip(*found, strict=True)
    return np.concatenate(first), np.concatenate(second)


def _touch(
    a: Ints, b: Ints, order: Ints, start: Ints, x: Floats, y: Floats, reach: float
) -> npt.NDArray[np.bool_]:
    """Whether sampled points of two cells come within reach; exact for small cells."""
    touches = np.zeros(len(a), dtype=bool)
    count = np.diff(start)
    count_a, count_b = count.take(a), count.take(b)
    for i in range(min(_SAMPLE, int(count.max()))):
        left = np.flatnonzero(~touches & (count_a > i))
        for j in range(min(_SAMPLE, int(count.max()))):
            left = left[~touches[left] & (count_b.take(left) > j)]
            if not len(left):
                break
            p, q = order.take(start.take(a[left]) + i), order.take(start.take(b[left]) + j)
            touches[left] = np.hypot(x[p] - x[q], y[p] - y[q]) <= reach + 1e-9
    return touches


def _touch_exactly(
    pair: tuple[int, int], order: Ints, start: Ints, x: Floats, y: Floats, reach: float
) -> bool:
    from scipy.spatial import cKDTree

    a, b = (order[start[c] : start[c + 1]] for c in pair)
    few, many = (a, b) if len(a) < len(b) else (b, a)
    tree = cKDTree(np.column_stack([x[few], y[few]]))
    distance, _ = tree.query(np.column_stack([x[many], y[many]]), distance_upper_bound=reach + 1e-8)
    return bool(np.min(distance) <= reach + 1e-9)
