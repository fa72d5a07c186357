"""The copper that gets the final finish: what the mask leaves bare on each side."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.terms import Side

_MANY = 200
"""Areas of more vertices are halved until they have fewer, so that no cut looks at a whole pour."""


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
    bare = _overlaps(halved(copper.image.parts), mask.image.parts)
    walls = _merged(hole_polygons(holes, through))
    return float(shapely.area(bare).sum() - shapely.area(_overlaps(bare, walls)).sum())


def _overlaps(first: npt.NDArray[Any], second: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Overlap of every pair that has one."""
    if len(first) == 0 or len(second) == 0:
        return np.empty(0, dtype=object)
    b, a = shapely.STRtree(first).query(second, predicate="intersects")
    cut = shapely.intersection(first[a], second[b])
    return np.asarray(cut[shapely.area(cut) > 0])


def _merged(shapes: npt.NDArray[Any]) -> npt.NDArray[Any]:
    if len(shapes) == 0:
        return shapes
    return np.asarray(shapely.get_parts(shapely.disjoint_subset_union_all(shapes)))


def halved(shapes: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The same areas cut in halves across their longer side until each has few vertices."""
    done: list[npt.NDArray[Any]] = []
    for _ in range(40):
        big = shapely.get_num_coordinates(shapes) > _MANY
        done.append(shapes[~big])
        shapes = shapes[big]
        if len(shapes) == 0:
            break
        shapes = np.array([half for shape in shapes for half in _two_halves(shape)], dtype=object)
        shapes = shapely.get_parts(shapes)
        shapes = shapes[shapely.area(shapes) > 0]
    return np.concatenate([*done, shapes])


def _two_halves(shape: Any) -> tuple[Any, Any]:
    x0, y0, x1, y1 = shape.bounds
    if x1 - x0 > y1 - y0:
        middle = (x0 + x1) / 2
        boxes = ((x0, y0, middle, y1), (middle, y0, x1, y1))
    else:
        middle = (y0 + y1) / 2
        boxes = ((x0, y0, x1, middle), (x0, middle, x1, y1))
    return shapely.clip_by_rect(shape, *boxes[0]), shapely.clip_by_rect(shape, *boxes[1])
