"""What of large polygons lies near small shapes, so that no overlay walks all round a pour."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Rows = npt.NDArray[np.intp]

_MANY = 500
"""Polygons of no more vertices are taken as they are."""
_MARGIN = 0.01  # mm; cuts stay clear of the shapes


def nearby(polygons: npt.NDArray[Any], shapes: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """What of each polygon lies round the shape of the same row.

    Where a polygon has many vertices, it is cut at boxes, none of which cuts through the shape:
    what the two have in common stays as it is, and so does the outline in it.

    Parameters
    ----------
    polygons, shapes : array of Polygon, (n,)
        The same polygon may, as the same object, be given in many rows.

    Examples
    --------
    >>> ring = shapely.Point(0, 0).buffer(10, quad_segs=1000)
    >>> near = nearby(np.array([ring]), np.array([shapely.box(9, 0, 11, 1)]))
    >>> shapely.get_num_coordinates(near).tolist() < [200], bool(near[0].intersects(ring))
    (True, True)
    """
    out = polygons.copy()
    big = np.flatnonzero(shapely.get_num_coordinates(polygons) > _MANY)
    if len(big) == 0:
        return out
    box = shapely.bounds(shapes)
    box[:, :2] -= _MARGIN
    box[:, 2:] += _MARGIN
    same = np.fromiter((id(p) for p in polygons[big]), dtype=np.int64, count=len(big))
    order = big[np.argsort(same, kind="stable")]
    groups = np.split(order, np.flatnonzero(np.diff(np.sort(same))) + 1)
    left = [(polygons[rows[0]], rows) for rows in groups]
    while left:
        polygon, rows = left.pop()
        low, high = box[rows, :2].min(axis=0), box[rows, 2:].max(axis=0)
        polygon = shapely.clip_by_rect(polygon, *low.tolist(), *high.tolist())
        if len(rows) == 1 or shapely.get_num_coordinates(polygon) <= _MANY:
            out[rows] = polygon
            continue
        middle = box[rows, :2] + box[rows, 2:]
        axis = int(np.argmax(np.ptp(middle, axis=0)))
        rows = rows[np.argsort(middle[:, axis], kind="stable")]
        half = len(rows) // 2
        left += [(polygon, rows[:half]), (polygon, rows[half:])]
    return out
