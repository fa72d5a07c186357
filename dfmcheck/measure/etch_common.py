"""What the etch rules share: kinds of places, one place per spot, the tightest of a rule."""

from __future__ import annotations

from itertools import combinations_with_replacement
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import holes_met
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import Widths
from dfmcheck.geometry.gaps import Gaps, thin
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import Recent
from dfmcheck.geometry.segments import points_to_segments
from dfmcheck.measure.common import CELL
from dfmcheck.measure.places import Places

Floats = npt.NDArray[np.float64]

_ON = 1.2 * CHORD_ERROR  # mm; a point this near an outline lies on it

LONE = "lone copper"
"""Kind of a place on copper of a net without land or plated hole: letters, logos, fill. It
must hold on the board like other copper, but no circuit hangs on it."""


HAIRLINE = "drawn as a hairline"
"""Kind of a draw no copper can be made of: outlines, targets and axes of the drawing that were
left in the conductor layer, mostly."""

PAIRS = tuple(
    f"{a}-to-{b}" for a, b in combinations_with_replacement(("land", "conductor", "pour"), 2)
)
"""Kinds of a gap, by what stands on either side of it."""

KINDS = np.array([LONE, *PAIRS], dtype=object)
_SIDE = np.array([1, 1, 0, 2])  # by Kind: draws and arcs are conductors, flashes lands
_NUMBER = np.array([[1, 2, 3], [2, 4, 5], [3, 5, 6]])


def on_circuit(board: Board, number: int, layer: Layer) -> npt.NDArray[np.bool_]:
    """Components of the layer that hold a flash or meet a plated hole, by component number.

    Stricter than ``board.net_joined``: lettering the mask opens has neither.
    """
    of = (layer.image.parts, layer.net, board.holes.x0, board.holes.net, board.net_joined)
    return _CIRCUITS.of(of, lambda: _on_circuit(board, number, layer))


_CIRCUITS: Recent[npt.NDArray[np.bool_]] = Recent(3)


def _on_circuit(board: Board, number: int, layer: Layer) -> npt.NDArray[np.bool_]:
    image = layer.image
    out = np.zeros(int(image.component.max(initial=-1)) + 1, dtype=np.bool_)
    out[image.piece_component[image.flash]] = True
    holes = board.holes
    part, hole = holes_met(holes, image)
    crossed = (holes.first[hole] <= number) & (holes.last[hole] >= number)
    out[image.component[part[crossed & (holes.plated[hole] != 0)]]] = True
    return out & board.net_joined[layer.net]


def pair_kind(layer: Layer, a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """``land-to-conductor`` and the like, for edge rows (-1: unknown, taken as conductor)."""
    return np.asarray(KINDS[pair_number(layer, a, b)])


def pair_number(layer: Layer, a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """Place in :data:`KINDS` of what stands on either side, for edge rows as above."""
    image = layer.image
    if len(image.edges) == 0:
        return np.empty(0, dtype=np.int64)
    one, two = (_SIDE[image.kind[image.edges.piece[np.maximum(e, 0)]]] for e in (a, b))
    return np.asarray(_NUMBER[one, two])


def cut_by_one(image: Image, p: Floats, q: Floats) -> npt.NDArray[np.bool_]:
    """Rows whose two points lie on the outline of one clear draw or flash of a coarse file.

    The space between is as wide as its aperture says: the grid moves both sides alike.
    """
    out = np.zeros(len(p), dtype=np.bool_)
    edges = image.clear
    if image.grid == 0 or len(p) == 0 or len(edges) == 0:
        return out
    keys = []
    for points in (p, q):
        row, edge = edges.index.at(points[:, 0], points[:, 1], _ON)
        far = points_to_segments(points, row, edges.segments, edge)
        on = np.abs(far - edges.r[edge]) <= _ON
        keys.append(row[on].astype(np.int64) << 32 | edges.piece[edge[on]])
    out[np.intersect1d(keys[0], keys[1]) >> 32] = True
    return out


def narrowest_per_cell(widths: Widths, key: npt.NDArray[Any]) -> npt.NDArray[np.intp]:
    """The narrowest place per key and cell; all places equally narrow count as one."""
    table = Gaps(widths.part, widths.part, widths.value, widths.p, widths.q, np.zeros(len(widths)))
    return thin(table, key, CELL)


def tightest_of(places: Places, rule: str) -> Places:
    """The row of ``rule`` with the smallest value; none where it has no row."""
    rows = np.flatnonzero(places["rule"] == rule)
    if len(rows) == 0:
        return Places.empty()
    return places.take(rows[[int(np.argmin(places["value"][rows]))]])
