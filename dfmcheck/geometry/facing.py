"""Local width of an image: where two stretches of its outline face each other through it.

The width at a place is the diameter of a disc inside the image that touches the outline at
two opposite points. Such places are stationary: either two parallel straight stretches, or at
least one of the two points is a reflex corner (a concave curve is a row of them). Both are
looked for on the merged image, so that necks where a region, a clear object or a shallow
overlap bites are found whatever drew them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.budget import NEAR
from dfmcheck.geometry.edges import CHORD_ERROR, STRIDE
from dfmcheck.geometry.facets import ASKEW, Facets, directions, dot, outline_of
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.rows import repeats, run_starts
from dfmcheck.geometry.segments import closest_on_segment, points_to_segments

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_STRAIGHT = 1e-3  # rad; a smaller turn is rounding on a straight line
_CURVE = np.radians(30)  # a convex turn below this belongs to a round outline
_SLACK = 0.02  # how far off the normal a stationary point may lie, as a cosine
_STEP, _BATCH = 80_000, 4_000_000  # rows, and about how many pairs, looked at in one go
_DISCS = 10_000  # the same, of discs that may hold much


@dataclass(frozen=True, slots=True)
class Widths:
    """Places where the image is narrow: value and the two outline points, (n,) and (n, 2)."""

    value: Floats
    p: Floats
    q: Floats
    part: Rows

    def __len__(self) -> int:
        return len(self.value)

    def take(self, rows: npt.NDArray[Any]) -> Widths:
        rows = np.asarray(rows)
        if rows.dtype == np.bool_:
            rows = np.flatnonzero(rows)
        p, q = self.p.take(rows, axis=0), self.q.take(rows, axis=0)
        return Widths(self.value[rows], p, q, self.part[rows])

    @classmethod
    def concat(cls, tables: list[Widths]) -> Widths:
        if not tables:
            return cls(np.empty(0), np.empty((0, 2)), np.empty((0, 2)), np.empty(0, dtype=np.intp))
        return cls(
            *(np.concatenate([getattr(t, n) for t in tables]) for n in ("value", "p", "q", "part"))
        )


def narrow_places(
    parts: npt.NDArray[Any],
    reach: float,
    *,
    void: bool = False,
    label: npt.NDArray[Any] | None = None,
) -> Widths:
    """Places where the image, or the void between its outlines, is no wider than ``reach``.

    Parameters
    ----------
    parts : array of Polygon
        Merged image; empty gives no places.
    reach : float, mm
    void : bool
        Look at the free space beside the parts, not at the parts.
    label : array (n,), optional
        With ``void``: space between parts of one label counts, e.g. their net.
    """
    if len(parts) == 0:
        return Widths.concat([])
    outline = outline_of(parts)
    labels, asked = outline.part, np.ones(len(outline), dtype=np.bool_)
    if void:
        owner = np.arange(len(parts)) if label is None else label
        labels, asked = owner[outline.part], _beside(parts, outline, owner, reach)[outline.part]
        outline = outline.turned()
    found = [_corners(outline, labels, reach, asked), _parallels(outline, labels, reach, asked)]
    widths = Widths.concat(found)
    widths = widths.take(_one_per_place(widths, 0.02))
    return widths.take(_is_free(widths, outline, void))


def _beside(
    parts: npt.NDArray[Any], outline: Facets, label: npt.NDArray[Any], reach: float
) -> Bools:
    """Parts with a void beside them that parts of their label bound on both sides, maybe: not
    those that are all but convex and have no other of their label within ``reach``, (parts,)."""
    out = np.bincount(outline.part, np.minimum(outline.turn, 0), len(parts)) < -_CURVE
    x0, y0, x1, y1 = shapely.bounds(parts).T
    one, other = BoxIndex(x0, y0, x1, y1).query(x0 - reach, y0 - reach, x1 + reach, y1 + reach)
    out[one[(one != other) & (label[one] == label[other])]] = True
    return np.asarray(out)


def _in_order(outline: Facets, one: Rows, other: Rows) -> Rows:
    """Order by both rows, seen from outside the other way round: of several equal places the
    first on the way along the outline is told, whatever order an index finds them in."""
    key = one << 32 | other
    return np.argsort(-key if outline.outside else key, kind="stable")


def _stationary(u: Floats, outline: Facets, vertex: Rows) -> Bools:
    """Whether a reflex vertex (start of facet ``vertex``) is nearest in direction ``u``."""
    before = outline.previous[vertex]
    return np.asarray(
        (dot(u, outline.d.take(before, axis=0)) >= -_SLACK)
        & (dot(u, outline.d.take(vertex, axis=0)) <= _SLACK)
        # Of the two opposite cones in which neither side comes nearer, the one that looks in;
        # at the tip of a spike without width both normals cancel out, and rounding is left.
        & (dot(u, outline.n.take(before, axis=0) + outline.n.take(vertex, axis=0)) > -1e-9)
    )


def _corners(outline: Facets, label: npt.NDArray[Any], reach: float, asked: Bools) -> Widths:
    """Reflex corners against facets and against each other, those ``asked`` for."""
    corners = np.flatnonzero(asked & (outline.turn < -_STRAIGHT))
    return Widths.concat(
        [_corner_block(outline, label, reach, rows) for rows in _blocks(outline, corners, reach)]
    )


def _blocks(outline: Facets, rows: Rows, reach: float) -> list[Rows]:
    """Rows in blocks, on the way along the outline; as few as fit in memory."""
    step = _STEP
    if reach > NEAR:  # as far as that they are counted as a layer is read
        some = rows[:: len(rows) // 200 + 1]
        a, b = outline.a.take(some, axis=0), outline.b.take(some, axis=0)
        near = len(outline.query(np.minimum(a, b) - reach, np.maximum(a, b) + reach)[0])
        step = min(_STEP, int(_BATCH * len(some) / max(near, 1)) + 1)
    blocks = [rows[s : s + step] for s in range(0, len(rows), step)]
    return blocks[::-1] if outline.outside else blocks


def _corner_block(outline: Facets, label: npt.NDArray[Any], reach: float, rows: Rows) -> Widths:
    # A reflex corner only sees what its two normals span: search that side alone. The arc
    # between them bulges out beyond both.
    n0 = outline.n.take(outline.previous.take(rows), axis=0)
    n1 = outline.n.take(rows, axis=0)
    turn, looks = outline.turn.take(rows), outline.angle.take(rows)
    bulge = (reach * (_SLACK + 1 - np.cos(turn / 2)))[:, None]
    v = outline.a.take(rows, axis=0)
    of, facet = outline.query(
        v + np.minimum(np.minimum(n0, n1), 0) * reach - bulge,
        v + np.maximum(np.maximum(n0, n1), 0) * reach + bulge,
        directions(looks - ASKEW, looks - turn + ASKEW),
    )
    vertex = rows.take(of)
    keep = np.flatnonzero(label.take(vertex) == label.take(facet))
    vertex, facet = vertex.take(keep), facet.take(keep)
    # The facet must face the corner, and neither be one of its own two.
    p, a = outline.a.take(vertex, axis=0), outline.a.take(facet, axis=0)
    toward = dot(p - a, outline.n.take(facet, axis=0))
    own = (facet == vertex) | (facet == outline.previous.take(vertex))
    keep = np.flatnonzero((toward > 0) & (toward <= reach) & ~own)
    vertex, facet = vertex.take(keep), facet.take(keep)
    p, a = p.take(keep, axis=0), a.take(keep, axis=0)
    b = outline.b.take(facet, axis=0)
    q = np.stack(closest_on_segment(p[:, 0], p[:, 1], a[:, 0], a[:, 1], b[:, 0], b[:, 1]), axis=-1)
    gap = q - p
    value = np.hypot(gap[:, 0], gap[:, 1])
    keep = np.flatnonzero((value > 1e-6) & (value <= reach))
    vertex, facet, p, q = vertex[keep], facet[keep], p.take(keep, axis=0), q.take(keep, axis=0)
    value, u = value[keep], gap.take(keep, axis=0) / value[keep, None]
    keep = np.flatnonzero(_stationary(u, outline, vertex))
    vertex, facet, value = vertex[keep], facet[keep], value[keep]
    p, q, u = p.take(keep, axis=0), q.take(keep, axis=0), u.take(keep, axis=0)
    off_a, off_b = (
        np.abs(q - outline.a.take(facet, axis=0)),
        np.abs(q - outline.b.take(facet, axis=0)),
    )
    at_a = np.maximum(off_a[:, 0], off_a[:, 1]) < 1e-9
    at_b = np.maximum(off_b[:, 0], off_b[:, 1]) < 1e-9
    end = np.where(at_b, outline.next[facet], facet)
    end_ok = (outline.turn[end] < _STRAIGHT) & _stationary(-u, outline, end)
    keep = np.flatnonzero(~(at_a | at_b) | end_ok)
    keep = keep[_in_order(outline, vertex[keep], facet[keep])]
    p, q = p.take(keep, axis=0), q.take(keep, axis=0)
    return Widths(value[keep], p, q, outline.part[vertex[keep]])


def _parallels(outline: Facets, label: npt.NDArray[Any], reach: float, asked: Bools) -> Widths:
    """Straight stretches that run parallel, inside between them, those ``asked`` for."""
    end_turn = outline.turn[outline.next]
    round_outline = (
        (outline.turn > _STRAIGHT) & (outline.turn < _CURVE)
        & (end_turn > _STRAIGHT) & (end_turn < _CURVE)
        & (outline.length <= 1.5 * np.maximum(
            outline.length[outline.previous], outline.length[outline.next]
        ))
        & ~outline.small_part(2 * reach)
    )  # fmt: skip
    # Short facets between reflex corners are covered by the corners.
    hollow = (outline.turn < -_STRAIGHT) & (end_turn < -_STRAIGHT)
    candidate = asked & ~round_outline & ~hollow & (outline.length > 1e-4)
    return Widths.concat(
        [
            _parallel_block(outline, label, reach, rows, candidate)
            for rows in _blocks(outline, np.flatnonzero(candidate), reach)
        ]
    )


def _parallel_block(
    outline: Facets, label: npt.NDArray[Any], reach: float, rows: Rows, candidate: Bools
) -> Widths:
    side = outline.n.take(rows, axis=0) * reach
    a, b = outline.a.take(rows, axis=0), outline.b.take(rows, axis=0)
    low, high = np.minimum(a, b), np.maximum(a, b)
    looks = outline.angle.take(rows)
    of, other = outline.query(
        low + np.minimum(side, 0), high + np.maximum(side, 0), directions(looks, looks)
    )
    one = rows.take(of)
    once = ((one > other) if outline.outside else (one < other)) | ~candidate.take(other)
    keep = np.flatnonzero(once & (label.take(one) == label.take(other)))
    one, other = one.take(keep), other.take(keep)
    keep = np.flatnonzero(dot(outline.n.take(one, axis=0), outline.n.take(other, axis=0)) < -0.9999)
    one, other = one.take(keep), other.take(keep)
    away = outline.a.take(other, axis=0) - outline.a.take(one, axis=0)
    toward = dot(away, outline.n.take(one, axis=0))
    keep = np.flatnonzero((toward > 0) & (toward <= reach))
    one, other, away = one[keep], other[keep], away.take(keep, axis=0)
    d = outline.d.take(one, axis=0)
    t0, t1 = dot(away, d), dot(outline.b.take(other, axis=0) - outline.a.take(one, axis=0), d)
    low_t = np.maximum(np.minimum(t0, t1), 0.0)
    high_t = np.minimum(np.maximum(t0, t1), outline.length[one])
    keep = np.flatnonzero(high_t - low_t > 1e-5)
    keep = keep[_in_order(outline, one[keep], other[keep])]
    one, other = one[keep], other[keep]
    low_t, high_t = low_t[keep], high_t[keep]
    steps = np.ceil((high_t - low_t) / STRIDE).astype(np.intp)
    at, k = repeats(steps)
    t = low_t[at] + (high_t - low_t)[at] * (k + 0.5) / steps[at]
    one, other = one[at], other[at]
    middle = outline.a.take(one, axis=0) + outline.d.take(one, axis=0) * t[:, None]
    oa, ob = outline.a.take(other, axis=0), outline.b.take(other, axis=0)
    qx, qy = closest_on_segment(middle[:, 0], middle[:, 1], oa[:, 0], oa[:, 1], ob[:, 0], ob[:, 1])
    value = np.hypot(qx - middle[:, 0], qy - middle[:, 1])
    keep = np.flatnonzero((value > 1e-6) & (value <= reach))
    q = np.stack([qx[keep], qy[keep]], axis=-1)
    return Widths(value[keep], middle.take(keep, axis=0), q, outline.part[one[keep]])


def _one_per_place(widths: Widths, cell: float) -> Rows:
    """Rows of the narrowest place per part and square cell, by part and cell; of equally narrow
    ones the first."""
    if len(widths) == 0:
        return np.empty(0, dtype=np.intp)
    x, y = np.floor((widths.p + widths.q) / 2 / cell).astype(np.int64).T
    x, y = x - x.min(), y - y.min()
    key = (widths.part * (x.max() + 1) + x) * (y.max() + 1) + y
    order = np.argsort(key)
    starts = run_starts(key.take(order))
    opens, run = np.flatnonzero(starts), np.cumsum(starts) - 1
    value = widths.value.take(order)
    least = np.minimum.reduceat(value, opens)
    return np.minimum.reduceat(np.where(value == least.take(run), order, len(order)), opens)


def _is_free(widths: Widths, outline: Facets, void: bool) -> Bools:
    """Whether the disc on the measured line holds no other outline."""
    free = np.ones(len(widths), dtype=np.bool_)
    middle = (widths.p + widths.q) / 2
    radius = widths.value / 2
    inner = radius - np.minimum(np.maximum(2 * CHORD_ERROR, _SLACK * radius), radius / 2)
    low, high = middle - inner[:, None], middle + inner[:, None]
    for s in range(0, len(widths), _DISCS):
        of, facet = outline.query(low[s : s + _DISCS], high[s : s + _DISCS])
        of += s
        if not void:
            keep = np.flatnonzero(outline.part.take(facet) == widths.part.take(of))
            of, facet = of.take(keep), facet.take(keep)
        near = points_to_segments(middle, of, outline.segments, facet) < inner.take(of)
        free[of[near]] = False
    return free
