"""Points that hang together: neighbours of neighbours within a reach."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.rows import repeats

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_FEW = 256  # pairs of points of two cells that are simply all tried
_AT_ONCE = 4096  # pairs of cells, so a million pairs of points at most
_SLACK = 1e-9  # mm, for the rounding of a distance
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
    first, second = order.take(start.take(a)), order.take(start.take(b))
    near = np.hypot(x[first] - x[second], y[first] - y[second]) <= reach + _SLACK
    label = connected(len(cells), a[near], b[near])
    # where the first points of two cells lie too far apart, the others decide
    pairs = np.diff(start).take(a) * np.diff(start).take(b)
    open_ = np.flatnonzero((pairs > 1) & (label.take(a) != label.take(b)))
    if len(open_):
        few, many = open_[pairs[open_] <= _FEW], open_[pairs[open_] > _FEW]
        near[few] = _touch(a[few], b[few], order, start, x, y, reach)
        label = connected(len(cells), a[near], b[near])
        for k in many[label[a[many]] != label[b[many]]]:
            near[k] = _touch_exactly((a[k], b[k]), order, start, x, y, reach)
        if len(many):
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
    """Whether any two points of two cells come within reach; all pairs, some cells at a time."""
    touches = np.zeros(len(a), dtype=bool)
    count = np.diff(start)
    for s in range(0, len(a), _AT_ONCE):
        some_a, some_b = a[s : s + _AT_ONCE], b[s : s + _AT_ONCE]
        wide = count.take(some_b)
        of, number = repeats(count.take(some_a) * wide)
        i, j = np.divmod(number, wide.take(of))
        p = order.take(start.take(some_a).take(of) + i)
        q = order.take(start.take(some_b).take(of) + j)
        near = np.hypot(x[p] - x[q], y[p] - y[q]) <= reach + _SLACK
        touches[s + of[near]] = True
    return touches


def _touch_exactly(
    pair: tuple[int, int], order: Ints, start: Ints, x: Floats, y: Floats, reach: float
) -> bool:
    from scipy.spatial import cKDTree

    a, b = (order[start[c] : start[c + 1]] for c in pair)
    few, many = (a, b) if len(a) < len(b) else (b, a)
    tree = cKDTree(np.column_stack([x[few], y[few]]))
    distance, _ = tree.query(
        np.column_stack([x[many], y[many]]), distance_upper_bound=reach + 10 * _SLACK
    )
    return bool(np.min(distance) <= reach + _SLACK)
