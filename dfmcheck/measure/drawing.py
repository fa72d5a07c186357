"""The drawing kept with a screening: outlines reduced to what a picture needs.

Measuring works on exact edges; a picture shows them to a few micrometres. The reduced outlines
travel with the screening, so that a report made later, for another shop, still shows the board.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

if TYPE_CHECKING:  # a kept drawing needs no board
    from dfmcheck.board.model import Board, Layer

STEP = 0.001
"""mm per unit of a drawing's coordinates."""
TOLERANCE, LEGEND_TOLERANCE = 0.004, 0.01
"""How far a kept outline may lie from the true one, mm; ink on the legend is coarse anyway."""

Ints = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class DrawnLayer:
    """One layer's merged image, outlines within :data:`TOLERANCE` of the true ones.

    Attributes
    ----------
    name : str
        Role text, e.g. ``conductor-1``, ``mask-top``, ``profile``.
    xy : int32 (n, 2)
        Vertices in :data:`STEP` units on the board's datum.
    rings : int32 (r + 1,)
        Ring ``i`` is ``xy[rings[i]:rings[i + 1]]``; its first vertex is not repeated.
    polygons : int32 (p + 1,)
        Polygon ``j`` is rings ``polygons[j]`` to ``polygons[j + 1] - 1``: its shell, then the
        holes in it.
    """

    name: str
    xy: Ints
    rings: Ints
    polygons: Ints

    def shapes(self) -> npt.NDArray[Any]:
        """The outlines as an array of shapely polygons, mm.

        Reducing a narrow shape may let its outline cross itself by a few micrometres; run
        :func:`shapely.make_valid` before set operations.
        """
        if len(self.polygons) < 2:
            return np.empty(0, dtype=object)
        ring = np.repeat(np.arange(len(self.rings) - 1), np.diff(self.rings))
        polygon = np.repeat(np.arange(len(self.polygons) - 1), np.diff(self.polygons))
        lines = shapely.linearrings(self.xy * STEP, indices=ring)
        return np.asarray(shapely.polygons(lines, indices=polygon))


@dataclass(frozen=True, slots=True)
class Drawing:
    """All that is drawn of one board, on its datum.

    Attributes
    ----------
    layers : tuple of DrawnLayer
        Copper from top to bottom, masks, legends, pastes; the profile's area last if it closes.
    holes : float32 (h, 7)
        x0, y0, x1, y1, r in mm; plated (1, 0, -1 unknown); row of the drill file.
    profile : float32 (k, 4)
        Centre line of the profile as drawn, x0 y0 x1 y1 in mm.
    origin : (float, float)
        Where the datum lies in the coordinates of the files, mm.
    unit : str
        Unit most of the files are written in, ``mm`` or ``inch``; "" where unknown.
    """

    layers: tuple[DrawnLayer, ...]
    holes: Floats
    profile: Floats
    origin: tuple[float, float] = (0.0, 0.0)
    unit: str = ""


def drawing_of(board: Board) -> Drawing:
    """Reduce a board to its drawing."""
    layers = [_drawn(layer, board.origin, TOLERANCE) for layer in (*board.copper, *board.masks)]
    layers += [_drawn(layer, board.origin, LEGEND_TOLERANCE) for layer in board.legends]
    layers += [_drawn(layer, board.origin, TOLERANCE) for layer in board.pastes]
    profile = np.empty((0, 4), dtype=np.float32)
    if board.profile is not None:
        shift = np.array([*board.origin, *board.origin])
        profile = (board.profile.edges.segments - shift).astype(np.float32)
        if not board.profile.area.is_empty:
            area = shapely.get_parts(board.profile.area)
            layers.append(reduced("profile", area, board.origin, TOLERANCE))
    return Drawing(tuple(layers), _holes(board), profile, board.origin, board.unit)


def _drawn(layer: Layer, origin: tuple[float, float], tolerance: float) -> DrawnLayer:
    return reduced(layer.name, layer.image.parts, origin, tolerance)


def reduced(
    name: str, polygons: npt.NDArray[Any], origin: tuple[float, float], tolerance: float
) -> DrawnLayer:
    """Polygons (mm, any datum) as a drawn layer on ``origin``; what is a speck is left out.

    Examples
    --------
    >>> drawn = reduced("mask-top", np.array([shapely.box(5, 5, 6, 7)]), (5, 5), 0.004)
    >>> drawn.xy.max(axis=0).tolist(), drawn.rings.tolist(), drawn.polygons.tolist()
    ([1000, 2000], [0, 4], [0, 1])
    >>> len(reduced("mask-top", np.empty(0, dtype=object), (0, 0), 0.004).shapes())
    0
    """
    outlines, owner = shapely.get_rings(polygons, return_index=True)
    # A chord may lie a little further from the outline than what it leaves out from the chord.
    kept = shapely.simplify(outlines, tolerance - STEP / 2, preserve_topology=False)
    coords, ring = shapely.get_coordinates(kept, return_index=True)
    xy = np.rint((coords - np.asarray(origin)) / STEP).astype(np.int32)
    # Neighbours that fall on one step, and the vertex that closes a ring, say nothing new.
    keep = np.ones(len(xy), dtype=np.bool_)
    keep[:-1] = (ring[1:] == ring[:-1]) & (xy[1:] != xy[:-1]).any(axis=1)
    if len(xy):
        keep[-1] = False
    xy, ring = xy[keep], ring[keep]
    size = np.bincount(ring, minlength=len(outlines))
    shell = np.ones(len(outlines), dtype=np.bool_)
    shell[1:] = owner[1:] != owner[:-1]
    gone = np.zeros(len(polygons), dtype=np.bool_)
    gone[owner[shell & (size < 3)]] = True
    good = (size >= 3) & ~gone[owner]
    return DrawnLayer(
        name,
        np.ascontiguousarray(xy[good[ring]]),
        _starts(size[good]),
        _starts(np.bincount(owner[good], minlength=len(polygons))[~gone]),
    )


def _starts(sizes: npt.NDArray[Any]) -> Ints:
    return np.concatenate([[0], np.cumsum(sizes)]).astype(np.int32)


def _holes(board: Board) -> Floats:
    h = board.holes
    x, y = board.origin
    table: list[npt.NDArray[Any]] = [
        h.x0 - x, h.y0 - y, h.x1 - x, h.y1 - y, h.r, h.plated, h.file,
    ]  # fmt: skip
    return np.stack(table, axis=-1).astype(np.float32)


def columns(drawing: Drawing) -> dict[str, npt.NDArray[Any]]:
    """The drawing as flat arrays to be stored: coordinates as steps from vertex to vertex."""
    layers: Sequence[DrawnLayer] = drawing.layers
    flat = np.concatenate([np.empty((0, 2), dtype=np.int32), *(layer.xy for layer in layers)])
    return {
        "names": np.array([layer.name for layer in layers], dtype=np.str_),
        "moves": np.diff(flat, axis=0, prepend=np.zeros((1, 2), dtype=np.int32)),
        "vertices": _joined([np.diff(layer.rings) for layer in layers]),
        "rings": _joined([np.diff(layer.polygons) for layer in layers]),
        "polygons": np.array([len(layer.polygons) - 1 for layer in layers], dtype=np.int32),
        "holes": drawing.holes,
        "profile": drawing.profile,
        "origin": np.array(drawing.origin, dtype=np.float64),
        "unit": np.array([drawing.unit], dtype=np.str_),
    }


def _joined(arrays: Sequence[npt.NDArray[Any]]) -> Ints:
    return np.concatenate([np.empty(0, dtype=np.int32), *arrays]).astype(np.int32)


def from_columns(arrays: dict[str, npt.NDArray[Any]]) -> Drawing:
    """The drawing of :func:`columns`.

    Raises
    ------
    ValueError, KeyError
        The arrays do not fit together.
    """
    flat = np.cumsum(arrays["moves"].reshape(-1, 2), axis=0, dtype=np.int32)
    vertices, rings, polygons = arrays["vertices"], arrays["rings"], arrays["polygons"]
    counted = (vertices.sum(), rings.sum(), polygons.sum(), len(polygons))
    if counted != (len(flat), len(vertices), len(rings), len(arrays["names"])):
        raise ValueError("a drawing whose counts do not fit its coordinates")
    if min((a.min() for a in (vertices, rings, polygons) if len(a)), default=1) < 0:
        raise ValueError("a drawing with a negative count")
    layers, p, r, v = [], 0, 0, 0
    for name, count in zip(arrays["names"].tolist(), polygons.tolist(), strict=True):
        in_polygon = rings[p : p + count]
        in_ring = vertices[r : r + int(in_polygon.sum())]
        xy = flat[v : v + int(in_ring.sum())]
        layers.append(DrawnLayer(str(name), xy, _starts(in_ring), _starts(in_polygon)))
        p, r, v = p + count, r + len(in_ring), v + len(xy)
    x, y = arrays["origin"].tolist()
    (unit,) = arrays["unit"].tolist()
    return Drawing(
        tuple(layers),
        arrays["holes"].astype(np.float32).reshape(-1, 7),
        arrays["profile"].astype(np.float32).reshape(-1, 4),
        (float(x), float(y)),
        str(unit),
    )
