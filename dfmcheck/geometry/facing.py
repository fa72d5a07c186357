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

from dfmcheck.geometry.edges import CHORD_ERROR, STRIDE
from dfmcheck.geometry.rows import run_starts
from dfmcheck.geometry.segments import closest_on_segment, closest_points

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_STRAIGHT = 1e-3  # rad; a smaller turn is rounding on a straight line
_CURVE = np.radians(30)  # a convex turn below this belongs to a round outline
_SLACK = 0.02  # how far off the normal a stationary point may lie, as a cosine
_STEP = 20_000


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
        return Widths(self.value[rows], self.p[rows], self.q[rows], self.part[rows])


class Outline:
    """Directed facets of all parts, the side looked at on the left, with turns at their ends.

    ``void`` looks at the outside of the parts instead of the inside. Facets whose parts share
    a ``label`` may face each other; by default each part is a label of its own.
    """

    def __init__(self, parts: npt.NDArray[Any], void: bool, label: npt.NDArray[Any]) -> None:
        oriented = shapely.orient_polygons(parts)
        rings, of_part = shapely.get_rings(oriented, return_index=True)
        coords, ring = shapely.get_coordinates(rings, return_index=True)
        if void:
            coords, ring = coords[::-1], ring[::-1]
            ring = ring[0] - ring
            of_part = of_part[::-1]
        keep = np.ones(len(coords), dtype=np.bool_)
        same = ring[1:] == ring[:-1]
        # Vertices closer than rounding would give facets of random direction.
        keep[1:] = ~(same & (np.abs(np.diff(coords, axis=0)).max(axis=1) < 1e-9))
        coords, ring = coords[keep], ring[keep]
        start = np.flatnonzero(ring[1:] == ring[:-1])
        self.a, self.b = coords[start], coords[start + 1]
        self.part: Rows = of_part[ring[start]]
        self.label = label[self.part]
        self.void = void
        ring = ring[start]
        n = len(start)
        first = np.searchsorted(ring, ring)
        last = np.searchsorted(ring, ring, side="right") - 1
        index = np.arange(n)
        self.next: Rows = np.where(index == last, first, index + 1)
        self.previous: Rows = np.where(index == first, last, index - 1)
        step = self.b - self.a
        self.length: Floats = np.hypot(step[:, 0], step[:, 1])
        self.d = step / np.where(self.length > 0, self.length, 1.0)[:, None]
        self.n = np.stack([-self.d[:, 1], self.d[:, 0]], axis=-1)
        before = self.d[self.previous]
        # Turn at the start of each facet, from the previous one; left (convex) positive.
        self.turn: Floats = np.arctan2(
            before[:, 0] * self.d[:, 1] - before[:, 1] * self.d[:, 0],
            (before * self.d).sum(axis=1),
        )

    def __len__(self) -> int:
        return len(self.a)

    def small_part(self, size: float) -> Bools:
        """Which facets belong to a part no larger than ``size``: a dot is narrow as a whole."""
        low = np.full((int(self.part.max(initial=-1)) + 1, 2), np.inf)
        high = -low
        np.minimum.at(low, self.part, self.a)
        np.maximum.at(high, self.part, self.a)
        return np.asarray(((high - low).max(axis=1) <= size)[self.part])

    def boxes(self, margin: float = 0.0, rows: Any = slice(None)) -> npt.NDArray[Any]:
        a, b = self.a[rows], self.b[rows]
        low, high = np.minimum(a, b) - margin, np.maximum(a, b) + margin
        return np.asarray(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))


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
        return _none()
    outline = Outline(parts, void, np.arange(len(parts)) if label is None else label)
    tree = shapely.STRtree(outline.boxes())
    found = [_corners(outline, tree, reach), _parallels(outline, tree, reach)]
    widths = Widths(
        *(np.concatenate([getattr(f, n) for f in found]) for n in ("value", "p", "q", "part"))
    )
    widths = widths.take(_one_per_place(widths, 0.02))
    return widths.take(_is_free(widths, outline, tree))


def _none() -> Widths:
    return Widths(np.empty(0), np.empty((0, 2)), np.empty((0, 2)), np.empty(0, dtype=np.intp))


def _stationary(u: Floats, outline: Outline, vertex: Rows) -> Bools:
    """Whether a reflex vertex (start of facet ``vertex``) is nearest in direction ``u``."""
    before, after = outline.previous[vertex], vertex
    return np.asarray(
        ((u * outline.d[before]).sum(axis=1) >= -_SLACK)
        & ((u * outline.d[after]).sum(axis=1) <= _SLACK)
        # Of the two opposite cones in which neither side comes nearer, the one that looks in.
        & ((u * (outline.n[before] + outline.n[after])).sum(axis=1) > 0)
    )


def _corners(outline: Outline, tree: shapely.STRtree, reach: float) -> Widths:
    """Reflex corners against facets and against each other."""
    corners = np.flatnonzero(outline.turn < -_STRAIGHT)
    out: list[Widths] = []
    for s in range(0, len(corners), _STEP):
        rows = corners[s : s + _STEP]
        v = outline.a[rows]
        # A reflex corner only sees what its two normals span: search that side alone.
        n0, n1 = outline.n[outline.previous[rows]] * reach, outline.n[rows] * reach
        low = np.minimum(v, np.minimum(v + n0, v + n1)) - _SLACK * reach
        high = np.maximum(v, np.maximum(v + n0, v + n1)) + _SLACK * reach
        wide = outline.turn[rows] < -0.5
        low[wide], high[wide] = v[wide] - reach, v[wide] + reach
        of, facet = tree.query(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
        vertex = rows[of]
        # The facet must face the corner, and neither be one of its own two.
        toward = ((outline.a[vertex] - outline.a[facet]) * outline.n[facet]).sum(axis=1)
        keep = (
            (toward > 0)
            & (toward <= reach)
            & (outline.label[vertex] == outline.label[facet])
            & (facet != vertex)
            & (facet != outline.previous[vertex])
        )
        vertex, facet = vertex[keep], facet[keep]
        p = outline.a[vertex]
        a, b = outline.a[facet], outline.b[facet]
        q = np.stack(
            closest_on_segment(p[:, 0], p[:, 1], a[:, 0], a[:, 1], b[:, 0], b[:, 1]), axis=-1
        )
        gap = q - p
        value = np.hypot(gap[:, 0], gap[:, 1])
        u = gap / np.where(value > 0, value, 1.0)[:, None]
        at_a = np.abs(q - a).max(axis=1) < 1e-9
        at_b = np.abs(q - b).max(axis=1) < 1e-9
        end = np.where(at_b, outline.next[facet], facet)
        end_ok = (outline.turn[end] < _STRAIGHT) & _stationary(-u, outline, end)
        keep = (
            (value > 1e-6)
            & (value <= reach)
            & _stationary(u, outline, vertex)
            & (~(at_a | at_b) | end_ok)
        )
        out.append(Widths(value[keep], p[keep], q[keep], outline.part[vertex[keep]]))
    if not out:
        return _none()
    return Widths(
        *(np.concatenate([getattr(f, n) for f in out]) for n in ("value", "p", "q", "part"))
    )


def _parallels(outline: Outline, tree: shapely.STRtree, reach: float) -> Widths:
    """Straight stretches that run parallel, inside between them."""
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
    rows_all = np.flatnonzero(~round_outline & ~hollow & (outline.length > 1e-4))
    candidate = np.zeros(len(outline), dtype=np.bool_)
    candidate[rows_all] = True
    out: list[Widths] = []
    for s in range(0, len(rows_all), _STEP):
        rows = rows_all[s : s + _STEP]
        side = outline.n[rows] * reach
        a, b = outline.a[rows], outline.b[rows]
        low = np.minimum(np.minimum(a, b), np.minimum(a, b) + np.minimum(side, 0))
        high = np.maximum(np.maximum(a, b), np.maximum(a, b) + np.maximum(side, 0))
        of, other = tree.query(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
        one = rows[of]
        keep = (one < other) | ~candidate[other]
        keep &= outline.label[one] == outline.label[other]
        one, other = one[keep], other[keep]
        opposite = (outline.n[one] * outline.n[other]).sum(axis=1) < -0.9999
        toward = ((outline.a[other] - outline.a[one]) * outline.n[one]).sum(axis=1)
        keep = opposite & (toward > 0) & (toward <= reach)
        one, other = one[keep], other[keep]
        d = outline.d[one]
        t0 = ((outline.a[other] - outline.a[one]) * d).sum(axis=1)
        t1 = ((outline.b[other] - outline.a[one]) * d).sum(axis=1)
        low_t = np.maximum(np.minimum(t0, t1), 0.0)
        high_t = np.minimum(np.maximum(t0, t1), outline.length[one])
        keep = high_t - low_t > 1e-5
        one, other = one[keep], other[keep]
        low_t, high_t = low_t[keep], high_t[keep]
        steps = np.ceil((high_t - low_t) / STRIDE).astype(np.intp)
        at = np.repeat(np.arange(len(one)), steps)
        k = np.arange(len(at)) - np.repeat(np.cumsum(steps) - steps, steps)
        t = low_t[at] + (high_t - low_t)[at] * (k + 0.5) / steps[at]
        one, other = one[at], other[at]
        middle = outline.a[one] + outline.d[one] * t[:, None]
        oa, ob = outline.a[other], outline.b[other]
        qx, qy = closest_on_segment(
            middle[:, 0], middle[:, 1], oa[:, 0], oa[:, 1], ob[:, 0], ob[:, 1]
        )
        q = np.stack([qx, qy], axis=-1)
        value = np.hypot(*(q - middle).T)
        keep = (value > 1e-6) & (value <= reach)
        out.append(Widths(value[keep], middle[keep], q[keep], outline.part[one[keep]]))
    if not out:
        return _none()
    return Widths(
        *(np.concatenate([getattr(f, n) for f in out]) for n in ("value", "p", "q", "part"))
    )


def _one_per_place(widths: Widths, cell: float) -> Rows:
    middle = np.floor((widths.p + widths.q) / 2 / cell).astype(np.int64)
    order = np.lexsort((widths.value, middle[:, 1], middle[:, 0], widths.part))
    part, m = widths.part[order], middle[order]
    first = run_starts(part, m[:, 0], m[:, 1])
    return np.asarray(order[first])


def _is_free(widths: Widths, outline: Outline, tree: shapely.STRtree) -> Bools:
    """Whether the disc on the measured line holds no other outline."""
    free = np.ones(len(widths), dtype=np.bool_)
    middle = (widths.p + widths.q) / 2
    radius = widths.value / 2
    inner = radius - np.minimum(np.maximum(2 * CHORD_ERROR, _SLACK * radius), radius / 2)
    if len(widths) == 0:
        return free
    rows = np.arange(len(widths))
    m, r = middle, inner
    of, facet = tree.query(shapely.box(m[:, 0] - r, m[:, 1] - r, m[:, 0] + r, m[:, 1] + r))
    at = np.concatenate([m, m], axis=1)[of]
    segment = np.concatenate([outline.a[facet], outline.b[facet]], axis=1)
    near = closest_points(at, segment)[0] < r[of]
    if not outline.void:
        near &= outline.part[facet] == widths.part[rows[of]]
    free[rows[of[near]]] = False
    return free
