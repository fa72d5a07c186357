"""Enclosed voids of an image: how large they are, how wide, and which points lie in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.rows import run_starts

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
_ROUND = 1e-5  # mm; vertices this evenly far from their centre lie on a circle


@dataclass(frozen=True, slots=True)
class Voids:
    """Interior rings of an image's parts, (n,).

    Attributes
    ----------
    shape : array of Polygon
        What each ring encloses, other parts inside it included.
    part : intp
        Row of the part it is a hole of.
    """

    shape: npt.NDArray[Any]
    part: Rows

    def __len__(self) -> int:
        return len(self.part)

    def take(self, rows: npt.NDArray[Any]) -> Voids:
        return Voids(self.shape[rows], self.part[rows])


def voids_of(parts: npt.NDArray[Any]) -> Voids:
    """All voids of merged parts."""
    rings, owner = shapely.get_rings(parts, return_index=True)
    # The first ring of every part is its outer one.
    inner = np.flatnonzero(~run_starts(owner))
    if len(inner) == 0:
        return Voids(np.empty(0, dtype=object), np.empty(0, dtype=np.intp))
    return Voids(np.asarray(shapely.polygons(rings[inner])), owner[inner])


def void_at(voids: Voids, points: Floats) -> Rows:
    """Smallest void round each point, -1 for none."""
    out = np.full(len(points), -1, dtype=np.intp)
    if len(points) == 0 or len(voids) == 0:
        return out
    void, point = shapely.STRtree(shapely.points(points)).query(voids.shape, predicate="contains")
    # The largest first, so that the smallest is written last.
    order = np.argsort(-shapely.area(voids.shape[void]), kind="stable")
    out[point[order]] = void[order]
    return out


def free_of(voids: Voids, shapes: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Voids that none of ``shapes`` (drilled holes, points of copper) reaches into, (n,)."""
    out = np.ones(len(voids), dtype=np.bool_)
    if len(voids) and len(shapes):
        out[shapely.STRtree(shapes).query(voids.shape, predicate="intersects")[0]] = False
    return out


def outer_points(parts: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """A point on the outer rim of each part: inside a void exactly where the part is."""
    return np.asarray(shapely.get_point(shapely.get_exterior_ring(parts), 0))


def mean_width(voids: Voids, parts: npt.NDArray[Any]) -> Floats:
    """Twice the free area over the length of its rim: the width of a long or ring-shaped slit.

    Copper inside a void takes from its area and adds to its rim.
    """
    area, rim = shapely.area(voids.shape), shapely.length(voids.shape)
    if len(voids) and len(parts):
        inside = shapely.STRtree(outer_points(parts))
        void, part = inside.query(voids.shape, predicate="contains")
        np.subtract.at(area, void, shapely.area(parts[part]))
        np.add.at(rim, void, shapely.length(shapely.get_exterior_ring(parts[part])))
    return np.asarray(2 * area / rim)


def rectangles(shapes: npt.NDArray[Any]) -> tuple[Floats, Floats, Floats, Floats]:
    """Smallest turned rectangle round each shape.

    Returns
    -------
    short, long : float64 (n,), mm
        Its sides; both the diameter of a shape whose outline is a circle.
    p, q : float64 (n, 2)
        Middles of the two long sides: the line along which ``short`` is measured.
    """
    n = len(shapes)
    if n == 0:
        return np.empty(0), np.empty(0), np.empty((0, 2)), np.empty((0, 2))
    box = shapely.oriented_envelope(shapes)
    flat = shapely.get_type_id(box) != 3  # a line: no copper at all, but no reason to fail
    box = np.where(flat, shapely.envelope(shapely.buffer(box, 1e-9)), box)
    corner = shapely.get_coordinates(shapely.get_exterior_ring(box)).reshape(n, -1, 2)[:, :4]
    side = np.hypot(*np.moveaxis(corner[:, [1, 2]] - corner[:, [0, 1]], -1, 0))
    first_long = side[:, 0] >= side[:, 1]
    one = np.where(first_long[:, None], corner[:, 0] + corner[:, 1], corner[:, 1] + corner[:, 2])
    two = np.where(first_long[:, None], corner[:, 2] + corner[:, 3], corner[:, 3] + corner[:, 0])
    p, q = one / 2, two / 2
    short, long = side.min(axis=1), side.max(axis=1)
    # Chords cut a circle's width short: its corners lie on it and tell the diameter exactly.
    ring = shapely.get_exterior_ring(shapes)
    points, of = shapely.get_coordinates(ring, return_index=True)
    count = np.bincount(of, minlength=n)
    bounds = shapely.bounds(shapes)
    centre = (bounds[:, :2] + bounds[:, 2:]) / 2
    r = np.hypot(*(points - centre[of]).T)
    low, high = np.full(n, np.inf), np.zeros(n)
    np.minimum.at(low, of, r)
    np.maximum.at(high, of, r)
    circle = (count > 8) & (high - low < _ROUND)
    u = (q - p) / np.maximum(short, 1e-12)[:, None]
    p = np.where(circle[:, None], centre - u * high[:, None], p)
    q = np.where(circle[:, None], centre + u * high[:, None], q)
    short, long = np.where(circle, 2 * high, short), np.where(circle, 2 * high, long)
    return short, long, p, q
