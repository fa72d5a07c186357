"""The arithmetic a plant's truth rests on. Nothing here calls the measuring it is held against."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


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
