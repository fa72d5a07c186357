"""How far one polygon reaches into another: the deepest point of their overlap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.rows import run_starts
from dfmcheck.geometry.segments import closest_on_segment, points_to_segments

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_NEAR = 2e-4
"""A stretch that cannot be deeper by this (mm) than what is found is not looked at closer."""
_FEW = 150
"""Facets of an outline up to which all of them are compared with every point."""
_MANY = 1000
_BLOCK = 1 << 16
_HALVINGS = 24


@dataclass(frozen=True, slots=True)
class Laps:
    """How far one of a pair of polygons reaches into the other, per pair.

    ``depth`` is the greatest distance of a point of the overlap from the outline of the second,
    ``p`` (n, 2) that point, ``q`` the nearest point of the outline; ``area`` the overlap's.
    """

    depth: Floats
    p: Floats
    q: Floats
    area: Floats


def laps(first: npt.NDArray[Any], second: npt.NDArray[Any]) -> Laps:
    """How far ``first`` reaches into ``second``, pair by pair of equally long arrays.

    The deepest point of an overlap lies on its outline or in the middle of the second. Along
    the outline it is found to 0.2 µm: no point of a stretch is deeper than the further end of
    the stretch is from the facet nearest to its middle.
    """
    n = len(first)
    if n == 0:
        return Laps(np.empty(0), np.empty((0, 2)), np.empty((0, 2)), np.empty(0))
    common = shapely.intersection(first, second)
    facets = _Facets(second)
    coords, of = shapely.get_coordinates(common, return_index=True)
    polygons, polygon_of = shapely.get_parts(common, return_index=True)
    rings, owner = shapely.get_rings(polygons, return_index=True)
    ends, ring = shapely.get_coordinates(rings, return_index=True)
    start = np.flatnonzero(ring[1:] == ring[:-1])
    a, b = ends.take(start, axis=0), ends.take(start + 1, axis=0)
    pair = polygon_of[owner[ring[start]]]

    # Where the overlap is all of the second, only points within it are deep.
    within, middle = shapely.point_on_surface(common), facets.middles()
    real = np.flatnonzero(~shapely.is_empty(within))
    amidst = np.flatnonzero(shapely.intersects(common, shapely.points(middle)))
    coords = np.concatenate([coords, shapely.get_coordinates(within[real]), middle[amidst]])
    of = np.concatenate([of, real, amidst])
    away, nearest = facets.nearest(coords, of)
    depth = np.zeros(n)
    np.maximum.at(depth, of, away)

    points, pairs, found, at = [coords], [of], [away], [nearest]
    for _ in range(_HALVINGS):
        if len(a) == 0:
            break
        mid = (a + b) / 2
        away, nearest = facets.nearest(mid, pair)
        np.maximum.at(depth, pair, away)
        points.append(mid)
        pairs.append(pair)
        found.append(away)
        at.append(nearest)
        rows = np.arange(len(a))
        most = np.maximum(
            points_to_segments(a, rows, facets.segments, nearest),
            points_to_segments(b, rows, facets.segments, nearest),
        )
        more = np.flatnonzero(most > depth[pair] + _NEAR)
        a, b, mid, pair = (
            a.take(more, axis=0), b.take(more, axis=0), mid.take(more, axis=0), pair[more],
        )  # fmt: skip
        a, b, pair = np.concatenate([a, mid]), np.concatenate([mid, b]), np.tile(pair, 2)
    coords, of, away, nearest = (np.concatenate(c) for c in (points, pairs, found, at))

    best = np.flatnonzero(away >= depth[of] - _NEAR)
    coords, of, away, nearest = coords.take(best, axis=0), of[best], away[best], nearest[best]
    order = np.lexsort((coords[:, 0].round(5), coords[:, 1].round(5), -away.round(7), of))
    row = order[run_starts(of[order])]
    p = np.full((n, 2), np.nan)
    p[of[row]] = coords[row]
    q = p.copy()
    x0, y0, x1, y1 = facets.segments[nearest[row]].T
    q[of[row]] = np.stack(
        closest_on_segment(coords[row, 0], coords[row, 1], x0, y0, x1, y1), axis=-1
    )
    return Laps(depth, p, q, shapely.area(common))


class _Facets:
    """Facets of the outlines of polygons, each polygon once, however often it is named."""

    def __init__(self, polygons: npt.NDArray[Any]) -> None:
        _, first, self._of = np.unique(
            np.fromiter((id(p) for p in polygons), dtype=np.int64, count=len(polygons)),
            return_index=True, return_inverse=True,
        )  # fmt: skip
        self._polygons = polygons[first]
        parts, polygon = shapely.get_parts(self._polygons, return_index=True)
        rings, part = shapely.get_rings(parts, return_index=True)
        coords, ring = shapely.get_coordinates(rings, return_index=True)
        start = np.flatnonzero(ring[1:] == ring[:-1])
        self.segments: Floats = np.concatenate(
            [coords.take(start, axis=0), coords.take(start + 1, axis=0)], axis=1
        )
        self._count = np.bincount(polygon[part[ring[start]]], minlength=len(first))
        self._base = np.cumsum(self._count) - self._count
        self._trees: dict[int, Any] = {}

    def middles(self) -> Floats:
        """A point of each pair's polygon as deep in it as any, (pairs, 2).

        The centroid, where it is as deep as the box is wide; else the centre of the largest
        circle within. Outlines of very many facets keep the centroid.
        """
        single = self._polygons
        at = shapely.get_coordinates(shapely.centroid(single)).reshape(-1, 2)
        some = np.empty(len(single), dtype=np.intp)
        some[self._of] = np.arange(len(self._of))
        away, _ = self.nearest(at, some)
        box = shapely.bounds(single)
        half = np.minimum(box[:, 2] - box[:, 0], box[:, 3] - box[:, 1]) / 2
        off = ~shapely.intersects_xy(single, at[:, 0], at[:, 1]) | (away < half - 1.5 * CHORD_ERROR)
        odd = np.flatnonzero(off & (self._count <= _MANY))
        if len(odd):
            circles = shapely.maximum_inscribed_circle(single[odd], tolerance=_NEAR)
            at[odd] = shapely.get_coordinates(circles).reshape(-1, 2, 2)[:, 0]
        return np.asarray(at[self._of])

    def nearest(self, points: Floats, pair: Rows) -> tuple[Floats, Rows]:
        """Distance (n,) of each point from the outline of its pair's polygon, and the facet."""
        polygon = self._of[pair]
        count = self._count[polygon]
        facet = np.empty(len(points), dtype=np.intp)
        away = np.empty(len(points))
        few = np.flatnonzero(count <= _FEW)
        few = few[np.argsort(count[few], kind="stable")]
        ends = np.cumsum(count[few])
        s = 0
        while s < len(few):
            e = max(s + 1, int(np.searchsorted(ends, (ends[s - 1] if s else 0) + _BLOCK, "right")))
            rows = few[s:e]
            self._all(points, rows, polygon[rows], count[rows], away, facet)
            s = e
        many = np.flatnonzero(count > _FEW)
        for k in np.unique(polygon[many]).tolist():
            rows = many[polygon[many] == k]
            if k not in self._trees:
                mine = self.segments[self._base[k] : self._base[k] + self._count[k]]
                self._trees[k] = shapely.STRtree(shapely.linestrings(mine.reshape(-1, 2, 2)))
            asked = shapely.points(points.take(rows, axis=0))
            (of, at), gone = self._trees[k].query_nearest(
                asked, all_matches=False, return_distance=True
            )
            away[rows[of]], facet[rows[of]] = gone, at + self._base[k]
        return away, facet

    def _all(
        self, points: Floats, rows: Rows, polygon: Rows, count: Rows, away: Floats, facet: Rows
    ) -> None:
        """The nearest of all facets, for some of the points, into the arrays given."""
        first = np.cumsum(count) - count
        at = np.arange(int(count.sum())) + np.repeat(self._base[polygon] - first, count)
        distance = points_to_segments(points, np.repeat(rows, count), self.segments, at)
        least = np.minimum.reduceat(distance, first)
        hit = np.flatnonzero(distance == np.repeat(least, count))
        of = np.repeat(np.arange(len(rows)), count)[hit]
        lead = run_starts(of)
        away[rows], facet[rows[of[lead]]] = least, at[hit[lead]]
