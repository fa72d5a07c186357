"""One layer's image: objects painted in order, as pieces, exact edges and merged parts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from dfmcheck.formats.records import Artwork, Kind, Objects
from dfmcheck.geometry.edges import CHORD_ERROR, Edges, coarse, polygon_edges
from dfmcheck.geometry.flatten import flatten
from dfmcheck.geometry.gaps import all_but_largest, gaps_within
from dfmcheck.geometry.paint import Painted, paint
from dfmcheck.terms import Defect

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]

TOUCHING = 1e-6
"""Shapes nearer than this (mm) touch: rounding between units must not open a net."""


@dataclass(frozen=True, slots=True)
class Image:
    """What one layer shows, in mm.

    Attributes
    ----------
    pieces : array of Polygon, (n,)
        What remains of each dark object after all later clear ones; one object may leave
        several pieces or none.
    kind, code, line, net, pin, flash, whole : arrays (n,)
        Object kind, D-code (-1 for a region), file line, rows in ``nets`` and ``pins`` (-1:
        none), whether the piece is an uncut flash (a land on a copper layer), and whether it
        is uncut at all.
    x, y : float64 (n,)
        Flash point of a flash, start of a draw.
    edges : Edges
        Exact outline of the pieces; ``edges.piece`` is the row in ``pieces``.
    parts : array of Polygon, (m,)
        The merged image, one polygon per connected area.
    part : int32 (n,)
        Row in ``parts`` of each piece.
    component : int32 (m,)
        Parts that touch (closer than 1 nm) share a component.
    grid : float
        How far a feature may be off because the file's coordinates are coarse: half a step
        where a step is above 1.5 µm, nought on finer grids. Part of ``edges.error``.
    """

    file: str
    pieces: npt.NDArray[Any]
    kind: npt.NDArray[np.uint8]
    code: Ints
    line: Ints
    net: Ints
    pin: Ints
    flash: Bools
    whole: Bools
    x: Floats
    y: Floats
    edges: Edges
    parts: npt.NDArray[Any]
    part: Ints
    component: Ints
    grid: float = 0.0
    nets: tuple[str, ...] = ()
    pins: tuple[tuple[str, str], ...] = ()
    defects: tuple[Defect, ...] = ()

    @property
    def area(self) -> float:
        """Area of the image, mm²."""
        return float(shapely.area(self.parts).sum())

    @property
    def piece_component(self) -> Ints:
        """Component of every piece, (n,)."""
        return self.component[self.part]

    @property
    def edge_component(self) -> Ints:
        """Component of every edge."""
        return self.piece_component[self.edges.piece]


def keep_parts(image: Image, keep: Bools) -> Image:
    """The image with only the marked parts and what belongs to them."""
    if keep.all():
        return image
    pieces = np.flatnonzero(keep[image.part])
    place = np.full(len(image.pieces), -1, dtype=np.int32)
    place[pieces] = np.arange(len(pieces), dtype=np.int32)
    edges = image.edges.take(np.flatnonzero(place[image.edges.piece] >= 0))
    new_part = np.cumsum(keep) - 1
    component = image.component[keep]
    columns = ("pieces", "kind", "code", "line", "net", "pin", "flash", "whole", "x", "y")
    return replace(
        image,
        **{name: getattr(image, name)[pieces] for name in columns},
        edges=replace(edges, piece=place[edges.piece]),
        parts=image.parts[keep],
        part=new_part[image.part[pieces]].astype(np.int32),
        component=np.unique(component, return_inverse=True)[1].astype(np.int32),
    )


def layer_image(artwork: Artwork) -> Image:
    """Paint one file's objects and merge them.

    Image semantics: objects in order, dark adds, clear takes away from what is under it
    (Gerber Layer Format Specification 2.2, 4.9).
    """
    objects, defects = flatten(artwork)
    painted = paint(objects, artwork)
    shapes, edges, of_object = _compose(painted, objects)
    codes = np.array([a.code for a in artwork.apertures] + [-1], dtype=np.int32)
    functions = codes[np.where(objects.aperture >= 0, objects.aperture, len(codes) - 1)]
    parts = _merge(shapes)
    part = _owner(shapes, parts)
    cut = np.ones(len(shapes), dtype=np.bool_)
    cut[edges.uncut] = False
    return Image(
        file=artwork.file,
        pieces=shapes,
        kind=objects.kind[of_object],
        code=functions[of_object].astype(np.int32),
        line=objects.line[of_object],
        net=objects.net[of_object],
        pin=objects.pin[of_object],
        flash=(objects.kind[of_object] == Kind.FLASH) & ~cut,
        whole=~cut,
        x=objects.x0[of_object],
        y=objects.y0[of_object],
        edges=replace(edges.table, error=edges.table.error + coarse(artwork.resolution)),
        parts=parts,
        part=part,
        component=_components(len(parts), part, edges.table),
        grid=coarse(artwork.resolution),
        nets=artwork.nets,
        pins=artwork.pins,
        defects=defects + painted.defects,
    )


@dataclass(frozen=True, slots=True)
class _PieceEdges:
    table: Edges
    uncut: npt.NDArray[np.intp]


def _compose(
    painted: Painted, objects: Objects
) -> tuple[npt.NDArray[Any], _PieceEdges, npt.NDArray[np.intp]]:
    """Cut every dark shape by the clear ones painted after it."""
    shapes, owner = painted.shapes, painted.owner
    dark = objects.dark[owner]
    dark_rows, clear_rows = np.flatnonzero(dark), np.flatnonzero(~dark)
    touched = np.empty(0, dtype=np.intp)
    result = shapes[dark_rows]
    if len(clear_rows) and len(dark_rows):
        tree = shapely.STRtree(shapes[clear_rows])
        of_dark, of_clear = tree.query(result, predicate="intersects")
        later = owner[clear_rows[of_clear]] > owner[dark_rows[of_dark]]
        of_dark, of_clear = of_dark[later], of_clear[later]
        touched = np.unique(of_dark)
        order = np.argsort(of_dark, kind="stable")
        groups = np.split(of_clear[order], np.searchsorted(of_dark[order], touched)[1:])
        cutters = np.array([shapely.union_all(shapes[clear_rows[g]]) for g in groups], dtype=object)
        result = result.copy()
        result[touched] = shapely.difference(result[touched], cutters)
    is_cut = np.zeros(len(dark_rows), dtype=np.bool_)
    is_cut[touched] = True

    pieces, of_result = shapely.get_parts(result, return_index=True)
    keep = shapely.area(pieces) > 0
    pieces, of_result = pieces[keep], of_result[keep]
    cut_pieces = np.flatnonzero(is_cut[of_result])
    whole_pieces = np.flatnonzero(~is_cut[of_result])

    # Whole shapes keep their exact edges; cut ones take the outline of what is left.
    piece_of_shape = np.full(len(shapes), -1, dtype=np.int32)
    piece_of_shape[dark_rows[of_result[whole_pieces]]] = whole_pieces
    exact = painted.edges
    rows = np.flatnonzero(piece_of_shape[exact.piece] >= 0)
    kept = exact.take(rows)
    kept = Edges(kept.x0, kept.y0, kept.x1, kept.y1, kept.r, kept.error, piece_of_shape[kept.piece])
    cut_edges = polygon_edges(pieces[cut_pieces], CHORD_ERROR, cut_pieces.astype(np.int32))
    return (
        pieces,
        _PieceEdges(Edges.concat([kept, cut_edges]), whole_pieces),
        owner[dark_rows[of_result]],
    )


def _merge(pieces: npt.NDArray[Any]) -> npt.NDArray[Any]:
    if len(pieces) == 0:
        return np.empty(0, dtype=object)
    merged = shapely.disjoint_subset_union_all(pieces)
    parts = shapely.get_parts(merged)
    return np.asarray(parts[shapely.area(parts) > 0])


def _owner(pieces: npt.NDArray[Any], parts: npt.NDArray[Any]) -> Ints:
    """Part every piece lies in."""
    owner = np.zeros(len(pieces), dtype=np.int32)
    if len(pieces) == 0:
        return owner
    points = shapely.point_on_surface(pieces)
    # The parts are the prepared side of the query: big pours have many points to test.
    of_part, of_point = shapely.STRtree(points).query(parts, predicate="intersects")
    owner[:] = -1
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
    graph = coo_array((np.ones(len(a), dtype=np.int8), (a, b)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int32)
