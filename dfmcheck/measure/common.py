"""Small helpers the measuring modules share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.gaps import (
    Gaps,
    all_but_largest,
    along_parallels,
    candidate_pairs,
    clear_of,
    gaps_within,
    thin_free,
)
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.segments import points_to_segments
from dfmcheck.measure.places import Places

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

CELL = 0.5
"""Places of one pair of features are kept one per square of this size, mm."""
_WIDEST = 8.0
_MOST_PAIRS = 3e7


def names(table: tuple[str, ...], rows: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Names by row, "" for -1."""
    lookup = np.array([*table, ""], dtype=object)
    return np.asarray(lookup[rows])


def pair_key(a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """One number for an unordered pair of small numbers (from -1)."""
    low, high = np.minimum(a, b).astype(np.int64) + 1, np.maximum(a, b).astype(np.int64) + 1
    return np.asarray(high * (1 << 31) + low)


def ordered_key(a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """One number for an ordered pair of small numbers (from -1)."""
    return np.asarray((a.astype(np.int64) + 1) * (1 << 31) + b.astype(np.int64) + 1)


def feature_kind(image: Image, piece: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """``land`` (flash), ``pour`` (region) or ``conductor`` (draw) of each piece."""
    words = np.array(["conductor", "conductor", "land", "pour"], dtype=object)
    return np.asarray(words[image.kind[piece]])


def source(image: Image, edge: Rows, side: str) -> dict[str, Any]:
    """Source columns of the features that ``edge`` rows of one image belong to (-1: unknown)."""
    piece = image.edges.piece[np.maximum(edge, 0)]
    return {
        f"file_{side}": image.file,
        f"line_{side}": np.where(edge >= 0, image.line[piece], 0),
        f"code_{side}": np.where(edge >= 0, image.code[piece], -1),
    }


def hole_source(board: Board, hole: Rows, side: str) -> dict[str, Any]:
    holes = board.holes
    return {
        f"file_{side}": names(board.drill_files, holes.file[hole]),
        f"line_{side}": holes.line[hole],
        f"code_{side}": holes.tool[hole],
    }


def place_points(board: Board, p: Floats, q: Floats) -> dict[str, Floats]:
    """Point columns on the board's datum."""
    ox, oy = board.origin
    return {"x": p[:, 0] - ox, "y": p[:, 1] - oy, "x2": q[:, 0] - ox, "y2": q[:, 1] - oy}


def with_tightest(
    search: Callable[[float], Gaps],
    reach: float,
    cost: Callable[[float], float] = lambda far: 0.0,
) -> Gaps:
    """Gaps within ``reach``; where there are none, the narrowest found by looking further.

    ``cost(far)`` tells roughly how many pairs a search would look at; looking further ends
    where that is out of all proportion (two large pours far apart).
    """
    gaps = search(reach)
    wider = reach
    while len(gaps) == 0 and wider < _WIDEST:
        wider = min(wider * 2, _WIDEST)
        if cost(wider) > _MOST_PAIRS:
            break
        gaps = search(wider)
        if len(gaps):
            return gaps.take(np.array([int(np.argmin(gaps.value))]))
    return gaps


def free_gaps(
    image: Image,
    label: npt.NDArray[np.integer[Any]],
    reach: float,
    counts: Callable[[Gaps], npt.NDArray[np.bool_]] | None = None,
) -> Gaps:
    """Free gaps between edges of different ``label`` (one per edge); the tightest always.

    The narrowest one per pair of components and cell. ``counts`` tells which are gaps at all.
    """
    edges, component = image.edges, image.edge_component
    start = all_but_largest(label)

    def free(gaps: Gaps) -> npt.NDArray[np.bool_]:
        out = clear_of(gaps, edges, image.parts, apart=True)
        return out if counts is None else out & counts(gaps)

    def search(far: float) -> Gaps:
        gaps = gaps_within(edges, far, lambda a, b: np.asarray(label[a] != label[b]), start=start)
        gaps = along_parallels(gaps, edges, edges)
        gaps = gaps.take((gaps.value > 0) & (gaps.value <= far))
        key, piece = (pair_key(of[gaps.a], of[gaps.b]) for of in (component, edges.piece))
        return gaps.take(thin_free(gaps, key, piece, CELL, free))

    return with_tightest(search, reach, lambda far: candidate_pairs(edges, far, start))


def edges_at(edges: Edges, points: Floats) -> tuple[Rows, Floats]:
    """For each point the edge on whose outline it lies best, and how far off it is.

    Returns row -1 and NaN where no outline is within 5 µm.
    """
    n = len(points)
    best = np.full(n, -1, dtype=np.intp)
    off = np.full(n, np.nan)
    if n == 0 or len(edges) == 0:
        return best, off
    near = 10 * CHORD_ERROR
    of, edge = edges.index.at(points[:, 0], points[:, 1], near)
    away = np.abs(points_to_segments(points, of, edges.segments, edge) - edges.r[edge])
    on = np.flatnonzero(away <= near)
    of, edge, away = of.take(on), edge.take(on), away.take(on)
    # At a corner two edges are equally near; the less exact one tells how sure the corner is.
    rows = np.arange(len(of))
    for rank in (away.round(6), -edges.error[edge], edge):
        column, at = rank.take(rows), of.take(rows)
        least = np.full(n, np.inf)
        np.minimum.at(least, at, column)
        rows = rows.take(np.flatnonzero(column == least.take(at)))
    best[of[rows]], off[of[rows]] = edge[rows], away[rows]
    return best, off


def is_land(image: Image) -> npt.NDArray[np.bool_]:
    """Pieces that may be lands: uncut flashes and regions."""
    return np.asarray(image.whole & ((image.kind == Kind.FLASH) | (image.kind == Kind.REGION)))


def concat_layers(
    board: Board, layers: tuple[Layer, ...], one: Callable[[Board, Layer], Places]
) -> Places:
    return Places.concat([one(board, layer) for layer in layers])
