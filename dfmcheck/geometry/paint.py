"""Objects to shapes: one polygon and its exact edges for every painted object."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.formats.records import Aperture, Artwork, Kind, Objects
from dfmcheck.geometry.edges import CHORD_ERROR, Edges, capsule_edges, polygon_edges
from dfmcheck.geometry.outlines import Outline, aperture_outline, solid_polygons
from dfmcheck.geometry.pieces import Pieces
from dfmcheck.geometry.segments import split_arc
from dfmcheck.terms import Defect, Weight

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Painted:
    """Shapes in painting order.

    ``shapes[i]`` belongs to object ``owner[i]`` (an arc gives one shape per chord, a flash or
    region of several areas one for each);
    ``edges.piece`` is the row in ``shapes``.
    """

    shapes: Pieces
    owner: Rows
    edges: Edges
    defects: tuple[Defect, ...]


class _Collector:
    def __init__(self) -> None:
        self.shapes: list[Pieces] = []
        self.owner: list[Rows] = []
        self.edges: list[Edges] = []
        self.count = 0

    def add(self, shapes: Pieces, owner: Rows, edges: Edges) -> None:
        """``edges.piece`` counts from the first of ``shapes``."""
        if len(shapes) == 0:
            return
        self.shapes.append(shapes)
        self.owner.append(owner)
        moved = (edges.piece + self.count).astype(np.int32)
        self.edges.append(
            Edges(edges.x0, edges.y0, edges.x1, edges.y1, edges.r, edges.error, moved)
        )
        self.count += len(shapes)

    def result(self, defects: list[Defect]) -> Painted:
        shapes = Pieces.concat(self.shapes)
        owner = np.concatenate([np.empty(0, dtype=np.intp), *self.owner])
        edges = Edges.concat(self.edges)
        order = np.argsort(owner, kind="stable")
        place = np.empty(len(order), dtype=np.int32)
        place[order] = np.arange(len(order), dtype=np.int32)
        edges = Edges(
            edges.x0, edges.y0, edges.x1, edges.y1, edges.r, edges.error, place[edges.piece]
        )
        return Painted(shapes.take(order), owner[order], edges, tuple(defects))


def paint(objects: Objects, artwork: Artwork) -> Painted:
    """Shapes of all objects. Apertures of no size leave no shape and are reported."""
    out = _Collector()
    defects: list[Defect] = []
    _regions(objects, artwork, out)
    keys, inverse = _aperture_keys(objects)
    for k, key in enumerate(keys):
        rows = np.flatnonzero(inverse == k)
        aperture = artwork.apertures[int(key[0])]
        if aperture.block >= 0:
            continue
        outline = _transformed(aperture_outline(aperture), int(key[1]), key[2], key[3])
        if outline.shape.is_empty or outline.shape.area == 0:
            if _undefined(aperture, artwork):
                continue  # told already, and heavier
            defects.append(
                Defect(
                    "data.zero-aperture",
                    Weight.NOTE,
                    f"aperture D{aperture.code} has no area and is used {len(rows)} times",
                    "a size above nought",
                    "Nothing is imaged there; give the aperture a size if copper is meant.",
                    artwork.file,
                    int(objects.line[rows[0]]),
                )
            )
            continue
        flashes = rows[objects.kind[rows] == Kind.FLASH]
        strokes, segments, error = _strokes(objects, rows)
        disc = aperture.template == "C" and len(aperture.values) == 1
        if disc and not key[1:3].any() and key[3] == 1:  # turned, its corners lie elsewhere
            at = np.stack([objects.x0[flashes], objects.y0[flashes]], axis=-1)
            _round(outline, np.tile(at, 2), np.zeros(len(at)), flashes, out)
        else:
            for area in _areas(outline):
                _flashes(area, flashes, objects, out)
        if disc:
            _round(outline, segments, error, strokes, out)
        elif len(strokes):
            shapes = _swept(outline, segments)
            out.add(
                Pieces.of(shapes),
                strokes,
                polygon_edges(shapes, error, np.arange(len(shapes), dtype=np.int32)),
            )
    return out.result(defects)


def _undefined(aperture: Aperture, artwork: Artwork) -> bool:
    """Whether a reader put the aperture there for one that no line defines."""
    named = any(d.rule == "data.aperture-undefined" for d in artwork.defects)
    return named and aperture.line == 0 and aperture.values == (0.0,)


def _aperture_keys(objects: Objects) -> tuple[Floats, Rows]:
    """Distinct (aperture, mirror, rotation, scale), and the row of each object's (-1: none)."""
    inverse = np.full(len(objects), -1, dtype=np.intp)
    used = np.flatnonzero((objects.kind != Kind.REGION) & (objects.aperture >= 0))
    if len(used) == 0:
        return np.empty((0, 4)), inverse
    plain = (objects.mirror[used] == 0) & (objects.rotation[used] == 0) & (objects.scale[used] == 1)
    if plain.all():
        values, inv = np.unique(objects.aperture[used], return_inverse=True)
        keys = np.zeros((len(values), 4))
        keys[:, 0], keys[:, 3] = values, 1.0
    else:
        table = np.stack(
            [
                objects.aperture[used].astype(np.float64),
                objects.mirror[used].astype(np.float64),
                objects.rotation[used],
                objects.scale[used],
            ],
            axis=-1,
        )
        keys, inv = np.unique(table, axis=0, return_inverse=True)
    inverse[used] = inv
    return keys, inverse


def _transformed(outline: Outline, mirror: int, rotation: float, scale: float) -> Outline:
    """Mirror, then scale, then rotate (Gerber Layer Format Specification 4.9)."""
    if mirror == 0 and rotation == 0.0 and scale == 1.0:
        return outline
    fx, fy = (-1.0 if mirror & 1 else 1.0), (-1.0 if mirror & 2 else 1.0)
    c, s = float(np.cos(rotation)) * scale, float(np.sin(rotation)) * scale
    matrix = np.array([[c * fx, -s * fy], [s * fx, c * fy]])
    shape = shapely.transform(outline.shape, lambda xy: xy @ matrix.T)
    e = outline.edges
    a = np.stack([e.x0, e.y0], axis=-1) @ matrix.T
    b = np.stack([e.x1, e.y1], axis=-1) @ matrix.T
    return Outline(
        shape,
        Edges(a[:, 0], a[:, 1], b[:, 0], b[:, 1], e.r * scale, e.error * scale, e.piece),
    )


def _areas(outline: Outline) -> list[Outline]:
    """Every area of an outline with the edges on it."""
    areas = shapely.get_parts(outline.shape)
    areas = areas[shapely.area(areas) > 0]
    if len(areas) == 1:
        return [Outline(areas[0], outline.edges)]
    e = outline.edges
    middle = shapely.points((e.x0 + e.x1) / 2, (e.y0 + e.y1) / 2)
    of = shapely.STRtree(areas).nearest(middle)
    return [Outline(area, e.take(np.flatnonzero(of == k))) for k, area in enumerate(areas)]


def _round(disc: Outline, segments: Floats, error: Floats, rows: Rows, out: _Collector) -> None:
    """Strokes (n, 4) of a round aperture; one of no length is a flash."""
    r = float(disc.edges.r[0])
    edges = capsule_edges(segments, np.full(len(segments), r), error)
    out.add(Pieces.of_strokes(segments, r), rows, edges)


def _flashes(outline: Outline, rows: Rows, objects: Objects, out: _Collector) -> None:
    n = len(rows)
    if n == 0:
        return
    x, y = objects.x0[rows], objects.y0[rows]
    if len(outline.shape.interiors) == 0:
        ring = shapely.get_coordinates(outline.shape.exterior)
        shapes = np.asarray(
            shapely.polygons(np.stack([x[:, None] + ring[:, 0], y[:, None] + ring[:, 1]], axis=-1))
        )
    else:
        base = shapely.get_coordinates(outline.shape)
        shapes = np.full(n, outline.shape, dtype=object)
        shapes = shapely.set_coordinates(
            shapes.copy(),
            np.stack([x[:, None] + base[:, 0], y[:, None] + base[:, 1]], axis=-1).reshape(-1, 2),
        )
    e, m = outline.edges, len(outline.edges)
    at = np.repeat(np.arange(n), m)
    out.add(
        Pieces.of(shapes),
        rows,
        Edges(
            np.tile(e.x0, n) + x[at], np.tile(e.y0, n) + y[at],
            np.tile(e.x1, n) + x[at], np.tile(e.y1, n) + y[at],
            np.tile(e.r, n), np.tile(e.error, n), at.astype(np.int32),
        ),
    )  # fmt: skip


def _strokes(objects: Objects, rows: Rows) -> tuple[Rows, Floats, Floats]:
    """Straight strokes of draws and of arcs' chords: object row, (n, 4) ends, chord error."""
    draws = rows[objects.kind[rows] == Kind.DRAW]
    arcs = rows[objects.kind[rows] == Kind.ARC]
    straight = np.stack(
        [objects.x0[draws], objects.y0[draws], objects.x1[draws], objects.y1[draws]], axis=-1
    )
    of_arc, chords = split_arc(
        objects.x0[arcs], objects.y0[arcs], objects.x1[arcs], objects.y1[arcs],
        objects.cx[arcs], objects.cy[arcs], objects.clockwise[arcs], CHORD_ERROR,
    )  # fmt: skip
    return (
        np.concatenate([draws, arcs[of_arc]]),
        np.concatenate([straight, chords]),
        np.concatenate([np.zeros(len(draws)), np.full(len(of_arc), CHORD_ERROR)]),
    )


def _swept(outline: Outline, segments: Floats) -> npt.NDArray[Any]:
    """Area a convex aperture covers on its way (specification 4.8.2); others by their hull."""
    ring = shapely.get_coordinates(shapely.convex_hull(outline.shape))
    both = np.concatenate(
        [segments[:, None, :2] + ring[None], segments[:, None, 2:] + ring[None]], axis=1
    )
    n, k = both.shape[:2]
    clouds = shapely.multipoints(both.reshape(-1, 2), indices=np.repeat(np.arange(n), k))
    return np.asarray(shapely.convex_hull(clouds))


def _regions(objects: Objects, artwork: Artwork, out: _Collector) -> None:
    rows = np.flatnonzero(objects.kind == Kind.REGION)
    if len(rows) == 0:
        return
    shapes, error = region_polygons(artwork)
    number = objects.region[rows]
    chosen = shapes[number]
    moved = (
        (objects.x0[rows] != 0)
        | (objects.y0[rows] != 0)
        | (objects.mirror[rows] != 0)
        | (objects.rotation[rows] != 0)
        | (objects.scale[rows] != 1)
    )
    for i in np.flatnonzero(moved).tolist():
        chosen[i] = _moved_region(chosen[i], objects, int(rows[i]))
    keep = ~shapely.is_empty(chosen)
    chosen, of = shapely.get_parts(chosen[keep], return_index=True)
    rows, number = rows[keep][of], number[keep][of]
    edges = polygon_edges(chosen, error[number], np.arange(len(chosen), dtype=np.int32))
    out.add(Pieces.of(chosen), rows, edges)


def _moved_region(shape: Any, objects: Objects, row: int) -> Any:
    """A region inside a block: x0, y0 carry the place of the block's origin."""
    fx = -1.0 if int(objects.mirror[row]) & 1 else 1.0
    fy = -1.0 if int(objects.mirror[row]) & 2 else 1.0
    scale = float(objects.scale[row])
    c = float(np.cos(objects.rotation[row])) * scale
    s = float(np.sin(objects.rotation[row])) * scale
    matrix = np.array([[c * fx, -s * fy], [s * fx, c * fy]])
    offset = np.array([objects.x0[row], objects.y0[row]])
    return shapely.transform(shape, lambda xy: xy @ matrix.T + offset)


def region_polygons(artwork: Artwork) -> tuple[npt.NDArray[Any], Floats]:
    """One area per G36/G37 statement, (n,), and the chord error of each.

    Each contour is filled on its own and the region is all of them together (Gerber Layer
    Format Specification 4.10.3).
    """
    c = artwork.contours
    count = int(c.region.max()) + 1 if len(c) else 0
    shapes = np.full(count, shapely.Polygon(), dtype=object)
    error = np.zeros(count)
    if len(c) == 0:
        return shapes, error
    is_arc = ~np.isnan(c.cx)
    count_of = np.ones(len(c), dtype=np.intp)
    arcs = np.flatnonzero(is_arc)
    of_arc, chords = split_arc(
        c.x0[arcs], c.y0[arcs], c.x1[arcs], c.y1[arcs], c.cx[arcs], c.cy[arcs],
        c.clockwise[arcs], CHORD_ERROR,
    )  # fmt: skip
    count_of[arcs] = np.bincount(of_arc, minlength=len(arcs))
    row = np.repeat(np.arange(len(c)), count_of)
    x, y = c.x0[row].copy(), c.y0[row].copy()
    x[is_arc[row]], y[is_arc[row]] = chords[:, 0], chords[:, 1]
    contour = c.contour[row]
    numbers, first, size = np.unique(contour, return_index=True, return_counts=True)
    enough = size >= 3
    usable = np.isin(contour, numbers[enough])
    _, ring = np.unique(contour[usable], return_inverse=True)
    rings = shapely.linearrings(np.stack([x[usable], y[usable]], axis=-1), indices=ring)
    areas = solid_polygons(np.asarray(shapely.polygons(rings)), artwork.file)
    region = c.region[row[first[enough]]]
    error[np.unique(c.region[arcs])] = CHORD_ERROR
    single = np.bincount(region, minlength=count)
    for n in np.unique(region).tolist():
        mine = areas[region == n] if single[n] > 1 else None
        shapes[n] = shapely.union_all(mine) if mine is not None else None
    lone = single[region] == 1
    shapes[region[lone]] = areas[lone]
    return shapes, error
