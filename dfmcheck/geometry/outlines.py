"""Outlines of apertures at the origin: a polygon for the image and exact edges for distances."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from dfmcheck.formats.records import Aperture, Primitive
from dfmcheck.geometry.budget import check_crossings
from dfmcheck.geometry.edges import CHORD_ERROR, Edges, polygon_edges

Floats = npt.NDArray[np.float64]


def circle_steps(radius: float, tolerance: float = CHORD_ERROR) -> int:
    """Number of chords (a multiple of 4) that keeps a circle within ``tolerance``.

    Examples
    --------
    >>> circle_steps(0.1), circle_steps(0.0001)
    (32, 8)
    """
    if radius <= tolerance:
        return 8
    n = math.pi / math.acos(1 - tolerance / radius)
    return max(8, 4 * math.ceil(n / 4))


def capsules(segments: Floats, radius: float) -> npt.NDArray[Any]:
    """Polygons of draws of one round aperture; a draw of no length is a disc.

    Parameters
    ----------
    segments : float64 (n, 4), mm
    radius : float, mm, above nought
    """
    if len(segments) == 0:
        return np.empty(0, dtype=object)
    half = circle_steps(radius) // 2
    start, end = (segments[:, k] + 1j * segments[:, k + 1] for k in (0, 2))
    along = end - start
    length = np.abs(along)
    point = length == 0
    heading = np.where(point, 1.0, along) / np.where(point, 1.0, length)
    turn = np.linspace(-np.pi / 2, np.pi / 2, half + 1)
    front = (radius * heading)[:, None] * (np.cos(turn) + 1j * np.sin(turn))
    # One complex number a corner.
    corners = np.empty((len(segments), 2 * (half + 1) + 1), dtype=np.complex128)
    np.add(end[:, None], front, out=corners[:, : half + 1])
    np.subtract(start[:, None], front, out=corners[:, half + 1 : -1])
    corners[:, -1] = corners[:, 0]
    ring = corners.view(np.float64).reshape(*corners.shape, 2)
    if point.any():
        # Both half circles share their ends: drop the doubled vertices of a disc.
        discs = np.delete(ring[point], [half + 1, 2 * half + 1], axis=1)
        out = np.empty(len(segments), dtype=object)
        out[point] = shapely.polygons(discs)
        if not point.all():
            out[~point] = shapely.polygons(ring[~point])
        return out
    return np.asarray(shapely.polygons(ring))


def disc(x: float, y: float, radius: float) -> Polygon:
    """Polygon of one disc; empty for a radius of nought."""
    if radius <= 0:
        return Polygon()
    shape: Polygon = capsules(np.array([[x, y, x, y]]), radius)[0]
    return shape


@dataclass(frozen=True, slots=True)
class Outline:
    """One aperture's shape at the origin.

    ``edges`` describe the outline exactly (up to their own ``error``); their ``piece`` is 0.
    ``shape`` is the polygon with chords.
    """

    shape: BaseGeometry
    edges: Edges


def _edges(rows: list[tuple[float, float, float, float, float]], error: float = 0.0) -> Edges:
    a = np.array(rows, dtype=np.float64).reshape(-1, 5)
    return Edges(
        a[:, 0], a[:, 1], a[:, 2], a[:, 3], a[:, 4], np.full(len(a), error),
        np.zeros(len(a), dtype=np.int32),
    )  # fmt: skip


def _of_polygon(shape: BaseGeometry, error: float = 0.0) -> Outline:
    return Outline(
        shape, polygon_edges(np.array([shape], dtype=object), error, np.zeros(1, dtype=np.int32))
    )


def _pierced(solid: Outline, hole: float) -> Outline:
    if hole <= 0:
        return solid
    return _of_polygon(solid.shape.difference(disc(0.0, 0.0, hole / 2)), CHORD_ERROR)


def _regular(x: float, y: float, diameter: float, vertices: int, rotation: float) -> Polygon:
    angle = rotation + np.arange(vertices) * 2 * np.pi / vertices
    return Polygon(
        np.stack([x + diameter / 2 * np.cos(angle), y + diameter / 2 * np.sin(angle)], axis=-1)
    )


def _turned(shape: BaseGeometry, rotation: float) -> BaseGeometry:
    if rotation == 0.0:
        return shape
    return shapely.affinity.rotate(shape, rotation, origin=(0, 0), use_radians=True)


def aperture_outline(aperture: Aperture) -> Outline:
    """Outline of a C, R, O, P or macro aperture at the origin.

    Raises ValueError for a block (blocks are flattened before shapes are made).
    Source: Gerber Layer Format Specification 4.4 (standard), 4.5 (macros).
    """
    if aperture.template == "block":
        raise ValueError(f"aperture D{aperture.code} is a block, which has no outline")
    return _outline(aperture.template, aperture.values, aperture.primitives)


@lru_cache(maxsize=1000)  # layers of one board share most of their apertures
def _outline(template: str, v: tuple[float, ...], primitives: tuple[Primitive, ...]) -> Outline:
    match template:
        case "C":
            hole = v[1] if len(v) > 1 else 0.0
            r = v[0] / 2
            return _pierced(Outline(disc(0, 0, r), _edges([(0, 0, 0, 0, r)])), hole)
        case "R":
            hole = v[2] if len(v) > 2 else 0.0
            x, y = v[0] / 2, v[1] / 2
            return _pierced(_of_polygon(Polygon([(-x, -y), (x, -y), (x, y), (-x, y)])), hole)
        case "O":
            hole = v[2] if len(v) > 2 else 0.0
            r = min(v[0], v[1]) / 2
            x, y = max(v[0] / 2 - r, 0.0), max(v[1] / 2 - r, 0.0)
            if r <= 0:
                return Outline(Polygon(), Edges.empty())
            shape = capsules(np.array([[-x, -y, x, y]]), r)[0]
            return _pierced(Outline(shape, _edges([(-x, -y, x, y, r)])), hole)
        case "P":
            hole = v[3] if len(v) > 3 else 0.0
            rotation = v[2] if len(v) > 2 else 0.0
            return _pierced(_of_polygon(_regular(0, 0, v[0], int(v[1]), rotation)), hole)
        case "macro":
            return _macro(primitives)
    raise ValueError(f"an aperture of template {template} has no outline")


def _primitive(p: Primitive) -> tuple[BaseGeometry, Edges]:
    """Polygon and exact edges of one macro primitive (specification 4.5.1)."""
    v = p.values
    turn = v[-1] if v else 0.0
    match p.code:
        case 1:
            c, s = math.cos(turn), math.sin(turn)
            x, y = v[1] * c - v[2] * s, v[1] * s + v[2] * c
            return disc(x, y, v[0] / 2), _edges([(x, y, x, y, v[0] / 2)])
        case 20:
            width, x0, y0, x1, y1 = v[:5]
            length = math.hypot(x1 - x0, y1 - y0)
            if length == 0 or width <= 0:
                return Polygon(), Edges.empty()
            nx, ny = -(y1 - y0) / length * width / 2, (x1 - x0) / length * width / 2
            shape: BaseGeometry = Polygon(
                [(x0 - nx, y0 - ny), (x1 - nx, y1 - ny), (x1 + nx, y1 + ny), (x0 + nx, y0 + ny)]
            )
        case 21:
            w, h, x, y = v[0] / 2, v[1] / 2, v[2], v[3]
            if w <= 0 or h <= 0:
                return Polygon(), Edges.empty()
            shape = Polygon([(x - w, y - h), (x + w, y - h), (x + w, y + h), (x - w, y + h)])
        case 4:
            count = int(v[0])
            ring = np.array(v[1 : 1 + 2 * (count + 1)]).reshape(-1, 2)
            shape = solid_polygons(np.array([Polygon(ring)], dtype=object))[0]
        case 5:
            shape = _regular(v[1], v[2], v[3], int(v[0]), 0.0)
        case 6:
            return _moire(v, turn)
        case 7:
            return _thermal(v, turn)
        case _:
            return Polygon(), Edges.empty()
    shape = _turned(shape, turn)
    outline = _of_polygon(shape)
    return outline.shape, outline.edges


def _moire(v: tuple[float, ...], turn: float) -> tuple[BaseGeometry, Edges]:
    x, y, outer, thick, gap, rings, hair, length = v[:8]
    shapes: list[BaseGeometry] = []
    diameter = outer
    for _ in range(int(rings)):
        if diameter <= 0:
            break
        inner = diameter - 2 * thick
        shapes.append(disc(x, y, diameter / 2).difference(disc(x, y, max(inner, 0) / 2)))
        diameter = inner - 2 * gap
    for w, h in ((length, hair), (hair, length)):
        if w > 0 and h > 0:
            shapes.append(shapely.box(x - w / 2, y - h / 2, x + w / 2, y + h / 2))
    outline = _of_polygon(_turned(shapely.union_all(shapes), turn), CHORD_ERROR)
    return outline.shape, outline.edges


def _thermal(v: tuple[float, ...], turn: float) -> tuple[BaseGeometry, Edges]:
    x, y, outer, inner, gap = v[:5]
    ring: BaseGeometry = disc(x, y, outer / 2).difference(disc(x, y, inner / 2))
    reach = outer / 2 + 1
    for w, h in ((reach, gap / 2), (gap / 2, reach)):
        ring = ring.difference(shapely.box(x - w, y - h, x + w, y + h))
    outline = _of_polygon(_turned(ring, turn), CHORD_ERROR)
    return outline.shape, outline.edges


_MANY = 50  # primitives of one macro


def _macro(primitives: tuple[Primitive, ...]) -> Outline:
    """Primitives in order: exposed ones add, the others take away from what is there so far."""
    shape: BaseGeometry = Polygon()
    tables: list[Edges] = []
    erased = False
    if len(primitives) > _MANY and all(p.exposed for p in primitives):
        # one union of all: adding them one by one takes time by the square of their number
        parts, rows = zip(*(_primitive(p) for p in primitives), strict=True)
        return Outline(shapely.union_all(parts), Edges.concat(list(rows)))
    for p in primitives:
        part, edges = _primitive(p)
        if p.exposed:
            shape = shape.union(part)
            tables.append(edges)
        elif not shape.is_empty and shape.intersects(part):
            shape = shape.difference(part)
            erased = True
    if erased:
        return _of_polygon(shape, CHORD_ERROR)
    # Edges inside another primitive are harmless: they can never be the nearest outline.
    return Outline(shape, Edges.concat(tables))


def solid_polygons(polygons: npt.NDArray[Any], file: str = "") -> npt.NDArray[Any]:
    """Polygons made valid; cut-ins (coincident edges run in both directions) become holes.

    Source: Gerber Layer Format Specification 4.10.3 (contours, cut-ins). Raises FormatError for
    an outline that crosses itself without end.
    """
    bad = ~shapely.is_valid(polygons)
    if bad.any():
        check_crossings(polygons[bad], file)
        polygons = polygons.copy()
        polygons[bad] = [_areas(g) for g in shapely.make_valid(polygons[bad])]
    return polygons


def _areas(shape: BaseGeometry) -> BaseGeometry:
    parts = [g for g in shapely.get_parts(shapely.get_parts([shape])) if g.geom_type == "Polygon"]
    return shapely.union_all(parts) if parts else Polygon()
