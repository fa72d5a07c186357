"""Closed-form distances between straight segments, in arrays.

A capsule (draw of a round aperture) is a segment with a radius, a disc a segment of no
length, a polygon its edges with radius nought: with these functions their distances are
exact to rounding, without any approximation of round shapes.
Formulas: Ericson, Real-Time Collision Detection (2005), 5.1.2 and 5.1.9.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.geometry.rows import repeats

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

BLOCK = 1 << 13
"""Rows worked on at a time: so many columns of them stay in the cache."""


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
    n = len(a)
    distance, p, q = np.empty(n), np.empty((n, 2)), np.empty((n, 2))
    for s in range(0, n, BLOCK):
        part = slice(s, s + BLOCK)
        _closest(a[part], b[part], distance[part], p[part], q[part])
    return distance, p, q


def closest_pairs(first: Floats, a: Rows, second: Floats, b: Rows) -> tuple[Floats, Floats, Floats]:
    """:func:`closest_points` of ``first[a]`` and ``second[b]``."""
    n = len(a)
    distance, p, q = np.empty(n), np.empty((n, 2)), np.empty((n, 2))
    for s in range(0, n, BLOCK):
        part = slice(s, s + BLOCK)
        _closest(
            first.take(a[part], axis=0), second.take(b[part], axis=0),
            distance[part], p[part], q[part],
        )  # fmt: skip
    return distance, p, q


def points_to_segments(points: Floats, of: Rows, segments: Floats, at: Rows) -> Floats:
    """Distance of ``points[of]`` (n, 2) from ``segments[at]`` (n, 4), (n,).

    Examples
    --------
    >>> one = np.array([0])
    >>> points_to_segments(np.array([[3.0, 5.0]]), one, np.array([[0.0, 1, 0, 1]]), one).tolist()
    [5.0]
    """
    n = len(of)
    distance = np.empty(n)
    for s in range(0, n, BLOCK):
        part = slice(s, s + BLOCK)
        px, py = points.take(of[part], axis=0).T
        x0, y0, x1, y1 = segments.take(at[part], axis=0).T
        x, y = closest_on_segment(px, py, x0, y0, x1, y1)
        np.hypot(px - x, py - y, out=distance[part])
    return distance


def _closest(a: Floats, b: Floats, distance: Floats, p: Floats, q: Floats) -> None:
    """One block of :func:`closest_points`, into the arrays given."""
    n = len(a)
    ax0, ay0, ax1, ay1 = np.ascontiguousarray(a.T)
    bx0, by0, bx1, by1 = np.ascontiguousarray(b.T)
    ux, uy, vx, vy = ax1 - ax0, ay1 - ay0, bx1 - bx0, by1 - by0
    uu, vv = ux * ux + uy * uy, vx * vx + vy * vy
    point = np.flatnonzero(uu == 0)
    uu[point], vv[vv == 0] = 1.0, 1.0
    points = len(point) == n
    # The nearest pair of two segments that do not cross has an end of one of them in it: px,
    # py, qx and qy of each of the four pairs, of which two are the same where a is a point.
    near = np.empty((4, 1 if points else 4, n))
    near[:2, 0] = ax0, ay0
    near[2:, 0] = _onto(ax0, ay0, bx0, by0, vx, vy, vv)
    if not points:
        near[:2, 1], near[2:, 2], near[2:, 3] = (ax1, ay1), (bx0, by0), (bx1, by1)
        near[2:, 1] = _onto(ax1, ay1, bx0, by0, vx, vy, vv)
        near[:2, 2] = _onto(bx0, by0, ax0, ay0, ux, uy, uu)
        near[:2, 3] = _onto(bx1, by1, ax0, ay0, ux, uy, uu)
    dx, dy = near[0] - near[2], near[1] - near[3]
    square = dx * dx + dy * dy
    if points:
        p[:], q[:] = near[:2, 0].T, near[2:, 0].T
        np.hypot(dx[0], dy[0], out=distance)
        return
    square[2:, point] = np.inf  # the same pair, but for rounding
    a_end, b_end = np.minimum(square[0], square[1]), np.minimum(square[2], square[3])
    best = np.where(b_end < a_end, 2 + (square[3] < square[2]), square[1] < square[0]) * n
    best += np.arange(n)
    px, py, qx, qy = near.reshape(4, -1).take(best, axis=1)
    np.hypot(px - qx, py - qy, out=distance)
    p[:, 0], p[:, 1], q[:, 0], q[:, 1] = px, py, qx, qy

    cross = ux * vy - uy * vx
    wx, wy = bx0 - ax0, by0 - ay0
    safe = np.where(cross != 0, cross, 1.0)
    s, t = (wx * vy - wy * vx) / safe, (wx * uy - wy * ux) / safe
    crossing = np.flatnonzero((s >= 0) & (s <= 1) & (t >= 0) & (t <= 1) & (cross != 0))
    if len(crossing):
        # Below this the segments are parallel, and s and t nothing but rounding.
        c = crossing
        bent = np.abs(cross[c]) > 1e-12 * np.hypot(ux[c], uy[c]) * np.hypot(vx[c], vy[c])
        c = c[bent]
        at = np.stack([ax0[c] + s[c] * ux[c], ay0[c] + s[c] * uy[c]], axis=-1)
        distance[c] = 0.0
        p[c] = at
        q[c] = at


def _onto(
    px: Floats,
    py: Floats,
    x0: Floats,
    y0: Floats,
    dx: Floats,
    dy: Floats,
    square: Floats,
) -> tuple[Floats, Floats]:
    """:func:`closest_on_segment` of a start, a way, and its length squared (1 for none)."""
    t = ((px - x0) * dx + (py - y0) * dy) / square
    np.clip(t, 0.0, 1.0, out=t)
    return x0 + t * dx, y0 + t * dy


def chord_counts(
    x0: Floats, y0: Floats, x1: Floats, y1: Floats, cx: Floats, cy: Floats,
    clockwise: npt.NDArray[np.bool_], tolerance: float,
) -> tuple[npt.NDArray[np.intp], Floats, Floats]:  # fmt: skip
    """Chords each arc takes, the angle it starts at and the angle it sweeps; see split_arc."""
    a0 = np.arctan2(y0 - cy, x0 - cx)
    a1 = np.arctan2(y1 - cy, x1 - cx)
    sweep = np.where(clockwise, -((a0 - a1) % (2 * np.pi)), (a1 - a0) % (2 * np.pi))
    closed = np.hypot(x1 - x0, y1 - y0) < 1e-9
    sweep = np.where(closed, np.where(clockwise, -2 * np.pi, 2 * np.pi), sweep)
    r0, r1 = np.hypot(x0 - cx, y0 - cy), np.hypot(x1 - cx, y1 - cy)
    radius = np.maximum(np.maximum(r0, r1), 1e-12)
    # half angle form: the cosine of a very wide arc's step cannot be told from 1
    step = 4 * np.arcsin(np.sqrt(np.clip(tolerance / (2 * radius), 0.0, 0.5)))
    count = np.maximum(np.ceil(np.abs(sweep) / step), 1).astype(np.intp)
    return np.where(closed, np.maximum(count, 8), count), a0, sweep


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
    count, a0, sweep = chord_counts(x0, y0, x1, y1, cx, cy, clockwise, tolerance)
    r0, r1 = np.hypot(x0 - cx, y0 - cy), np.hypot(x1 - cx, y1 - cy)
    row, k = repeats(count)
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
