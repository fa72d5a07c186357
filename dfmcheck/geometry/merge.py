"""Pieces to parts: the merged image, and which part and component each piece belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.gaps import gaps_within
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.pieces import Pieces
from dfmcheck.geometry.rows import run_starts
from dfmcheck.geometry.strokes import stroke_runs

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Rows = npt.NDArray[np.intp]

TOUCHING = 1e-6
"""Shapes nearer than this (mm) touch: rounding between units must not open a net."""
_NEAR = 5e-5
"""Outlines nearer than this (mm) may meet once rounds are chords and bends corners."""
_MANY = 500
"""A shape with more vertices than this is merged last: each union walks all of it."""


@dataclass(frozen=True, slots=True)
class Merged:
    """``parts`` (m,), the part of each piece (n,) and the component of each part (m,)."""

    parts: npt.NDArray[Any]
    part: Ints
    component: Ints


def merge(pieces: Pieces, edges: Edges, whole: Rows) -> Merged:
    """Merge pieces to parts.

    Parameters
    ----------
    pieces : Pieces, (n,)
    edges : Edges
        Their outlines; ``edges.piece`` is the row in ``pieces``.
    whole : intp
        Rows of pieces whose edges are exact.
    """
    round_, row = _strokes(len(pieces), edges, whole)
    shapes, shape = _shapes(pieces, edges, round_, row)
    touch = _touches(shape[edges.piece], edges)
    many = shapely.get_num_coordinates(shapes) > _MANY
    small = np.flatnonzero(~many[touch.a] & ~many[touch.b])
    lump = connected(len(shapes), touch.a[small], touch.b[small])
    a, b = lump[touch.a], lump[touch.b]
    outer, inner = _contained(
        pieces, np.setdiff1d(np.arange(len(pieces)), round_), lump[shape], edges, a, b
    )
    lumps = _Lumps(
        lump,
        connected(
            int(lump.max(initial=-1)) + 1, np.concatenate([a, outer]), np.concatenate([b, inner])
        ),
        lump[many],
        inner,
    )
    parts, part = _union(shapes, lumps)
    # Parts are numbered as their first pieces were painted.
    first = np.full(len(parts), len(pieces))
    np.minimum.at(first, part[shape], np.arange(len(pieces)))
    order = np.argsort(first, kind="stable")
    place = np.empty(len(parts), dtype=np.int32)
    place[order] = np.arange(len(parts))
    parts, part = parts[order], place[part]
    near = np.flatnonzero(touch.gap <= TOUCHING)
    component = connected(len(parts), part[touch.a[near]], part[touch.b[near]])
    return Merged(parts, part[shape], component.astype(np.int32))


def _strokes(count: int, edges: Edges, whole: Rows) -> tuple[Rows, Rows]:
    """Pieces that are one stroke or disc of a round aperture, and the edge row of each."""
    of = np.bincount(edges.piece, minlength=count)
    row = np.zeros(count, dtype=np.intp)
    row[edges.piece] = np.arange(len(edges))
    round_ = whole[(of[whole] == 1) & (edges.r[row[whole]] > 0)]
    return round_, row[round_]


def _shapes(pieces: Pieces, edges: Edges, round_: Rows, row: Rows) -> tuple[npt.NDArray[Any], Rows]:
    """What is to be merged: strokes as runs and none of them twice, and the other pieces.

    With it the shape every piece is part of, or equal to.
    """
    once, first = _first_of_equals(edges, row)
    runs = stroke_runs(edges.segments[row[once]], edges.r[row[once]])
    alone = np.ones(len(pieces), dtype=np.bool_)
    alone[round_] = False
    alone[round_[once[runs.of < 0]]] = True
    shape = np.cumsum(alone) - 1
    in_run = np.flatnonzero(runs.of >= 0)
    shape[round_[once[in_run]]] = np.count_nonzero(alone) + runs.of[in_run]
    shape[round_] = shape[round_[first]]
    return np.concatenate([pieces[alone], runs.shapes]), shape


def _first_of_equals(edges: Edges, row: Rows) -> tuple[Rows, Rows]:
    """Places in ``row`` of the first of equal edges, in order, and that place for every row."""
    table = [
        np.ascontiguousarray(c[row]) for c in (edges.x0, edges.y0, edges.x1, edges.y1, edges.r)
    ]
    order = np.lexsort(table)
    new = np.ones(len(order), dtype=np.bool_)
    if len(order):
        new[1:] = np.any([np.diff(c[order]) != 0 for c in table], axis=0)
    # lexsort is stable: the first of a run of equals is the one painted first.
    first = np.empty(len(order), dtype=np.intp)
    first[order] = order[new][np.cumsum(new) - 1]
    return np.sort(order[new]), first


@dataclass(frozen=True, slots=True)
class _Touches:
    """Pairs of shapes ``a``, ``b`` whose outlines lie over each other or are ``gap`` apart."""

    a: Rows
    b: Rows
    gap: Floats


def _touches(shape: Rows, edges: Edges) -> _Touches:
    gaps = gaps_within(
        edges, _NEAR, lambda a, b: np.asarray(shape[a] != shape[b]), overlaps=True,
        # Of two shapes one is not the largest: a big pour's edges need not start a search.
        start=shape != np.argmax(np.bincount(shape, minlength=1)),
    )  # fmt: skip
    return _Touches(shape[gaps.a], shape[gaps.b], gaps.value)


@dataclass(frozen=True, slots=True)
class _Lumps:
    """Shapes that meet make a lump; a pour is one by itself, so that it is merged last.

    ``lump`` (n,) is the lump of each shape and ``group`` (m,) the group of each lump, of those
    that meet or hold each other. ``pours`` and ``inside`` list lumps that are pours, and that
    lie in others.
    """

    lump: Rows
    group: Rows
    pours: Rows
    inside: Rows


def _contained(
    pieces: Pieces, solid: Rows, lump: Rows, edges: Edges, a: Rows, b: Rows
) -> tuple[Rows, Rows]:
    """Pairs of a lump and one that lies in it without touching its outline.

    ``lump`` is that of each piece; rows ``solid`` can hold something their edges do not touch.
    Lumps ``a`` and ``b`` touch each other. What does not touch an outline lies inside wherever
    one point of it does.
    """
    lumps, first = np.unique(lump[edges.piece], return_index=True)
    points = shapely.points(edges.x0[first], edges.y0[first])
    of, point = shapely.STRtree(points).query(pieces[solid])
    outer, inner = lump[solid[of]], lumps[point]
    asked = np.flatnonzero((outer != inner) & ~np.isin(_pair(outer, inner), _pair(a, b)))
    outer, inner = outer[asked], inner[asked]
    held, points = pieces[solid[of[asked]]], points[point[asked]]
    shapely.prepare(held)
    hit = np.flatnonzero(shapely.intersects(held, points))
    shapely.destroy_prepared(held)
    return outer[hit], inner[hit]


def _pair(a: Rows, b: Rows) -> Rows:
    """One number for two of them, in either order."""
    return np.asarray(np.minimum(a, b) << 32 | np.maximum(a, b))


def _union(shapes: npt.NDArray[Any], lumps: _Lumps) -> tuple[npt.NDArray[Any], Ints]:
    """Parts of the merged shapes, and the part every shape lies in.

    Each union walks all vertices of both sides, so a pour with thousands of them is joined
    once, with all that is merged already, and never with what lies inside it.
    """
    group = lumps.group
    pour, inside = np.zeros((2, len(group)), dtype=np.bool_)
    pour[lumps.pours] = inside[lumps.inside] = True
    kept = np.flatnonzero(~inside[lumps.lump])
    of_item, items = _united(shapes[kept], lumps.lump[kept])
    of_item, pour = group[of_item], pour[of_item]
    merged = np.full(int(group.max(initial=-1)) + 1, None, dtype=object)
    merged[of_item] = items
    for g in np.flatnonzero(np.bincount(of_item, minlength=len(merged)) > 1).tolist():
        rows = np.flatnonzero(of_item == g)
        pours, rest = items[rows[pour[rows]]], items[rows[~pour[rows]]]
        merged[g] = shapely.union(
            shapely.union_all(pours), shapely.multipolygons(shapely.get_parts(rest))
        )
    parts, of_part = shapely.get_parts(merged, return_index=True)
    solid = np.flatnonzero(shapely.area(parts) > 0)
    parts, of_part = parts[solid], of_part[solid]
    part = np.full(len(merged), -1, dtype=np.int32)
    part[of_part] = np.arange(len(parts))
    part[np.bincount(of_part, minlength=len(merged)) != 1] = -1
    owner = part[group[lumps.lump]]
    # Outlines that touch in points, or where their chords do not, make several parts.
    several = np.flatnonzero(owner < 0)
    if len(several):
        owner[several] = _owner(shapes[several], parts)
    return parts, owner


def _united(shapes: npt.NDArray[Any], lump: Rows) -> tuple[Rows, npt.NDArray[Any]]:
    """Lumps and the union of the shapes of each; those of about one size in one call."""
    order = np.argsort(lump, kind="stable")
    start = np.flatnonzero(run_starts(lump[order]))
    count = np.diff(start, append=len(order))
    merged = shapes[order[start]]
    size = np.ceil(np.log2(count)).astype(np.intp)
    for k in range(1, int(size.max(initial=0)) + 1):
        some = np.flatnonzero(size == k)
        row, column = np.nonzero(np.arange(2**k) < count[some][:, None])
        table = np.full((len(some), 2**k), None, dtype=object)
        table[row, column] = shapes[order[start[some[row]] + column]]
        merged[some] = shapely.union_all(table, axis=1)
    return lump[order[start]], merged


def _owner(shapes: npt.NDArray[Any], parts: npt.NDArray[Any]) -> Ints:
    """Part every shape lies in."""
    owner = np.full(len(shapes), -1, dtype=np.int32)
    points = shapely.point_on_surface(shapes)
    of_part, of_point = shapely.STRtree(points).query(parts, predicate="intersects")
    owner[of_point] = of_part
    lost = np.flatnonzero(owner < 0)
    if len(lost):
        owner[lost] = shapely.STRtree(parts).nearest(points[lost])
    return owner
