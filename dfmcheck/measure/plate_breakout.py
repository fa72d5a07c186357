"""How much of a round hole's wall the copper of one layer leaves bare."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.image import Image
from dfmcheck.measure.common import Rows, edges_at

Floats = npt.NDArray[np.float64]


def bare_angles(
    image: Image, parts: npt.NDArray[np.object_], x: Floats, y: Floats, r: Floats
) -> tuple[Floats, Floats]:
    """Angle of each circle that lies in none of the ``parts``, and how far it may be off.

    Parameters
    ----------
    image : Image
        Its exact round outlines take the place of the chords in ``parts``.
    parts : array of Polygon
        The image merged, bores filled.
    x, y, r : float64 (n,), mm

    Returns
    -------
    angle, error : float64 (n,), degrees
    """
    tree = shapely.STRtree(parts)
    wide = 1.5 * r
    of, part = tree.query(shapely.box(x - wide, y - wide, x + wide, y + wide))
    near: list[npt.NDArray[np.object_]] = []
    hole: list[Rows] = []
    crossing: list[Floats] = []
    for n in range(len(x)):
        box = (x[n] - wide[n], y[n] - wide[n], x[n] + wide[n], y[n] + wide[n])
        here = shapely.clip_by_rect(parts[part[of == n]], *box)
        near.append(here)
        angles = _crossings(here, float(x[n]), float(y[n]), float(r[n]))
        crossing.append(angles)
        hole.append(np.full(len(angles), n, dtype=np.intp))
    at, angle = np.concatenate(hole), np.concatenate(crossing)
    angle, off = _exact(image, x[at], y[at], r[at], angle)
    out, error = np.zeros(len(x)), np.zeros(len(x))
    np.add.at(error, at, np.degrees(off))
    for n in range(len(x)):
        mine = np.sort(angle[at == n] % (2 * np.pi))
        if len(mine) == 0:
            mine = np.zeros(1)
        width = np.diff(mine, append=mine[0] + 2 * np.pi)
        middle = mine + width / 2
        points = shapely.points(x[n] + r[n] * np.cos(middle), y[n] + r[n] * np.sin(middle))
        bare = np.ones(len(middle), dtype=np.bool_)
        for polygon in near[n]:
            bare &= ~shapely.intersects(polygon, points)
        out[n] = np.degrees(width[bare].sum())
    return out, error


def _crossings(parts: npt.NDArray[np.object_], x: float, y: float, r: float) -> Floats:
    """Directions in which the circle crosses an outline of the parts, radians."""
    rings = shapely.get_rings(shapely.get_parts(parts))
    coords, ring = shapely.get_coordinates(rings, return_index=True)
    if len(coords) == 0:
        return np.empty(0)
    same = ring[1:] == ring[:-1]
    a, b = (coords[:-1][same] - (x, y)), (coords[1:][same] - (x, y))
    d = b - a
    square = (d * d).sum(axis=1)
    keep = square > 0
    a, d, square = a[keep], d[keep], square[keep]
    half = (a * d).sum(axis=1)
    root = half * half - square * ((a * a).sum(axis=1) - r * r)
    hit = root >= 0
    a, d, square, half = a[hit], d[hit], square[hit], half[hit]
    root = np.sqrt(root[hit])
    t = np.concatenate([(-half - root) / square, (-half + root) / square])
    p = np.concatenate([a, a]) + np.concatenate([d, d]) * t[:, None]
    p = p[(t >= 0) & (t <= 1)]
    return np.asarray(np.arctan2(p[:, 1], p[:, 0]))


def _exact(
    image: Image, x: Floats, y: Floats, r: Floats, angle: Floats
) -> tuple[Floats, Floats]:  # fmt: skip
    """Crossings moved from the chords onto the round outlines they stand for."""
    p = np.stack([x + r * np.cos(angle), y + r * np.sin(angle)], axis=-1)
    edges = image.edges
    row, _ = edges_at(edges, p)
    e = np.maximum(row, 0)
    d = np.stack([edges.x1[e] - edges.x0[e], edges.y1[e] - edges.y0[e]], axis=-1)
    w = p - np.stack([edges.x0[e], edges.y0[e]], axis=-1)
    square = (d * d).sum(axis=1)
    t = (w * d).sum(axis=1) / np.where(square > 0, square, 1.0)
    end = (edges.r[e] > 0) & (row >= 0) & ((square == 0) | (t <= 0) | (t >= 1))
    far = (square > 0) & (t >= 1)
    cx = np.where(far, edges.x1[e], edges.x0[e]) - x
    cy = np.where(far, edges.y1[e], edges.y0[e]) - y
    away = np.hypot(cx, cy)
    cosine = (away**2 + r**2 - edges.r[e] ** 2) / np.where(away > 0, 2 * away * r, 1.0)
    end &= (np.abs(cosine) <= 1) & (away > 0)
    swing = np.arccos(np.clip(cosine, -1, 1))
    toward = np.arctan2(cy, cx)
    both = np.stack([toward - swing, toward + swing])
    turn = np.abs((both - angle + np.pi) % (2 * np.pi) - np.pi)
    best = both[np.argmin(turn, axis=0), np.arange(len(angle))]
    error = np.where(row >= 0, edges.error[e], CHORD_ERROR)
    return np.where(end, best, angle), error / np.where(r > 0, r, 1.0)
