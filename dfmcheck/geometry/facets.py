"""Facets: the directed straight sides of an image's outlines, and the search for those that can
be met from a direction."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.index import BoxIndex, Recent
from dfmcheck.geometry.rows import run_starts

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]
Marks = npt.NDArray[np.uint64]

ASKEW = 0.021
"""rad; how far off its normal a facet is met at most."""
_SECTORS = 64 / (2 * np.pi)


class Facets:
    """Directed facets of all parts, the side looked at on the left, with turns at their ends.

    Attributes
    ----------
    a, b : float64 (n, 2)
        Start and end of every facet.
    d, n : float64 (n, 2)
        Direction and left normal.
    length, turn : float64 (n,)
        Length; turn at the start from the facet before, left (convex) positive, radians.
    next, previous, part, ring : intp (n,)
        Neighbours along the ring, row of the part, number of the ring over all parts.
    """

    def __init__(self, parts: npt.NDArray[Any]) -> None:
        oriented = shapely.orient_polygons(parts)
        rings, of_part = shapely.get_rings(oriented, return_index=True)
        coords, ring = shapely.get_coordinates(rings, return_index=True)
        x, y = np.ascontiguousarray(coords.T)
        keep = np.ones(len(coords), dtype=np.bool_)
        same = ring[1:] == ring[:-1]
        # Vertices closer than rounding would give facets of random direction.
        keep[1:] = ~(same & (np.maximum(np.abs(np.diff(x)), np.abs(np.diff(y))) < 1e-9))
        if not keep.all():
            kept = np.flatnonzero(keep)
            coords, ring = coords.take(kept, axis=0), ring.take(kept)
        start = np.flatnonzero(ring[1:] == ring[:-1])
        self.a, self.b = coords.take(start, axis=0), coords.take(start + 1, axis=0)
        ring = ring[start]
        self.part: Rows = of_part[ring]
        self.ring: Rows = ring
        n = len(start)
        opens = np.flatnonzero(run_starts(ring))
        closes = np.append(opens[1:], n) - 1 if n else opens
        self.next: Rows = np.arange(1, n + 1)
        self.next[closes] = opens
        self.previous: Rows = np.arange(-1, n - 1)
        self.previous[opens] = closes
        step = self.b - self.a
        self.length: Floats = np.hypot(step[:, 0], step[:, 1])
        self.d: Floats = step / np.where(self.length > 0, self.length, 1.0)[:, None]
        self.n: Floats = np.empty_like(self.d)
        self.n[:, 0], self.n[:, 1] = -self.d[:, 1], self.d[:, 0]
        before = self.d.take(self.previous, axis=0)
        self.turn: Floats = np.arctan2(
            before[:, 0] * self.d[:, 1] - before[:, 1] * self.d[:, 0], dot(before, self.d)
        )
        self.outside = False

    def turned(self) -> Facets:
        """The same facets seen from outside, in the other direction."""
        out = Facets.__new__(Facets)
        out.a, out.b, out.d, out.n = self.b, self.a, -self.d, -self.n
        out.part, out.ring, out.length = self.part, self.ring, self.length
        out.next, out.previous = self.previous, self.next
        out.turn, out.angle = -self.turn.take(self.next), self.angle + np.pi
        out.index, out.outside = self.index.marked(out._met_from()), True
        return out

    @cached_property
    def angle(self) -> Floats:
        """Direction of the normal, radians, (n,)."""
        return np.asarray(np.arctan2(self.n[:, 1], self.n[:, 0]))

    @cached_property
    def segments(self) -> Floats:
        """x0 y0 x1 y1 of every facet, (n, 4)."""
        return np.concatenate([self.a, self.b], axis=1)

    @cached_property
    def index(self) -> BoxIndex:
        """Index of the facets' boxes, marked by the directions they can be met from."""
        low, high = np.minimum(self.a, self.b), np.maximum(self.a, self.b)
        return BoxIndex(low[:, 0], low[:, 1], high[:, 0], high[:, 1], self._met_from())

    def _met_from(self) -> Marks:
        """Directions in which a line across the image can end on each facet: against its normal,
        or at a reflex corner at either end against any normal between those of the two sides."""
        back = self.angle + np.pi
        start, end = np.minimum(self.turn, 0), np.minimum(self.turn.take(self.next), 0)
        return directions(back + end - ASKEW, back - start + ASKEW)

    def __len__(self) -> int:
        return len(self.a)

    def query(self, low: Floats, high: Floats, marks: Marks | None = None) -> tuple[Rows, Rows]:
        """Pairs of a row of the boxes asked for, corners (n, 2), and a facet whose box it meets;
        with ``marks`` (n,) only facets that can be met in one of those directions."""
        return self.index.query(low[:, 0], low[:, 1], high[:, 0], high[:, 1], marks)

    def small_part(self, size: float) -> Bools:
        """Which facets belong to a part no larger than ``size``: a dot is narrow as a whole."""
        opens = np.flatnonzero(run_starts(self.part))
        if len(opens) == 0:
            return np.empty(0, dtype=np.bool_)
        extent = np.maximum.reduceat(self.a, opens) - np.minimum.reduceat(self.a, opens)
        count = np.diff(np.append(opens, len(self)))
        return np.repeat(extent.max(axis=1) <= size, count)


_OUTLINES: Recent[Facets] = Recent(3)


def outline_of(parts: npt.NDArray[Any]) -> Facets:
    """Facets of merged parts, the image on its left; kept for the images asked for last."""
    return _OUTLINES.of((parts,), lambda: Facets(parts))


def directions(low: Floats, high: Floats) -> Marks:
    """Marks of the 64 sectors of a circle that the angles from ``low`` to ``high`` lie in."""
    first = np.floor(low * _SECTORS)
    count = np.minimum(np.floor(high * _SECTORS) - first, 63).astype(np.uint64)
    run = (np.uint64(2) << count) - np.uint64(1)
    turn = (first.astype(np.int64) & 63).astype(np.uint64)
    return np.asarray((run << turn) | (run >> np.uint64(1) >> (np.uint64(63) - turn)))


def dot(u: Floats, v: Floats) -> Floats:
    """Inner products of vectors (n, 2), row by row."""
    return np.asarray(u[:, 0] * v[:, 0] + u[:, 1] * v[:, 1])
