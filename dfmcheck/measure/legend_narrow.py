"""Where areas of legend ink are too narrow to print, and enough ink for anyone to miss it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.facing import Widths
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.legend_ground import grounds

Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_ALIKE = 1.6  # times the width; ink is as narrow further along up to this
_CRUMB = 0.012  # mm²; less ink than this (0.12 mm of a 0.1 mm stroke) nobody misses
_WINDOW = 0.5  # mm; how far round a place one looks
_EVEN = 1.3  # times the width; what is lost with a place is no wider than this


def goes_on(widths: Widths, parts: npt.NDArray[Any]) -> Bools:
    """Whether the ink is as narrow a width further along, one way or the other.

    A tip, the step of a scanned picture and the corner at which two strokes meet are narrow at
    one spot only and print as well as what is round them.
    """
    shapely.prepare(parts)
    mine = parts[widths.part]
    wide = widths.q - widths.p
    along = wide[:, ::-1] * (1.0, -1.0)
    out = np.zeros(len(widths), dtype=np.bool_)
    for way in (1.0, -1.0):
        at = (widths.p + widths.q) / 2 + way * along
        narrow = shapely.intersects(mine, shapely.points(at))
        for side in (_ALIKE / 2, -_ALIKE / 2):
            narrow &= ~shapely.intersects(mine, shapely.points(at + side * wide))
        out |= narrow
    return out


def between_letters(widths: Widths, parts: npt.NDArray[Any]) -> Bools:
    """Places at a hole of a dark area with letters left out of it.

    What is left between two such letters, or between a letter and the area's edge, is ground:
    where it does not print the letters are no less readable.
    """
    out = np.zeros(len(widths), dtype=np.bool_)
    rows = np.flatnonzero(grounds(parts)[widths.part])
    if len(rows):
        shell = shapely.get_exterior_ring(parts)[widths.part[rows]]
        for end in (widths.p, widths.q):
            out[rows] |= ~shapely.dwithin(shell, shapely.points(end[rows]), 1e-5)
    return out


def firsts(key: npt.NDArray[Any], order: Rows, holds: Callable[[Rows], Bools]) -> Rows:
    """Of the rows of each key, taken in ``order`` (by key), the first that ``holds``.

    What is asked for a row takes long: the first of every key are asked, then, where they do
    not hold, the next two, the next three, and so on.
    """
    found: list[int] = []
    many = 1
    while len(order):
        start = run_starts(key[order])
        rank = np.arange(len(order)) - np.maximum.accumulate(
            np.where(start, np.arange(len(order)), 0)
        )
        now = rank < many
        rows = order[now]
        rows = rows[holds(rows)]
        first = rows[run_starts(key[rows])]
        found += first.tolist()
        order = order[~now & ~np.isin(key[order], key[first])]
        many += 1
    return np.array(sorted(found), dtype=np.intp)


def narrowest(widths: Widths, parts: npt.NDArray[Any]) -> Rows:
    """Row of the narrowest place per part at which enough ink is lost to be missed."""
    at = widths.p
    order = np.lexsort(
        (at[:, 0].round(5), at[:, 1].round(5), widths.value.round(7), widths.part)
    )  # fmt: skip
    return firsts(widths.part, order, lambda rows: missed(widths.take(rows), parts))


def missed(widths: Widths, parts: npt.NDArray[Any]) -> Bools:
    """Whether more than a crumb of ink round each place is about as narrow as the place."""
    n = len(widths)
    if n == 0:
        return np.zeros(0, dtype=np.bool_)
    x, y = ((widths.p + widths.q) / 2).T
    window = shapely.box(x - _WINDOW, y - _WINDOW, x + _WINDOW, y + _WINDOW)
    # Scanned outlines are all steps; what is sought is much larger than those.
    ink = shapely.simplify(shapely.intersection(parts[widths.part], window), 0.15 * widths.value)
    r = _EVEN / 2 * widths.value
    wide = shapely.buffer(shapely.buffer(ink, -r, quad_segs=4), 1.02 * r, quad_segs=4)
    pieces, of = shapely.get_parts(shapely.difference(ink, wide), return_index=True)
    mine = shapely.dwithin(pieces, shapely.points(x, y)[of], 0.2 * widths.value[of])
    lost = np.zeros(n)
    np.maximum.at(lost, of[mine], shapely.area(pieces[mine]))
    return np.asarray(lost >= _CRUMB)
