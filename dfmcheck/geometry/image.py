"""One layer's image: objects painted in order, as pieces, exact edges and merged parts."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.formats.records import Artwork, Kind, Objects
from dfmcheck.geometry.budget import check_cuts, check_density, check_objects, check_overlaps
from dfmcheck.geometry.edges import CHORD_ERROR, Edges, coarse, polygon_edges
from dfmcheck.geometry.flatten import flatten
from dfmcheck.geometry.merge import merge
from dfmcheck.geometry.paint import Painted, paint
from dfmcheck.geometry.pieces import Pieces, packed, unpacked
from dfmcheck.terms import Defect

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.intp]

_BATCH = 4_000_000  # pairs looked at together, for the sake of memory
_MANY, _LARGEST = 100, 50
"""Clear shapes of more points, of those the largest, are asked what lies inside them."""


@dataclass(frozen=True, slots=True)
class Image:
    """What one layer shows, in mm.

    Attributes
    ----------
    pieces : Pieces, (n,)
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
    clear : Edges
        Outline of the clear draws and flashes; ``clear.piece`` numbers the objects. What one
        of them drew on its own is as wide as stated, whatever the grid.
    """

    file: str
    pieces: Pieces
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
    clear: Edges = field(default_factory=Edges.empty)

    def __reduce__(self) -> tuple[Any, ...]:
        # Painted in another process: polygons travel as coordinates, not one by one.
        columns = {f.name: getattr(self, f.name) for f in fields(self)}
        return _unpacked, (columns | {"parts": packed(self.parts)},)

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


def _unpacked(columns: dict[str, Any]) -> Image:
    return Image(**columns | {"parts": unpacked(columns["parts"])})


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
    columns = ("kind", "code", "line", "net", "pin", "flash", "whole", "x", "y")
    return replace(
        image,
        **{name: getattr(image, name)[pieces] for name in columns},
        pieces=image.pieces.take(pieces),
        edges=replace(edges, piece=place[edges.piece]),
        parts=image.parts[keep],
        part=new_part[image.part[pieces]].astype(np.int32),
        component=np.unique(component, return_inverse=True)[1].astype(np.int32),
    )


def layer_image(artwork: Artwork) -> Image:
    """Paint one file's objects and merge them.

    Image semantics: objects in order, dark adds, clear takes away from what is under it
    (Gerber Layer Format Specification 2.2, 4.9). Raises FormatError where the layer is beyond
    the bounds of :mod:`dfmcheck.geometry.budget`.
    """
    objects, defects = flatten(artwork)
    check_objects(objects, artwork)
    painted = paint(objects, artwork)
    shapes, edges, of_object = _compose(painted, objects, artwork.file)
    check_overlaps(shapes.bounds(), artwork.file)
    check_density(edges.table, artwork.file)
    codes = np.array([a.code for a in artwork.apertures] + [-1], dtype=np.int32)
    functions = codes[np.where(objects.aperture >= 0, objects.aperture, len(codes) - 1)]
    merged = merge(shapes, edges.table, edges.uncut)
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
        parts=merged.parts,
        part=merged.part,
        component=merged.component,
        grid=coarse(artwork.resolution),
        nets=artwork.nets,
        pins=artwork.pins,
        defects=defects + painted.defects,
        clear=_cutters(painted, objects),
    )


def _cutters(painted: Painted, objects: Objects) -> Edges:
    """Edges of the clear draws and flashes; a piece is one object, error without the grid."""
    of_edge = painted.owner[painted.edges.piece]
    rows = np.flatnonzero(~objects.dark[of_edge] & (objects.kind[of_edge] != Kind.REGION))
    return replace(painted.edges.take(rows), piece=of_edge[rows].astype(np.int32))


@dataclass(frozen=True, slots=True)
class _PieceEdges:
    table: Edges
    uncut: npt.NDArray[np.intp]


def _compose(
    painted: Painted, objects: Objects, file: str
) -> tuple[Pieces, _PieceEdges, npt.NDArray[np.intp]]:
    """Cut every dark shape by the clear ones painted after it."""
    shapes, owner = painted.shapes, painted.owner
    dark = objects.dark[owner]
    dark_rows, clear_rows = np.flatnonzero(dark), np.flatnonzero(~dark)
    touched = np.empty(0, dtype=np.intp)
    left = np.empty(0, dtype=object)
    check_cuts(shapes.take(dark_rows).bounds(), shapes.take(clear_rows).bounds(), file)
    of_dark, of_clear = _later_clears(shapes, owner, dark_rows, clear_rows)
    if len(of_dark):
        touched, first = np.unique(of_dark, return_index=True)
        clears = shapes[clear_rows]
        # Most clear shapes under one dark one lie apart; only those that meet are merged.
        cutters = np.array(
            [shapely.disjoint_subset_union_all(clears[g]) for g in np.split(of_clear, first[1:])],
            dtype=object,
        )
        left = shapely.difference(shapes[dark_rows[touched]], cutters)
    is_cut = np.zeros(len(dark_rows), dtype=np.bool_)
    is_cut[touched] = True

    apart, of = shapely.get_parts(left, return_index=True)
    of_result = np.concatenate([np.flatnonzero(~is_cut), touched[of]])
    uncut = shapes.take(dark_rows[~is_cut])
    keep = np.concatenate([uncut.solid(), shapely.area(apart) > 0])
    order = np.argsort(of_result, kind="stable")
    order = order[keep[order]]
    pieces, of_result = Pieces.concat([uncut, Pieces.of(apart)]).take(order), of_result[order]
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


def _later_clears(
    shapes: Pieces,
    owner: npt.NDArray[np.intp],
    dark_rows: npt.NDArray[np.intp],
    clear_rows: npt.NDArray[np.intp],
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Places in ``dark_rows`` and ``clear_rows`` of pairs that meet, the clear painted later.

    Sorted by the dark one.
    """
    none = np.empty(0, dtype=np.intp)
    if len(clear_rows) == 0:
        return none, none
    clears = shapes[clear_rows]
    tree = shapely.STRtree(clears)
    before = np.flatnonzero(owner[dark_rows] < owner[clear_rows].max())
    found = []
    step = max(1, _BATCH // len(clear_rows))
    for start in range(0, len(before), step):
        rows = before[start : start + step]
        dark = shapes[dark_rows[rows]]
        at, clear = tree.query(dark)
        later = owner[clear_rows[clear]] > owner[dark_rows[rows[at]]]
        at, clear = at[later], clear[later]
        shapely.prepare(dark[np.unique(at)])
        meets = shapely.intersects(dark[at], clears[clear])
        shapely.destroy_prepared(dark)
        order = np.argsort(at[meets], kind="stable")
        found.append((rows[at[meets][order]], clear[meets][order]))
    if not found:
        return none, none
    at, clear = (np.concatenate([f[i] for f in found]) for i in (0, 1))
    seen = _uncovered(clears, at, clear)
    return at[seen], clear[seen]


def _uncovered(clears: npt.NDArray[Any], dark: Rows, clear: Rows) -> Rows:
    """Which pairs of a dark and a clear shape are left without clear ones inside large ones.

    Both cut the same dark shape then, and the large one takes it all.
    """
    large = np.flatnonzero(shapely.get_num_coordinates(clears) > _MANY)
    large = large[np.argsort(shapely.area(clears[large]), kind="stable")[-_LARGEST:]]
    of, inner = shapely.STRtree(clears).query(clears[large], predicate="contains_properly")
    outer = np.full(len(clears), -1, dtype=np.intp)
    np.maximum.at(outer, inner, of)
    asked = np.flatnonzero(outer[clear] >= 0)
    instead = dark[asked] << 32 | large[outer[clear[asked]]]
    return np.delete(np.arange(len(dark)), asked[np.isin(instead, dark << 32 | clear)])
