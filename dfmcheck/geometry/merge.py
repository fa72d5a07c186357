"""Pieces to parts: the merged image, and which part and component each piece belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.gaps import all_but_largest, gaps_within
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.strokes import stroke_runs

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Rows = npt.NDArray[np.intp]

TOUCHING = 1e-6
"""Shapes nearer than this (mm) touch: rounding between units must not open a net."""
_MANY = 500
"""A shape with more vertices than this is merged last: each union walks all of it."""


@dataclass(frozen=True, slots=True)
class Merged:
    """``parts`` (m,), the part of each piece (n,) and the component of each part (m,)."""

    parts: npt.NDArray[Any]
    part: Ints
    component: Ints


def merge(pieces: npt.NDArray[Any], edges: Edges, whole: Rows) -> Merged:
    """Merge pieces to parts.

    Parameters
    ----------
    pieces : array of Polygon, (n,)
    edges : Edges
        Their outlines; ``edges.piece`` is the row in ``pieces``.
    whole : intp
        Rows of pieces whose edges are exact.
    """
    round_, row = _strokes(len(pieces), edges, whole)
    shapes, alike = _shapes(pieces, edges, round_, row)
    parts = _union(shapes)
    # Strokes of one run, and equal ones, lie in one part: one of them is asked for all.
    asked, of = np.unique(alike, return_inverse=True)
    asked_round = np.flatnonzero(np.isin(round_, asked))
    part = _owner(
        pieces[asked], parts, edges, np.searchsorted(asked, round_[asked_round]), row[asked_round]
    )[of]
    return Merged(parts, part, _components(len(parts), part, edges))


def _strokes(count: int, edges: Edges, whole: Rows) -> tuple[Rows, Rows]:
    """Pieces that are one stroke or disc of a round aperture, and the edge row of each."""
    of = np.bincount(edges.piece, minlength=count)
    row = np.zeros(count, dtype=np.intp)
    row[edges.piece] = np.arange(len(edges))
    round_ = whole[(of[whole] == 1) & (edges.r[row[whole]] > 0)]
    return round_, row[round_]


def _shapes(
    pieces: npt.NDArray[Any], edges: Edges, round_: Rows, row: Rows
) -> tuple[npt.NDArray[Any], Rows]:
    """What is to be merged: strokes as runs and none of them twice, and the other pieces.

    With it, for every piece, the first one it makes a shape with or is equal to: itself mostly.
    """
    once, first = _first_of_equals(edges, row)
    runs = stroke_runs(edges.segments[row[once]], edges.r[row[once]])
    other = np.ones(len(pieces), dtype=np.bool_)
    other[round_] = False
    other[round_[once[runs.of < 0]]] = True
    alike = np.arange(len(pieces))
    leads = round_[once]
    in_run = np.flatnonzero(runs.of >= 0)
    head = np.full(len(runs.shapes), -1, dtype=np.intp)
    head[runs.of[in_run[::-1]]] = in_run[::-1]
    alike[leads[in_run]] = leads[head[runs.of[in_run]]]
    alike[round_] = alike[round_[first]]
    return np.concatenate([pieces[other], runs.shapes]), alike


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


def _union(shapes: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Parts of the merged shapes.

    Each union walks all vertices of both sides, so a pour with thousands of them is joined
    once, with all that is merged already, and never with what lies inside it.
    """
    if len(shapes) == 0:
        return np.empty(0, dtype=object)
    many = shapely.get_num_coordinates(shapes) > _MANY
    if many.any():
        large, small = shapes[many], shapes[~many]
        inside = shapely.STRtree(small).query(large, predicate="covers")[1]
        small = np.delete(small, inside)
        small = shapely.get_parts(shapely.disjoint_subset_union_all(small))
        merged = shapely.disjoint_subset_union_all(large)
        meets = np.zeros(len(small), dtype=np.bool_)
        meets[
            shapely.STRtree(small).query(shapely.get_parts(merged), predicate="intersects")[1]
        ] = True
        if meets.any():
            merged = shapely.union(merged, shapely.multipolygons(small[meets]))
        parts = np.concatenate([shapely.get_parts(merged), small[~meets]])
    else:
        parts = shapely.get_parts(shapely.disjoint_subset_union_all(shapes))
    return np.asarray(parts[shapely.area(parts) > 0])


def _owner(
    pieces: npt.NDArray[Any], parts: npt.NDArray[Any], edges: Edges, round_: Rows, row: Rows
) -> Ints:
    """Part every piece lies in."""
    owner = np.full(len(pieces), -1, dtype=np.int32)
    if len(pieces) == 0:
        return owner
    other = np.ones(len(pieces), dtype=np.bool_)
    other[round_] = False
    points = np.empty(len(pieces), dtype=object)
    points[other] = shapely.point_on_surface(pieces[other])
    points[round_] = shapely.points(
        (edges.x0[row] + edges.x1[row]) / 2, (edges.y0[row] + edges.y1[row]) / 2
    )
    # The parts are the prepared side of the query: big pours have many points to test.
    of_part, of_point = shapely.STRtree(points).query(parts, predicate="intersects")
    owner[of_point] = of_part
    lost = np.flatnonzero(owner < 0)
    if len(lost):
        owner[lost] = shapely.STRtree(parts).nearest(points[lost])
    return owner


def _components(count: int, part: Ints, edges: Edges) -> Ints:
    """Components of the parts: exact outlines that touch join parts whose chords do not."""
    if count == 0:
        return np.empty(0, dtype=np.int32)
    of_edge = part[edges.piece]
    touching = gaps_within(
        edges, TOUCHING, lambda a, b: np.asarray(of_edge[a] != of_edge[b]), overlaps=True,
        start=all_but_largest(of_edge),
    )  # fmt: skip
    a, b = of_edge[touching.a], of_edge[touching.b]
    return connected(count, a, b).astype(np.int32)
