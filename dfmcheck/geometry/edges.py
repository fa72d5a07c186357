"""Edges: the exact outline pieces of everything on one layer, as segments with a radius."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.index import BoxIndex, Recent

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int32]

CHORD_ERROR = 0.0005
"""Largest distance between a round outline and the polygon that stands for it, mm."""
STRIDE = 0.8
"""Distance between the places listed along two parallel outlines, mm: near enough together
that a whole stretch reads as one place when neighbours are joined."""


@dataclass(frozen=True, slots=True)
class Edges:
    """Segments with a radius; columns of equal length.

    Attributes
    ----------
    x0, y0, x1, y1, r : float64, mm
        A disc has no length, a straight polygon edge no radius.
    error : float64
        How far the true outline may lie from this edge (chord error), mm; 0 when exact.
    piece : int32
        Row of the piece (see :class:`~dfmcheck.geometry.image.Image`) the edge belongs to.
    """

    x0: Floats
    y0: Floats
    x1: Floats
    y1: Floats
    r: Floats
    error: Floats
    piece: Ints

    def __len__(self) -> int:
        return len(self.x0)

    def take(self, rows: npt.NDArray[Any]) -> Edges:
        return Edges(*(getattr(self, f.name)[rows] for f in fields(self)))

    @classmethod
    def concat(cls, tables: list[Edges]) -> Edges:
        if not tables:
            return cls.empty()
        return cls(*(np.concatenate([getattr(t, f.name) for t in tables]) for f in fields(cls)))

    @classmethod
    def empty(cls) -> Edges:
        f = np.empty(0)
        return cls(f, f, f, f, f, f, np.empty(0, dtype=np.int32))

    @property
    def segments(self) -> Floats:
        """(n, 4) x0 y0 x1 y1."""
        return np.stack([self.x0, self.y0, self.x1, self.y1], axis=-1)

    @property
    def length(self) -> Floats:
        """(n,) of the segments; nought for a disc."""
        return np.hypot(self.x1 - self.x0, self.y1 - self.y0)

    def bounds(self, margin: float = 0.0) -> tuple[Floats, Floats, Floats, Floats]:
        """Bounding box of every edge with its radius, grown by ``margin``: low x and y, high
        x and y."""
        grow = self.r + margin
        return (
            np.minimum(self.x0, self.x1) - grow,
            np.minimum(self.y0, self.y1) - grow,
            np.maximum(self.x0, self.x1) + grow,
            np.maximum(self.y0, self.y1) + grow,
        )

    def boxes(self, margin: float = 0.0) -> npt.NDArray[Any]:
        """:meth:`bounds` as polygons."""
        return np.asarray(shapely.box(*self.bounds(margin)))

    @property
    def index(self) -> BoxIndex:
        """Index of the edges' boxes; kept for the tables asked for last."""
        return _INDEXES.of(
            (self.x0, self.y0, self.x1, self.y1, self.r), lambda: BoxIndex(*self.bounds())
        )


_INDEXES: Recent[BoxIndex] = Recent(32)


def coarse(resolution: float) -> float:
    """Rounding a coordinate may carry: half a step (mm) of a grid coarser than 1.5 µm.

    On finer grids the data is taken at its word, so that 1 µm past a limit is past it.
    """
    return resolution / 2 if resolution > 0.0015 else 0.0


def capsule_edges(segments: Floats, radius: Floats, error: Floats) -> Edges:
    """One edge, and one piece, per row of ``segments`` (n, 4); radius and error (n,)."""
    x0, y0, x1, y1 = segments.T
    return Edges(x0, y0, x1, y1, radius, error, np.arange(len(segments), dtype=np.int32))


def polygon_edges(polygons: npt.NDArray[Any], error: Floats | float, piece: Ints) -> Edges:
    """Boundary segments of polygons (any rings), with radius nought.

    Parameters
    ----------
    polygons : array of Polygon or MultiPolygon, (n,)
    error : float64 (n,) or scalar
    piece : int32 (n,)
    """
    if len(polygons) == 0:
        return Edges.empty()
    parts, owner = shapely.get_parts(polygons, return_index=True)
    rings, part = shapely.get_rings(parts, return_index=True)
    coords, ring = shapely.get_coordinates(rings, return_index=True)
    same = ring[1:] == ring[:-1]
    a, b = coords[:-1][same], coords[1:][same]
    row = owner[part[ring[:-1][same]]]
    moved = np.hypot(*(a - b).T) > 0
    a, b, row = a[moved], b[moved], row[moved]
    errors = np.broadcast_to(np.asarray(error, dtype=np.float64), (len(polygons),))
    return Edges(
        a[:, 0], a[:, 1], b[:, 0], b[:, 1], np.zeros(len(a)), errors[row],
        piece[row].astype(np.int32),
    )  # fmt: skip
