"""What the rules on mask, legend and paste share: the layers of one side and what they touch."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.depth import part_at
from dfmcheck.geometry.gaps import Gaps
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent
from dfmcheck.geometry.rows import run_starts
from dfmcheck.terms import Side

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_MARGIN = 1.0  # mm; lands stop about this far from the edge of a board


def outer_copper(board: Board, side: Side | None) -> Layer | None:
    """The copper under a mask, legend or paste of that side; None where the side has none."""
    if not board.copper or side is None:
        return None
    layer = board.copper[0] if side is Side.TOP else board.copper[-1]
    return layer if layer.role.side in (None, side) else None


def outer_number(board: Board, side: Side | None) -> int:
    """Number of the outer conductor of that side."""
    return 1 if side is Side.TOP else len(board.copper)


def mask_of(board: Board, side: Side | None) -> Layer | None:
    """The mask of that side."""
    return next((m for m in board.masks if m.role.side is side), None)


def on_board(board: Board, layer: Layer) -> Layer:
    """The layer without what lies wholly outside the profile: frames, titles, tables.

    Where no profile could be read, what lies beside the rectangle round all holes and flashed
    lands is outside: corner marks and titles are drawn, not flashed.
    """
    profile = board.profile
    if len(layer.image.parts) == 0:
        return layer
    of = [layer.image.parts, layer.net, board.holes.x0]
    of += [copper.image.parts for copper in board.copper]
    of += [] if profile is None else [profile.edges.x0]
    return _ON_BOARD.of(tuple(of), lambda: _on_board(board, layer))


_ON_BOARD: Recent[Layer] = Recent(8)


def _on_board(board: Board, layer: Layer) -> Layer:
    profile = board.profile
    area = _populated(board) if profile is None or profile.area.is_empty else profile.area
    if area.is_empty:
        return layer
    shapely.prepare(area)
    return layer.keep_parts(np.asarray(shapely.intersects(area, layer.image.parts)))


def _populated(board: Board) -> Any:
    """Rectangle round all holes and all flashed lands, and a little more; empty without holes."""
    if len(board.holes) == 0:
        return shapely.Polygon()
    of = (board.holes.x0, *(layer.image.parts for layer in board.copper))
    return _POPULATED.of(of, lambda: _round_lands(board))


_POPULATED: Recent[Any] = Recent(1)


def _round_lands(board: Board) -> Any:
    shapes = [hole_polygons(board.holes, np.arange(len(board.holes)))]
    shapes += [layer.image.pieces[layer.image.flash] for layer in board.copper]
    x0, y0, x1, y1 = shapely.total_bounds(np.concatenate(shapes))
    return shapely.box(x0 - _MARGIN, y0 - _MARGIN, x1 + _MARGIN, y1 + _MARGIN)


def holes_on(board: Board, side: Side | None) -> Rows:
    """Rows of the single holes and slots that come out on that side (no routed paths)."""
    holes = board.holes
    number = outer_number(board, side)
    path = holes.file.astype(np.int64) << 32 | holes.path
    _, of, many = np.unique(path, return_inverse=True, return_counts=True)
    return np.flatnonzero((holes.first <= number) & (holes.last >= number) & (many[of] == 1))


def touching(few: npt.NDArray[Any], many: npt.NDArray[Any]) -> tuple[Rows, Rows]:
    """Pairs of rows of two polygon arrays that intersect."""
    if len(few) == 0 or len(many) == 0:
        return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.intp)
    return _TOUCHING.of((few, many), lambda: _touching(few, many))


_TOUCHING: Recent[tuple[Rows, Rows]] = Recent(8)


def _touching(few: npt.NDArray[Any], many: npt.NDArray[Any]) -> tuple[Rows, Rows]:
    # The second is the prepared side: it may hold a pour with very many sides.
    shapely.prepare(many)
    b, a = shapely.STRtree(few).query(many, predicate="intersects")
    order = np.lexsort((b, a))
    return a[order], b[order]


def meets(few: npt.NDArray[Any], many: npt.NDArray[Any]) -> Bools:
    """Which of the first polygons intersect any of the second, which lie apart, (few,).

    Mostly the middle of a polygon lies in what it meets, and points are soon looked up.
    """
    middle = shapely.centroid(few)
    out = part_at(many, shapely.get_x(middle), shapely.get_y(middle)) >= 0
    out &= shapely.intersects(few, middle)
    rows = np.flatnonzero(~out)
    out[rows[touching(few[rows], many)[0]]] = True
    return np.asarray(out)


def worst_first(key: npt.NDArray[Any], value: Floats, at: Floats) -> Rows:
    """Row of the smallest value per key; of equal ones the lowest, left-most place."""
    if len(key) == 0:
        return np.empty(0, dtype=np.intp)
    by = np.argsort(key, kind="stable")
    starts = run_starts(key[by])
    value = value[by].round(7)
    least = np.minimum.reduceat(value, np.flatnonzero(starts))
    by = by[value == least[np.cumsum(starts) - 1]]
    key, at = key[by], at.take(by, axis=0)
    order = np.lexsort((at[:, 0].round(5), at[:, 1].round(5), key))
    return np.asarray(by[order[run_starts(key[order])]])


def nearest_gap(gaps: Gaps, key: npt.NDArray[Any]) -> Gaps:
    """The narrowest gap per key."""
    if len(gaps) == 0:
        return gaps
    return gaps.take(worst_first(key, gaps.value, (gaps.p + gaps.q) / 2))


def piece_source(image: Image, piece: Rows, side: str) -> dict[str, Any]:
    """Source columns of pieces (-1: unknown)."""
    row = np.maximum(piece, 0)
    known = (piece >= 0) & (len(image.line) > 0)
    if len(image.line) == 0:
        row = np.zeros(0, dtype=np.intp)
    return {
        f"file_{side}": image.file,
        f"line_{side}": np.where(known, image.line[row], 0),
        f"code_{side}": np.where(known, image.code[row], -1),
    }


def first_piece(image: Image) -> Rows:
    """The first painted piece of every part, (m,)."""
    first = np.full(len(image.parts), len(image.pieces), dtype=np.intp)
    np.minimum.at(first, image.part, np.arange(len(image.pieces)))
    return np.where(first < len(image.pieces), first, -1)
