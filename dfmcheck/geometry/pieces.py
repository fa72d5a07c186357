"""Polygons of painted objects; those of strokes and discs are made only when asked for.

Most objects of a layer are strokes of a round aperture. A stroke's polygon has some fifty
corners, and few questions need it: distances are taken from its centre line and radius.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.outlines import capsules, circle_steps

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_ROUNDING = 1e-6  # mm; corners of a stroke may lie so far beyond its radius


@dataclass(frozen=True)
class Pieces:
    """Polygons (n,), to be indexed like an array of them.

    Attributes
    ----------
    strokes : float64 (n, 5), mm
        Ends x0, y0, x1, y1 and radius of a stroke or disc, radius nought for any other.
    polygons : array of Polygon, (n,)
        None for a stroke nobody has asked for yet.

    Examples
    --------
    >>> pieces = Pieces.of_strokes(np.array([[0.0, 0, 3, 0], [1, 1, 1, 1]]), 0.5)
    >>> len(pieces), shapely.area(pieces[:]).round(2).tolist()
    (2, [3.78, 0.78])
    """

    strokes: Floats
    polygons: npt.NDArray[Any]

    @classmethod
    def of(cls, polygons: npt.NDArray[Any]) -> Pieces:
        """Pieces that are no strokes."""
        return cls(np.zeros((len(polygons), 5)), polygons)

    @classmethod
    def of_strokes(cls, segments: Floats, radius: float) -> Pieces:
        """Strokes (n, 4) of one round aperture; one of no length is a disc."""
        n = len(segments)
        strokes = np.column_stack([segments, np.full(n, radius)])
        return cls(strokes, np.full(n, None, dtype=object))

    @classmethod
    def concat(cls, tables: Sequence[Pieces]) -> Pieces:
        return cls(
            np.concatenate([np.empty((0, 5)), *(t.strokes for t in tables)]),
            np.concatenate([np.empty(0, dtype=object), *(t.polygons for t in tables)]),
        )

    def __len__(self) -> int:
        return len(self.strokes)

    def __getitem__(self, rows: Any) -> npt.NDArray[Any]:
        """Polygons of some rows; one polygon for a single row."""
        lacking = np.arange(len(self))[rows]
        lacking = np.unique(lacking[shapely.is_missing(self.polygons[rows])])
        if len(lacking):
            strokes = self.strokes[lacking]
            order = np.argsort(strokes[:, 4], kind="stable")
            for some in np.split(order, np.flatnonzero(np.diff(strokes[order, 4])) + 1):
                made = capsules(strokes[some, :4], float(strokes[some[0], 4]))
                self.polygons[lacking[some]] = made
        out: npt.NDArray[Any] = self.polygons[rows]
        return out

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        return self[:].copy()

    def __reduce__(self) -> tuple[Any, ...]:
        """Sent to another process without what can be made there."""
        return _unpacked, (self.strokes, packed(self.polygons[self._held()]))

    def _held(self) -> Rows:
        return np.flatnonzero(self.strokes[:, 4] == 0)

    def take(self, rows: Rows) -> Pieces:
        """Some of the pieces."""
        return Pieces(self.strokes[rows], self.polygons[rows])

    def solid(self) -> npt.NDArray[np.bool_]:
        """Which have an area; a stroke thin beyond all measure may not, for rounding."""
        out = self.strokes[:, 4] > _ROUNDING
        rest = np.flatnonzero(~out)
        out[rest] = shapely.area(self[rest]) > 0
        return out

    def count_points(self) -> int:
        """Points of all outlines together, about."""
        radius, count = np.unique(self.strokes[:, 4], return_counts=True)
        drawn = sum(
            (circle_steps(r) + 3) * n
            for r, n in zip(radius.tolist(), count.tolist(), strict=True)
            if r > 0
        )
        return int(drawn) + int(shapely.get_num_coordinates(self.polygons[self._held()]).sum())

    def bounds(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Boxes of all pieces: low x and y, high x and y."""
        x0, y0, x1, y1, r = self.strokes.T
        sides = np.stack(
            [np.minimum(x0, x1) - r, np.minimum(y0, y1) - r,
             np.maximum(x0, x1) + r, np.maximum(y0, y1) + r]
        )  # fmt: skip
        held = self._held()
        sides[:, held] = shapely.bounds(self.polygons[held]).T
        return sides[0], sides[1], sides[2], sides[3]

    @cached_property
    def index(self) -> BoxIndex:
        """Index of the boxes."""
        return BoxIndex(*self.bounds())

    def meeting(self, shapes: npt.NDArray[Any]) -> tuple[Rows, Rows]:
        """Pairs of a row of ``shapes`` and a row of the pieces that intersect, in the
        order of the pieces."""
        x0, y0, x1, y1 = shapely.bounds(shapes).T
        rows = np.flatnonzero(~np.isnan(x0))
        low, high = (x0[rows] - _ROUNDING, y0[rows] - _ROUNDING), (x1[rows], y1[rows])
        shape, piece = self.index.query(*low, high[0] + _ROUNDING, high[1] + _ROUNDING)
        shape = rows[shape]
        pieces, of = np.unique(piece, return_inverse=True)
        made = self[pieces]
        shapely.prepare(made)
        hit = np.flatnonzero(shapely.intersects(made[of], shapes[shape]))
        hit = hit[np.lexsort((shape[hit], piece[hit]))]
        return shape[hit], piece[hit]


def packed(polygons: npt.NDArray[Any]) -> Any:
    """Coordinates and offsets of polygons, several times faster to send than the polygons."""
    plain = shapely.get_type_id(polygons) == shapely.GeometryType.POLYGON
    if len(polygons) == 0 or not (plain & ~shapely.is_empty(polygons)).all():
        return polygons
    return shapely.to_ragged_array(polygons)[1:]


def unpacked(sent: Any) -> npt.NDArray[Any]:
    """The polygons of :func:`packed`."""
    if not isinstance(sent, tuple):
        return np.asarray(sent)
    return np.asarray(shapely.from_ragged_array(shapely.GeometryType.POLYGON, *sent))


def _unpacked(strokes: Floats, held: Any) -> Pieces:
    out = Pieces(strokes, np.full(len(strokes), None, dtype=object))
    out.polygons[out._held()] = unpacked(held)
    return out
