"""Closed-form distances between straight segments, in arrays.

A capsule (draw of a round aperture) is a segment with a radius, a disc a segment of no
length, a polygon its edges with radius nought: with these functions their distances are
exact to rounding, without any approximation of round shapes.
Formulas: Ericson, Real-Time Collision Detection (2005), 5.1.2 and 5.1.9.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def closest_on_segment(
    px: Floats, py: Floats, x0: Floats, y0: Floats, x1: Floats, y1: Floats
) -> tuple[Floats, Floats]:
    """Point of each segment nearest to each point; arrays broadcast together.

    Examples
    --------
    >>> x, y = closest_on_segment(*map(np.float64, (2.0, 1.0, 0.0, 0.0, 1.0, 0.0)))
    >>> float(x), float(y)
    (1.0, 0.0)
    """
    dx, dy = x1 - x0, y1 - y0
    length2 = dx * dx + dy * dy
    safe = np.where(length2 > 0, length2, 1.0)
    t = np.clip(((px - x0) * dx + (py - y0) * dy) / safe, 0.0, 1.0)
    return x0 + t * dx, y0 + t * dy


def closest_points(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Nearest points of segments a and b, row by row.

    Parameters
    ----------
    a, b : float64 (n, 4)
        x0, y0, x1, y1; a segment may have no length.

    Returns
    -------
    distance : float64 (n,)
        Nought where they cross or touch.
    p, q : float64 (n, 2)
        Nearest point on a and on b.

    Examples
    --------
    >>> d, p, q = closest_points(np.array([[0., 0, 1, 0]]), np.array([[2., 1, 2, -1]]))
    >>> float(d[0]), p[0].tolist(), q[0].tolist()
    (1.0, [1.0, 0.0], [2.0, 0.0])
    """
    ax0, ay0, ax1, ay1 = a.T
    bx0, by0, bx1, by1 = b.T
    # The nearest pair of two segments that do not cross has an end of one of them in it.
    candidates = []
    for px, py in ((ax0, ay0), (ax1, ay1)):
        qx, qy = closest_on_segment(px, py, bx0, by0, bx1, by1)
        candidates.append((px, py, qx, qy))
    for qx, qy in ((bx0, by0), (bx1, by1)):
        px, py = closest_on_segment(qx, qy, ax0, ay0, ax1, ay1)
        candidates.append((px, py, qx, qy))
    best = np.stack([np.hypot(c[0] - c[2], c[1] - c[3]) for c in candidates])
    which = np.argmin(best, axis=0)
    rows = np.arange(len(which))
    distance = best[which, rows]
    stacked = np.stack([np.stack(c, axis=-1) for c in candidates])[which, rows]
    p, q = stacked[:, :2].copy(), stacked[:, 2:].copy()

    ux, uy, vx, vy = ax1 - ax0, ay1 - ay0, bx1 - bx0, by1 - by0
    cross = ux * vy - uy * vx
    wx, wy = bx0 - ax0, by0 - ay0
    safe = np.where(cross != 0, cross, 1.0)
    s = (wx * vy - wy * vx) / safe
    t = (wx * uy - wy * ux) / safe
    # Below this the segments are parallel, and s and t nothing but rounding.
    bent = np.abs(cross) > 1e-12 * np.hypot(ux, uy) * np.hypot(vx, vy)
    crossing = bent & (s >= 0) & (s <= 1) & (t >= 0) & (t <= 1)
    if crossing.any():
        at = np.stack([ax0 + s * ux, ay0 + s * uy], axis=-1)[crossing]
        distance = np.where(crossing, 0.0, distance)
        p[crossing] = at
        q[crossing] = at
    return distance, p, q


def split_arc(
    x0: Floats, y0: Floats, x1: Floats, y1: Floats, cx: Floats, cy: Floats,
    clockwise: npt.NDArray[np.bool_], tolerance: float,
) -> tuple[npt.NDArray[np.intp], Floats]:  # fmt: skip
    """Chords of circular arcs, none further than ``tolerance`` from its arc.

    An arc whose ends coincide is a full circle. Where the two ends lie at slightly different
    distances from the centre (rounding in the file), the radius runs evenly from one to the
    other, so that the chords still meet both ends.

    Returns
    -------
    row : intp (m,)
        Row of the arc each chord belongs to; chords of one arc are consecutive.
    chords : float64 (m, 4)
    """
    n = len(x0)
    if n == 0:
        return np.empty(0, dtype=np.intp), np.empty((0, 4))
    a0 = np.arctan2(y0 - cy, x0 - cx)
    a1 = np.arctan2(y1 - cy, x1 - cx)
    sweep = np.where(clockwise, -((a0 - a1) % (2 * np.pi)), (a1 - a0) % (2 * np.pi))
    closed = np.hypot(x1 - x0, y1 - y0) < 1e-9
    sweep = np.where(closed, np.where(clockwise, -2 * np.pi, 2 * np.pi), sweep)
    r0, r1 = np.hypot(x0 - cx, y0 - cy), np.hypot(x1 - cx, y1 - cy)
    radius = np.maximum(np.maximum(r0, r1), 1e-12)
    step = 2 * np.arccos(np.clip(1 - tolerance / radius, 0.0, 1.0))
    count = np.maximum(np.ceil(np.abs(sweep) / step), 1).astype(np.intp)
    count = np.where(closed, np.maximum(count, 8), count)
    row = np.repeat(np.arange(n), count)
    k = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    f0, f1 = k / count[row], (k + 1) / count[row]

    def at(f: Floats) -> tuple[Floats, Floats]:
        angle = a0[row] + sweep[row] * f
        r = r0[row] + (r1 - r0)[row] * f
        return cx[row] + r * np.cos(angle), cy[row] + r * np.sin(angle)

    sx, sy = at(f0)
    ex, ey = at(f1)
    first, last = k == 0, k == count[row] - 1
    sx, sy = np.where(first, x0[row], sx), np.where(first, y0[row], sy)
    ex, ey = np.where(last, x1[row], ex), np.where(last, y1[row], ey)
    return row, np.stack([sx, sy, ex, ey], axis=-1)
