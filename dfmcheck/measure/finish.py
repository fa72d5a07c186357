"""The copper that gets the final finish: what the mask leaves bare on each side."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.nearby import nearby
from dfmcheck.measure.mask_shapes import touching
from dfmcheck.terms import Side


def finish_areas(board: Board) -> dict[str, float]:
    """Bare copper in mm² by outer layer role text; empty where a side has no mask data.

    Land areas less the holes in them; hole walls are not counted.
    """
    out: dict[str, float] = {}
    for mask in board.masks:
        if not board.copper:
            break
        copper = board.copper[0] if mask.role.side is Side.TOP else board.copper[-1]
        if copper.role.side in (None, mask.role.side):
            out[copper.name] = out.get(copper.name, 0.0) + _bare(board, copper, mask)
    return out


def _bare(board: Board, copper: Layer, mask: Layer) -> float:
    holes = board.holes
    number = 1 if copper is board.copper[0] else len(board.copper)
    through = np.flatnonzero((holes.first <= number) & (holes.last >= number))
    bare = _bared(copper.image.parts, mask.image.parts)
    walls = hole_polygons(holes, through)
    # Overlapping holes take away once what is in both.
    walls = _merged(walls[np.unique(touching(walls, bare)[0])])
    return float(shapely.area(bare).sum() - shapely.area(_overlaps(bare, walls)).sum())


def _bared(copper: npt.NDArray[Any], openings: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Overlap of every opening and piece of copper that have one."""
    opening, part = touching(openings, copper)
    shapely.prepare(copper)
    shapely.prepare(openings)
    amidst = shapely.contains_properly(copper[part], openings[opening])
    whole = ~amidst & shapely.covers(openings[opening], copper[part])
    across = np.flatnonzero(~amidst & ~whole)
    across = across[np.argsort(part[across], kind="stable")]
    # All openings over the edge of a piece of copper at once: each cut walks all round a pour.
    cut, of = np.unique(part[across], return_inverse=True)
    over = shapely.multipolygons(openings[opening[across]], indices=of)
    bared = shapely.get_parts(shapely.intersection(copper[cut], over))
    return np.concatenate([openings[opening[amidst]], copper[part[whole]], bared])


def _overlaps(first: npt.NDArray[Any], second: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Overlap of every pair that has one."""
    b, a = shapely.STRtree(first).query(second, predicate="intersects")
    return np.asarray(shapely.intersection(nearby(first[a], second[b]), second[b]))


def _merged(shapes: npt.NDArray[Any]) -> npt.NDArray[Any]:
    if len(shapes) == 0:
        return shapes
    return np.asarray(shapely.get_parts(shapely.disjoint_subset_union_all(shapes)))
