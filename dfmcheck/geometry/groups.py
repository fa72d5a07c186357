"""Groups and neighbours of rows. In numpy and shapely alone: loading scipy for them would take
longer than screening a small board."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_ROWS = 256


def connected(count: int, a: npt.NDArray[Any], b: npt.NDArray[Any]) -> Rows:
    """Group of each of ``count`` rows, where rows ``a[i]`` and ``b[i]`` belong together.

    Groups are numbered from 0 in the order of their lowest row.

    Examples
    --------
    >>> connected(5, np.array([4, 1]), np.array([1, 3])).tolist()
    [0, 1, 2, 1, 1]
    """
    label = np.arange(count, dtype=np.intp)
    a, b = np.asarray(a, dtype=np.intp), np.asarray(b, dtype=np.intp)
    while len(a):
        # The root of each tree hangs itself under the lowest root it is linked with.
        low, high = np.minimum(label[a], label[b]), np.maximum(label[a], label[b])
        apart = low != high
        if not apart.any():
            break
        a, b = a[apart], b[apart]
        np.minimum.at(label, high[apart], low[apart])
        while True:
            higher = label[label]
            if (higher == label).all():
                break
            label = higher
    number: Rows = np.cumsum(label == np.arange(count)) - 1  # of each root
    return number.take(label)


class Points:
    """Points that are asked which of them is nearest."""

    def __init__(self, xy: Floats) -> None:
        self.xy = xy
        self._tree = shapely.STRtree(shapely.points(xy))

    def nearest(self, points: Floats, reach: float) -> tuple[Floats, Rows]:
        """Distance and row of the nearest of them; infinite, and -1, beyond ``reach``.

        Parameters
        ----------
        points : float64 (n, 2), mm
        reach : float, mm

        Examples
        --------
        >>> held = Points(np.array([[0.0, 0.0], [5.0, 0.0]]))
        >>> [v.tolist() for v in held.nearest(np.array([[4.0, 0.0], [2.5, 2.0]]), 1.5)]
        [[1.0, inf], [1, -1]]
        """
        distance, row = np.full(len(points), np.inf), np.full(len(points), -1, dtype=np.intp)
        if len(points) and len(self.xy):
            (of, found), away = self._tree.query_nearest(
                shapely.points(points), max_distance=reach, return_distance=True,
                all_matches=False,
            )  # fmt: skip
            distance[of], row[of] = away, found
        return distance, row

    def count(self, points: Floats, reach: float) -> Rows:
        """How many of them lie no further than ``reach`` from each of ``points``.

        Examples
        --------
        >>> Points(np.array([[0.0, 0.0], [0.0, 1.0]])).count(np.array([[0.0, 0.4]]), 0.5).tolist()
        [1]
        """
        out = np.zeros(len(points), dtype=np.intp)
        # Where all lie at one place there are as many pairs as can be: some rows at a time.
        for s in range(0, len(points), _ROWS):
            some = shapely.points(points[s : s + _ROWS])
            of, _ = self._tree.query(some, predicate="dwithin", distance=reach)
            out[s : s + _ROWS] = np.bincount(of, minlength=len(some))
        return out

    def within(self, point: Floats, reach: float) -> Rows:
        """Rows of those no further than ``reach`` from one point (2,)."""
        return np.asarray(
            self._tree.query(shapely.points(point), predicate="dwithin", distance=reach)
        )
