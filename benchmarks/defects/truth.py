"""The arithmetic a plant's truth rests on. Nothing here calls the measuring it is held against."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]
Axis = tuple[float, float, float, float]


def point_to_segment(px: float, py: float, segment: tuple[float, float, float, float]) -> float:
    """Distance of a point from a segment (x0, y0, x1, y1).

    >>> point_to_segment(1, 2, (0, 0, 5, 0))
    2.0
    """
    x0, y0, x1, y1 = segment
    dx, dy = x1 - x0, y1 - y0
    length = dx * dx + dy * dy
    t = 0.0 if length == 0 else ((px - x0) * dx + (py - y0) * dy) / length
    t = min(1.0, max(0.0, t))
    return math.hypot(px - x0 - t * dx, py - y0 - t * dy)


def segments_apart(
    a: tuple[float, float, float, float], b: tuple[float, float, float, float]
) -> float:
    """Distance of two segments that do not cross.

    >>> segments_apart((0, 0, 4, 0), (5, 1, 5, 3))
    1.4142135623730951
    """
    return min(
        point_to_segment(a[0], a[1], b),
        point_to_segment(a[2], a[3], b),
        point_to_segment(b[0], b[1], a),
        point_to_segment(b[2], b[3], a),
    )


def all_apart(a: tuple[float, float, float, float], many: Floats) -> Floats:
    """Distance of one segment from each row of ``many`` (n, 4), crossing ones nought."""
    out = np.full(len(many), np.inf)
    a0, a1 = np.array(a[:2]), np.array(a[2:])
    b0, b1 = many[:, :2], many[:, 2:]
    for point in (a0, a1):
        out = np.minimum(out, _to_many(point[None, :], b0, b1))
    for points in (b0, b1):
        out = np.minimum(out, _to_many(points, a0[None, :], a1[None, :]))

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        u, v = q - p, r - p
        return np.asarray(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])

    n = len(many)
    p0, p1 = np.repeat(a0[None, :], n, axis=0), np.repeat(a1[None, :], n, axis=0)
    crossing = (side(p0, p1, b0) * side(p0, p1, b1) < 0) & (side(b0, b1, p0) * side(b0, b1, p1) < 0)
    return np.where(crossing, 0.0, out)


def _to_many(points: Floats, start: Floats, end: Floats) -> Floats:
    d = end - start
    length = (d * d).sum(axis=1)
    t = ((points - start) * d).sum(axis=1) / np.where(length > 0, length, 1.0)
    t = np.clip(np.where(length > 0, t, 0.0), 0.0, 1.0)
    return np.asarray(np.hypot(*(points - start - t[:, None] * d).T))


ALIKE = 1e-4
"""mm; places where a gap is no more than this above its least are all its worst place."""


def gap_place(a: Axis, b: Axis, a_half: float, b_half: float) -> Any:
    """Where two strokes are nearest each other: the middle line of their gap, as far along as
    the gap is its least; one point where they are nearest at one spot only.

    Parameters
    ----------
    a, b : (4,) axes of the strokes, mm
    a_half, b_half : half their widths; nought for an edge

    >>> round(gap_place((0, 0, 4, 0), (1, 1, 3, 1), 0.2, 0.4).length, 1)
    2.0
    """
    found = []
    for one, other, r, s in ((a, b, a_half, b_half), (b, a, b_half, a_half)):
        (x0, y0, x1, y1), line = one, shapely.LineString([other[:2], other[2:]])
        t = np.linspace(0.0, 1.0, 2001)
        points = np.stack([x0 + t * (x1 - x0), y0 + t * (y1 - y0)], axis=-1)
        way = shapely.line_locate_point(line, shapely.points(points))
        foot = shapely.get_coordinates(shapely.line_interpolate_point(line, way))
        far = np.hypot(*(foot - points).T)
        part = (r + (far - r - s) / 2) / np.where(far > 0, far, 1.0)
        found.append((far, points + part[:, None] * (foot - points)))
    least = min(far.min() for far, _ in found)
    at = np.concatenate([mid[far <= least + ALIKE] for far, mid in found])
    d = at - at[0]
    way = d @ d[np.argmax((d * d).sum(axis=1))]
    first, last = at[np.argmin(way)], at[np.argmax(way)]
    if math.dist(first, last) < 1e-6:
        return shapely.Point(first)
    return shapely.LineString([first, last])


def ring_place(
    outer: tuple[float, float], big: float, inner: tuple[float, float], small: float
) -> Any:
    """Where the ring between two circles is narrowest: the middle of the ring, as far round as
    it is at its least; all round where both have one centre.

    ``outer`` and ``inner`` are the centres, ``big`` and ``small`` the radii, mm. ``big`` may be
    the smaller one: where an inner circle reaches over the outer one, farthest out.

    >>> round(ring_place((0, 0), 1.0, (0.1, 0), 0.5).centroid.x, 2)
    0.8
    """
    d = np.array(inner) - np.array(outer)
    worst = math.atan2(d[1], d[0])
    angle = np.linspace(worst, worst + 2 * math.pi, 1441)
    u = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    along = u @ d
    wide = -along + np.sqrt(big * big - d @ d + along * along) - small
    middle = np.array(inner) + u * (small + wide / 2)[:, None]
    return shapely.MultiPoint(middle[wide <= wide.min() + ALIKE]).buffer(0.002)
