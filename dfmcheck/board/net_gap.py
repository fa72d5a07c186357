"""Where pieces of one net come nearest to each other without touching."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.gaps import along_parallels, gaps_between

Rows = npt.NDArray[Any]

_WINDOW = 0.002  # mm; how far beyond the polygons' distance exact edges are looked at


@dataclass(frozen=True, slots=True)
class Approach:
    """The shortest line between two nets: its ends and length in mm, and where it lies.

    ``layer`` is the place in ``board.copper``. ``hole`` is the row of an unplated hole in which
    copper of both ends, -1 for none. Where the two share no layer they lie over each other, or
    beside each other, on ``layer`` and ``other``.
    """

    p: tuple[float, float]
    q: tuple[float, float]
    width: float
    layer: int
    other: int
    hole: int = -1

    @property
    def middle(self) -> tuple[float, float]:
        return (self.p[0] + self.q[0]) / 2, (self.p[1] + self.q[1]) / 2


def nearest_approach(board: Board, one: int, others: Rows) -> Approach | None:
    """The shortest way from board net ``one`` to any of ``others``, on one layer if they share one.

    Parameters
    ----------
    one : int
        The net told, best the smaller.
    others : int array
        Nets it should be joined with.
    """
    best: Approach | None = None
    for number, layer in enumerate(board.copper):
        mine, theirs = _parts(layer, np.array([one])), _parts(layer, others)
        if len(mine) and len(theirs):
            found = _on_layer(layer, number, mine, theirs)
            if best is None or found.width < best.width:
                best = found
    bare = _at_hole(board, one, others)
    if bare is not None and (best is None or best.width > 2 * board.holes.r[bare.hole]):
        return bare
    return best or _across(board, one, others)


def _parts(layer: Layer, nets: Rows) -> Rows:
    return np.flatnonzero(np.isin(layer.net[layer.image.component], nets))


def _on_layer(layer: Layer, number: int, mine: Rows, theirs: Rows) -> Approach:
    """Nearest outline points: found on polygons, measured on exact edges."""
    image = layer.image
    tree = shapely.STRtree(image.parts[theirs])
    (a, b), distance = tree.query_nearest(
        image.parts[mine], return_distance=True, all_matches=False
    )
    k = int(np.argmin(distance))
    p, q = image.parts[mine[a[k]]], image.parts[theirs[b[k]]]
    line = shapely.get_coordinates(shapely.shortest_line(p, q))
    reach = float(distance[k]) + _WINDOW
    near = shapely.box(*(line.min(axis=0) - reach), *(line.max(axis=0) + reach))
    part = image.part[image.edges.piece]
    close = np.flatnonzero(np.isin(part, [mine[a[k]], theirs[b[k]]]))
    close = close[shapely.intersects(image.edges.take(close).boxes(), near)]
    of = part[close]
    gaps = gaps_between(
        image.edges.take(close[of == mine[a[k]]]),
        image.edges.take(close[of == theirs[b[k]]]),
        reach,
    )
    if len(gaps):
        mine_edges = image.edges.take(close[of == mine[a[k]]])
        gaps = along_parallels(gaps, mine_edges, image.edges.take(close[of == theirs[b[k]]]))
        # Outlines that run side by side are equally near all along: their middle is told.
        alike = gaps.take(np.flatnonzero(gaps.value <= gaps.value.min() + 1e-6))
        middle = (alike.p + alike.q) / 2
        g = int(np.argmin(np.hypot(*(middle - middle.mean(axis=0)).T)))
        gaps = alike
        line = np.stack([gaps.p[g], gaps.q[g]])
        width = max(float(gaps.value[g]), 0.0)
    else:
        width = float(distance[k])
    (px, py), (qx, qy) = line.tolist()
    return Approach((px, py), (qx, qy), width, number, number)


def _at_hole(board: Board, one: int, others: Rows) -> Approach | None:
    """An unplated hole that both sides' copper reaches: plating would join them."""
    rows = np.flatnonzero(board.holes.plated != 1)
    if len(rows) == 0:
        return None
    discs = hole_polygons(board.holes, rows)
    tree = shapely.STRtree(discs)
    on: dict[bool, dict[int, int]] = {True: {}, False: {}}
    for number, layer in enumerate(board.copper):
        for mine, nets in ((True, np.array([one])), (False, others)):
            parts = layer.image.parts[_parts(layer, nets)]
            # Copper round an unplated hole may keep clear of its wall by a mask's tolerance.
            for hole in np.unique(tree.query(parts, predicate="dwithin", distance=0.1)[1]).tolist():
                on[mine].setdefault(int(rows[hole]), number)
    both = sorted(set(on[True]) & set(on[False]))
    if not both:
        return None
    k = both[0]
    h = board.holes
    at = float((h.x0[k] + h.x1[k]) / 2), float((h.y0[k] + h.y1[k]) / 2)
    return Approach(at, at, 0.0, on[True][k], on[False][k], k)


def _across(board: Board, one: int, others: Rows) -> Approach | None:
    """Nearest places seen from above, of nets that share no layer."""
    best: Approach | None = None
    for number, layer in enumerate(board.copper):
        mine = layer.image.parts[_parts(layer, np.array([one]))]
        for second, other in enumerate(board.copper):
            theirs = other.image.parts[_parts(other, others)]
            if len(mine) == 0 or len(theirs) == 0:
                continue
            (a, b), distance = shapely.STRtree(theirs).query_nearest(
                mine, return_distance=True, all_matches=False
            )
            k = int(np.argmin(distance))
            if best is None or float(distance[k]) < best.width:
                p, q = mine[a[k]], theirs[b[k]]
                over = shapely.intersection(p, q)
                if over.is_empty:
                    line = shapely.get_coordinates(shapely.shortest_line(p, q)).tolist()
                else:
                    line = shapely.get_coordinates(shapely.point_on_surface(over)).tolist() * 2
                (px, py), (qx, qy) = line
                best = Approach((px, py), (qx, qy), float(distance[k]), number, second)
    return best
