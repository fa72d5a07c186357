"""What the etch rules share: kinds of places, one place per spot, the tightest of a rule."""

from __future__ import annotations

from itertools import combinations_with_replacement
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.facing import Widths
from dfmcheck.geometry.gaps import Gaps, thin
from dfmcheck.measure.common import CELL, feature_kind
from dfmcheck.measure.places import Places

LONE = "lone copper"
"""Kind of a place on copper of a net without land or plated hole: letters, logos, fill. It
must hold on the board like other copper, but no circuit hangs on it."""


HAIRLINE = "drawn as a hairline"
"""Kind of a draw no copper can be made of: outlines, targets and axes of the drawing that were
left in the conductor layer, mostly."""

HAIR = 0.02
"""Thinner draws (mm) are hairlines: about the thickness of the foil itself."""

PAIRS = tuple(
    f"{a}-to-{b}" for a, b in combinations_with_replacement(("land", "conductor", "pour"), 2)
)
"""Kinds of a gap, by what stands on either side of it."""


def on_circuit(board: Board, number: int, layer: Layer) -> npt.NDArray[np.bool_]:
    """Components of the layer that hold a flash or meet a plated hole, by component number.

    Stricter than ``board.net_joined``: lettering the mask opens has neither.
    """
    image = layer.image
    out = np.zeros(int(image.component.max(initial=-1)) + 1, dtype=np.bool_)
    out[image.piece_component[image.flash]] = True
    holes = board.holes
    rows = np.flatnonzero((holes.plated != 0) & (holes.first <= number) & (holes.last >= number))
    if len(rows) and len(image.parts):
        discs = shapely.STRtree(hole_polygons(holes, rows))
        out[image.component[discs.query(image.parts, predicate="intersects")[0]]] = True
    return out & board.net_joined[layer.net]


def pair_kind(layer: Layer, a: npt.NDArray[Any], b: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """``land-to-conductor`` and the like, for edge rows (-1: unknown, taken as conductor)."""
    order = {"land": 0, "conductor": 1, "pour": 2}
    word = [
        feature_kind(layer.image, layer.image.edges.piece[np.maximum(e, 0)]).tolist()
        for e in (a, b)
    ]
    return np.array(
        ["-to-".join(sorted(pair, key=order.__getitem__)) for pair in zip(*word, strict=True)],
        dtype=object,
    )


def pair_number(kind: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """A number per kind of gap, 0 for :data:`LONE`.

    >>> pair_number(np.array(["land-to-land", "lone copper", "pour-to-pour"])).tolist()
    [1, 0, 6]
    """
    number = {word: n for n, word in enumerate(PAIRS, start=1)}
    return np.array([number.get(word, 0) for word in kind.tolist()], dtype=np.int64)


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
