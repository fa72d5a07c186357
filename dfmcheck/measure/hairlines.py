"""Hairlines: draws so thin that nothing is made of them on the board."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

HAIR = 0.02
"""Thinner draws (mm) are hairlines: about the thickness of the foil itself."""


def hair_edges(image: Image) -> Bools:
    """Edges of draws as thin as a hairline, (edges,); they may still outline or fill an area."""
    out = np.zeros(len(image.edges), dtype=np.bool_)
    out[_hair_rows(image)] = True
    return out


def _hair_rows(image: Image) -> npt.NDArray[np.intp]:
    edges = image.edges
    thin = np.flatnonzero((edges.r > 0) & (2 * edges.r < HAIR))
    return thin[image.kind[edges.piece[thin]] <= Kind.ARC]


def without_hairlines(layer: Layer) -> Layer:
    """The layer without the connected pieces that are hairlines all over.

    They are outlines, targets and axes of the drawing left in the layer. Rules that tell what
    stands too near something else leave them out; the rule on their width tells them.
    """
    hair = _hair_rows(layer.image)
    if len(hair) == 0:
        return layer
    real = _REAL.of((layer.image.parts, layer.net), lambda: _without(layer, hair))
    return layer if real is None else real


_REAL: Recent[Layer | None] = Recent(3)


def _without(layer: Layer, hair: npt.NDArray[np.intp]) -> Layer | None:
    """None where nothing is left out."""
    image = layer.image
    real = np.ones(len(image.pieces), dtype=np.bool_)
    real[image.edges.piece[hair]] = False
    keep = np.zeros(len(image.parts), dtype=np.bool_)
    keep[image.part[real]] = True
    # Thin draws side by side fill an area like any other.
    rows = np.flatnonzero(~keep)
    keep[rows] = ~shapely.is_empty(shapely.buffer(image.parts[rows], -HAIR / 2, quad_segs=1))
    return None if keep.all() else layer.keep_parts(keep)


def on_hairline(image: Image, edge: npt.NDArray[np.intp], at: Floats, frm: Floats) -> Bools:
    """Which points ``at`` lie on a hairline: where, seen from ``frm``, it ends right behind them.

    Parameters
    ----------
    image : Image
    edge : int (n,)
        Edge on whose outline each point lies, -1 where unknown.
    at, frm : float64 (n, 2)
    """
    out = np.zeros(len(edge), dtype=np.bool_)
    hair = _hair_rows(image)
    if len(edge) == 0 or len(hair) == 0:
        return out
    rows = np.flatnonzero(np.isin(edge, hair))
    away = at[rows] - frm[rows]
    length = np.hypot(*away.T)
    rows, away, length = rows[length > 0], away[length > 0], length[length > 0]
    behind = at[rows] + away * (HAIR / length)[:, None]
    filled = shapely.STRtree(shapely.points(behind)).query(image.parts, predicate="intersects")[1]
    out[rows] = True
    out[rows[filled]] = False
    return out
