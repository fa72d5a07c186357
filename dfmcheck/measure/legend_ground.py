"""Dark areas of legend with letters left out of them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

Bools = npt.NDArray[np.bool_]

_LETTERS, _DARK = 3, 0.35  # so many holes in so dark an area are letters left out of it,
_FEW, _FULL = 2, 0.8  # and even so few where it is nearly full
_INNER = 2  # pieces of ink inside one letter: an 8 and a B have two


def grounds(parts: npt.NDArray[Any]) -> Bools:
    """Which connected pieces of ink are the ground round letters left out, by holes and share.

    >>> letters = [shapely.box(x, 1, x + 1, 2) for x in (1, 3, 5)]
    >>> grounds(np.array([shapely.difference(shapely.box(0, 0, 7, 3), shapely.union_all(letters))]))
    array([ True])
    """
    holes = shapely.get_num_interior_rings(parts)
    out = np.zeros(len(parts), dtype=np.bool_)
    some = np.flatnonzero(holes >= _FEW)
    full = shapely.area(shapely.polygons(shapely.get_exterior_ring(parts[some])))
    share, holes = shapely.area(parts[some]) / np.maximum(full, 1e-12), holes[some]
    out[some] = ((holes >= _LETTERS) & (share >= _DARK)) | (share >= _FULL)
    return out


def counters(parts: npt.NDArray[Any]) -> Bools:
    """Pieces of ink that lie inside a letter left out of a ground, as in an O or a B."""
    out = np.zeros(len(parts), dtype=np.bool_)
    dark = parts[grounds(parts)]
    if len(dark) == 0:
        return out
    rings = [ring for part in dark for ring in part.interiors]
    holes = shapely.polygons(rings)
    hole, part = shapely.STRtree(parts).query(holes, predicate="contains")
    few = np.bincount(hole, minlength=len(holes))[hole] <= _INNER
    out[part[few]] = True
    return out
