"""Gaps: free space between two outlines, measured exactly on edges."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.blocks import PAIRS, blocks, mean_near
from dfmcheck.geometry.edges import CHORD_ERROR, STRIDE, Edges
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.rows import repeats, run_starts
from dfmcheck.geometry.segments import closest_on_segment, closest_pairs, points_to_segments

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Pairs = tuple[Rows, Rows]
_SHARED = 0.05  # mm; shorter stretches that run parallel are one place
_WIDE = 0.5  # mm; half of a gap from which on the middle is looked at first
_TOUCHING = 1e-6  # mm; nearer than this parts are one component


@dataclass(frozen=True, slots=True)
class Gaps:
    """Pairs of edges with free space between them; arrays of equal length.

    ``a``, ``b`` are edge rows, ``value`` the distance of the outlines (negative when they
    overlap), ``p`` and ``q`` (n, 2) the outline points it lies between, ``error`` how far the
    true value may be off.
    """

    a: Rows
    b: Rows
    value: Floats
    p: Floats
    q: Floats
    error: Floats

    def __len__(self) -> int:
        return len(self.value)

    def take(self, rows: npt.NDArray[Any] | slice) -> Gaps:
        if isinstance(rows, slice):
            return Gaps(*(getattr(self, name)[rows] for name in _COLUMNS))
        rows = np.asarray(rows)
        if rows.dtype == np.bool_:
            if rows.all():
                return self  # mostly: a table may be of gigabytes
            rows = np.flatnonzero(rows)
        return Gaps(
            self.a[rows], self.b[rows], self.value[rows], self.p.take(rows, axis=0),
            self.q.take(rows, axis=0), self.error[rows],
        )  # fmt: skip

    @classmethod
    def concat(cls, tables: list[Gaps]) -> Gaps:
        if not tables:
            r = np.empty(0, dtype=np.intp)
            return cls(r, r, np.empty(0), np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
        return cls(*(np.concatenate([getattr(t, n) for t in tables]) for n in _COLUMNS))


class _Growing:
    """Gaps added one table after the other. A column grows where it lies, so that no two copies
    of gigabytes are held."""

    def __init__(self, first: Gaps | None = None) -> None:
        self.all = first or Gaps.concat([Gaps.concat([])])  # columns that are its own

    def add(self, more: Gaps) -> None:
        for name in _COLUMNS:
            column: npt.NDArray[Any] = getattr(self.all, name)
            n = len(column)
            column.resize((n + len(more), *column.shape[1:]), refcheck=False)
            column[n:] = getattr(more, name)


_COLUMNS = ("a", "b", "value", "p", "q", "error")


def outline_gap(first: Edges, a: Rows, second: Edges, b: Rows) -> Gaps:
    """Distance of the outlines of edges ``first[a]`` and ``second[b]``, row by row."""
    distance, p, q = closest_pairs(first.segments, a, second.segments, b)
    return _from_spines(first, a, second, b, distance, p, q, first.error[a] + second.error[b])


def _from_spines(
    first: Edges, a: Rows, second: Edges, b: Rows,
    distance: Floats, p: Floats, q: Floats, error: Floats,
) -> Gaps:  # fmt: skip
    """Gaps between outlines, of the nearest points of spines; ``p`` and ``q`` are moved."""
    ra, rb = first.r[a], second.r[b]
    safe = np.where(distance > 0, distance, 1.0)
    for axis in range(2):
        direction = (q[:, axis] - p[:, axis]) / safe
        p[:, axis] += direction * ra
        q[:, axis] -= direction * rb
    return Gaps(a, b, distance - ra - rb, p, q, error)


def along_parallels(gaps: Gaps, first: Edges, second: Edges) -> Gaps:
    """Gaps between parallel stretches, every ``STRIDE`` mm instead of at one arbitrary point.

    Two parallel edges are equally near all along; where other copper bridges them at one
    point, they still face each other elsewhere. Rows that are not parallel stay as they are.
    """
    rest = np.ones(len(gaps), dtype=np.bool_)
    spread: list[Gaps] = []
    for s in range(0, len(gaps), PAIRS):
        rows, along = _spread(gaps.take(slice(s, s + PAIRS)), first, second)
        if len(rows):
            rest[s + rows] = False
            spread.append(along)
    out = _Growing(gaps.take(rest))
    for along in spread:
        out.add(along)
    return out.all


def _spread(gaps: Gaps, first: Edges, second: Edges) -> tuple[Rows, Gaps]:
    """Rows of the gaps between parallel stretches, and what stands in their place."""
    long_a, long_b = first.length > _SHARED, second.length > _SHARED
    some = np.flatnonzero(long_a[gaps.a] & long_b[gaps.b])
    if len(some) == 0:
        return some, Gaps.concat([])
    sa = first.segments.take(gaps.a[some], axis=0)
    sb = second.segments.take(gaps.b[some], axis=0)
    u, v = sa[:, 2:] - sa[:, :2], sb[:, 2:] - sb[:, :2]
    lu, lv = np.hypot(*u.T), np.hypot(*v.T)
    d = u / lu[:, None]
    t0 = (sb[:, 0] - sa[:, 0]) * d[:, 0] + (sb[:, 1] - sa[:, 1]) * d[:, 1]
    t1 = (sb[:, 2] - sa[:, 0]) * d[:, 0] + (sb[:, 3] - sa[:, 1]) * d[:, 1]
    low, high = np.maximum(np.minimum(t0, t1), 0.0), np.minimum(np.maximum(t0, t1), lu)
    sine = np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]) / np.maximum(lu * lv, 1e-12)
    overlap = high - low
    # Parallel to within 0.05 µm over the stretch they share.
    rows = np.flatnonzero((sine * overlap <= 5e-5) & (sine < 0.01) & (overlap > _SHARED))
    if len(rows) == 0:
        return rows, Gaps.concat([])
    steps = np.ceil((high[rows] - low[rows]) / STRIDE).astype(np.intp) + 1
    row, k = repeats(steps)
    at = rows[row]
    # Half a step in from either end, where a joint most often bridges the pair.
    f = (k + 0.5) / steps[row]
    p = sa[at, :2] + d[at] * (low[at] + (high[at] - low[at]) * f)[:, None]
    q = np.stack(closest_on_segment(p[:, 0], p[:, 1], *sb[at].T), axis=-1)
    of = some[at]
    along = _from_spines(
        first, gaps.a[of], second, gaps.b[of], np.hypot(*(q - p).T), p, q, gaps.error[of]
    )
    return some[rows], along


def gaps_within(
    edges: Edges,
    reach: float,
    wanted: Callable[[Rows, Rows], npt.NDArray[np.bool_]],
    overlaps: bool = False,
    start: npt.NDArray[np.bool_] | None = None,
) -> Gaps:
    """All pairs of edges with gap ≤ ``reach`` for which ``wanted`` holds, each pair once.

    Pairs that touch or overlap are left out unless ``overlaps``. With ``start`` only pairs of
    which at least one edge is marked there are looked for.

    ``wanted(a, b)`` gets index arrays and returns a mask; it runs before any distance is
    worked out, so that it costs little to leave most pairs out.
    """
    if len(edges) < 2:
        return Gaps.concat([])
    marked = np.ones(len(edges), dtype=np.bool_) if start is None else start
    rows = np.flatnonzero(marked)
    found = _Growing()
    for block in blocks(len(rows), _near(edges.index, edges.take(rows), reach)):
        of, b = edges.index.query(*edges.take(rows[block]).bounds(reach))
        a = rows[block[of]]
        keep = (a < b) | ~marked[b]
        a, b = a[keep], b[keep]
        keep = wanted(a, b)
        a, b = _in_order(a[keep], b[keep])
        for t in range(0, len(a), PAIRS):
            gaps = outline_gap(edges, a[t : t + PAIRS], edges, b[t : t + PAIRS])
            keep = gaps.value <= reach
            found.add(gaps.take(keep if overlaps else keep & (gaps.value > 0)))
    return found.all


def _near(index: BoxIndex, edges: Edges, reach: float) -> Callable[[Rows], int]:
    """Counts the boxes near some of the edges."""
    return lambda rows: len(index.query(*edges.take(rows).bounds(reach))[0])


def candidate_pairs(edges: Edges, reach: float, start: npt.NDArray[np.bool_]) -> float:
    """Roughly how many pairs a search within ``reach`` would have to look at."""
    rows = np.flatnonzero(start)
    if len(rows) == 0:
        return 0.0
    return mean_near(len(rows), _near(edges.index, edges.take(rows), reach)) * len(rows)


def all_but_largest(group: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Marks every edge outside the most frequent group.

    Of two edges of different groups at least one is marked, so that a big pour's many edges
    need not start a search.
    """
    if len(group) == 0:
        return np.empty(0, dtype=np.bool_)
    if group.dtype.kind != "i":
        group = np.unique(group, return_inverse=True)[1]
    low = group.min()
    return np.asarray(group != low + np.argmax(np.bincount(group - low)))


def gaps_between(
    first: Edges,
    second: Edges,
    reach: float,
    wanted: Callable[[Rows, Rows], npt.NDArray[np.bool_]] | None = None,
) -> Gaps:
    """Pairs of an edge of ``first`` and one of ``second`` with gap ≤ ``reach``, overlaps too;
    only those for which ``wanted`` holds, as in :func:`gaps_within`."""
    if len(first) == 0 or len(second) == 0:
        return Gaps.concat([])
    found = _Growing()
    for rows in blocks(len(first), _near(second.index, first, reach)):
        a, b = second.index.query(*first.take(rows).bounds(reach))
        a = rows[a]
        if wanted is not None:
            keep = np.flatnonzero(wanted(a, b))
            a, b = a[keep], b[keep]
        a, b = _in_order(a, b)
        for t in range(0, len(a), PAIRS):
            gaps = outline_gap(first, a[t : t + PAIRS], second, b[t : t + PAIRS])
            found.add(gaps.take(gaps.value <= reach))
    return found.all


def _in_order(a: Rows, b: Rows) -> Pairs:
    """Pairs by their edges: of equally narrow gaps the first drawn is told, however found."""
    pairs = np.sort(a << 32 | b)
    return pairs >> 32, pairs & ((1 << 32) - 1)


def clear_of(
    gaps: Gaps, edges: Edges, parts: npt.NDArray[Any], apart: bool = False
) -> npt.NDArray[np.bool_]:
    """Which gaps are free space: nothing else of the image reaches into them.

    A gap counts when the disc on the measured line as diameter holds no other outline and its
    middle is not inside the image. Otherwise the pair is not the nearest pair at that place.

    ``apart``: both ends lie on outlines of the image, of components that do not touch. Copper
    over the middle then touches neither end, or only one of them, so that its outline crosses
    the line short of an end; where none does, the middle need not be asked for.
    """
    if len(gaps) == 0:
        return np.empty(0, dtype=np.bool_)
    middle = (gaps.p + gaps.q) / 2
    radius = gaps.value / 2
    slack = np.maximum(CHORD_ERROR + gaps.error, 0.02 * radius)
    # A gap of chord-error size must still be clear in its middle half.
    inner = radius - np.minimum(slack, 0.5 * radius)
    free, crossed = _unmet(edges, middle, inner, radius if apart else inner)
    asked = free & crossed if apart else free.copy()
    left = np.flatnonzero(asked)
    if len(left) and len(parts):
        shapely.prepare(parts)
        points = shapely.STRtree(shapely.points(middle.take(left, axis=0)))
        free[left[points.query(parts, predicate="intersects")[1]]] = False
    return free


def _unmet(
    edges: Edges, middle: Floats, inner: Floats, far: Floats
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Whether no outline reaches into the disc of radius ``inner`` round each point, and, where
    that is so, whether one reaches into that of ``far``.

    Round a wide gap, most of which hold something near their middle, one looks near it first.
    """
    free = np.ones(len(middle), dtype=np.bool_)
    crossed = np.zeros(len(middle), dtype=np.bool_)
    wide = np.flatnonzero(far > _WIDE)
    for near in (_WIDE / 4, _WIDE) if len(wide) else ():
        for rows in _blocks(edges, middle, wide, np.full(len(wide), near)):
            of, _, distance = _met(edges, middle, rows, near)
            free[of[distance < inner[of]]] = False
        wide = wide[free[wide]]
    left = np.flatnonzero(free)
    for rows in _blocks(edges, middle, left, far[left]):
        of, _, distance = _met(edges, middle, rows, far[rows])
        free[of[distance < inner[of]]] = False
        crossed[of[distance < far[of] - _TOUCHING]] = True
    return free, crossed


def _met(
    edges: Edges, points: Floats, rows: Rows, far: Floats | float
) -> tuple[Rows, Rows, Floats]:
    """Rows of points and edges near each other, and how far the outline is from the point."""
    x, y = points.take(rows, axis=0).T
    of, edge = edges.index.at(x, y, far)
    of = rows[of]
    return of, edge, points_to_segments(points, of, edges.segments, edge) - edges.r[edge]


def _blocks(edges: Edges, points: Floats, rows: Rows, far: Floats) -> Iterator[Rows]:
    """The rows in blocks, each near about as many edges as are looked at at a time."""

    def near(some: Rows) -> int:
        x, y = points.take(rows[some], axis=0).T
        return len(edges.index.at(x, y, far[some])[0])

    return (rows[block] for block in blocks(len(rows), near))


def thin(gaps: Gaps, key: npt.NDArray[Any], cell: float, order: Floats | None = None) -> Rows:
    """Rows of the narrowest gap per key and square cell of ``cell`` mm (by its middle), of
    equally narrow ones the first."""
    return _narrowest(_places(gaps, key, cell), gaps.value if order is None else order)


def thin_free(
    gaps: Gaps, key: npt.NDArray[Any], piece: npt.NDArray[Any], cell: float,
    free: Callable[[Gaps], npt.NDArray[np.bool_]],
) -> Rows:  # fmt: skip
    """:func:`thin` of the gaps that are ``free``, which takes long to tell.

    Mostly the narrowest is. Where it is not, the others of its place are looked at too, the
    narrowest per ``piece``: one that lies hidden cannot stand for one that is free.

    Parameters
    ----------
    key, piece : int (n,)
        Gaps of one piece are of one key.
    """
    place = _places(gaps, key, cell)
    rows = _narrowest(place, gaps.value)
    is_free = free(gaps.take(rows))
    hidden = np.zeros(len(rows), dtype=np.bool_)
    hidden[place[rows[~is_free]]] = True
    rest = np.flatnonzero(hidden[place])
    rest = rest[thin(gaps.take(rest), piece[rest], cell)]
    rest = rest[free(gaps.take(rest))]
    rest = rest[thin(gaps.take(rest), key[rest], cell)]
    return np.sort(np.concatenate([rows[is_free], rest]))


def _places(gaps: Gaps, key: npt.NDArray[Any], cell: float) -> Rows:
    """Number of the key and square cell (by its middle) of every gap, from 0."""
    if len(gaps) == 0:
        return np.empty(0, dtype=np.intp)
    x, y = np.empty((2, len(gaps)), dtype=np.int32)
    for s in range(0, len(gaps), PAIRS):
        part = slice(s, s + PAIRS)
        x[part], y[part] = np.floor((gaps.p[part] + gaps.q[part]) / 2 / cell).T
    # One number for key and cell, sorted once: summed, as exclusive-or gives cells opposite each
    # other the same. Two alike by chance (once in 10⁹ tables) would list a place twice.
    mixed = key.astype(np.uint64) * _MIX[0]
    mixed += x.astype(np.uint64) * _MIX[1]
    mixed += y.astype(np.uint64) * _MIX[2]
    by = np.argsort(mixed)
    del mixed
    place = np.empty(len(gaps), dtype=np.intp)
    place[by] = np.cumsum(run_starts(key[by], x[by], y[by])) - 1
    return place


def _narrowest(place: Rows, value: Floats) -> Rows:
    """First row of the least value of every place, ascending."""
    least = np.full(int(place.max(initial=-1)) + 1, np.inf)
    np.minimum.at(least, place, value)
    last_to_first = np.flatnonzero(value == least[place])[::-1]
    row = np.full(len(least), -1, dtype=np.intp)
    row[place[last_to_first]] = last_to_first
    return np.sort(row[row >= 0])


_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], dtype=np.uint64)
