"""How deep flashes lie in openings, worked out once for all that are alike.

Most lands, and most paste, are flashes of a few apertures, each in an opening that is one flash
as well. Two such pairs of the same outlines and the same offset differ in their place only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.depth import Depths, Inside
from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.image import Image, keep_parts
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.mask_shapes import first_piece

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_ROOM = 1e-6
"""Where two outlines come nearer than this (mm), it hangs on rounding which is outside."""


def depth_in(
    image: Image, rows: Rows, under: Image, reach: float, outside: float | None = None
) -> Depths:
    """Depth of edges of one image in another, as :meth:`Inside.depth` tells it; no parts.

    Parameters
    ----------
    image : Image
    rows : int (n,)
        Edges of ``image``, of each of its pieces either all or none.
    under : Image
    reach, outside : float, mm
        As there.
    """
    of_edge = image.edges.piece[rows].astype(np.intp)
    order = np.argsort(of_edge, kind="stable")
    piece, start, of, count = np.unique(
        of_edge[order], return_index=True, return_inverse=True, return_counts=True
    )
    twin = _twins(image, piece, under)
    twin = np.where(count == count[twin], twin, np.arange(len(piece)))
    asked = np.flatnonzero(twin[of] == of)
    probes = image.edges.take(rows[order[asked]])
    far = max(reach, outside or 0.0)
    found = Inside(_near(under, probes, far)).depth(probes, reach, outside)
    answer = np.empty(len(rows), dtype=np.intp)
    answer[asked] = np.arange(len(asked))
    # The first edge of a piece is like the first edge of its twin, and so on.
    answer = answer[start[twin[of]] + np.arange(len(rows)) - start[of]]
    at = np.stack([image.x, image.y], axis=-1)[piece]
    back = np.argsort(order)
    answer, move = answer[back], (at - at[twin])[of[back]]
    return Depths(
        found.value[answer], found.error[answer],
        found.frm.take(answer, axis=0) + move, found.at.take(answer, axis=0) + move,
        np.full(len(rows), -1, dtype=np.intp),
    )  # fmt: skip


def _near(image: Image, probes: Edges, reach: float) -> Image:
    """The image without the parts of which nothing is within reach, where those are most."""
    if len(probes) == 0:
        return image
    near = np.zeros(len(image.parts), dtype=np.bool_)
    near[BoxIndex(*shapely.bounds(image.parts).T).query(*probes.bounds(reach))[1]] = True
    return keep_parts(image, near) if 2 * near.sum() < len(near) else image


def _twins(image: Image, pieces: Rows, under: Image) -> Rows:
    """For each piece the number of the first one like it that lies alike in its opening; its own
    number where it is no flash, or does not lie wholly inside one that is a single flash."""
    twin = np.arange(len(pieces))
    if len(pieces) == 0 or len(under.parts) == 0:
        return twin
    first = first_piece(under)
    single = (np.bincount(under.part, minlength=len(first)) == 1) & under.flash[first]
    rows = np.flatnonzero(image.flash[pieces])
    centre = shapely.points(image.x[pieces[rows]], image.y[pieces[rows]])
    at, part = shapely.STRtree(under.parts[single]).query(centre)
    rows, hold = rows[at], first[single][part]
    key = np.stack(
        [
            *_form(image, pieces[rows]), *_form(under, hold),
            (image.x[pieces[rows]] - under.x[hold]).round(9),
            (image.y[pieces[rows]] - under.y[hold]).round(9),
        ]
    )  # fmt: skip
    order = np.lexsort(key)
    starts = run_starts(*key[:, order])
    model, like = order[starts], np.empty(len(rows), dtype=np.intp)
    like[order] = np.cumsum(starts) - 1
    inner, outer = image.pieces[pieces[rows[model]]], under.pieces[hold[model]]
    room = (shapely.bounds(outer) - shapely.bounds(inner)) * [-1, -1, 1, 1]
    lies_in = shapely.contains_properly(outer, inner) & (room > _ROOM).all(axis=1)
    alike = np.flatnonzero(lies_in[like])
    twin[rows[alike]] = rows[model[like[alike]]]
    return twin


def _form(image: Image, pieces: Rows) -> list[npt.NDArray[Any]]:
    """Numbers that tell the outlines of flashes of one image apart, wherever they are."""
    coords, of = shapely.get_coordinates(image.pieces[pieces], return_index=True)
    count = np.bincount(of, minlength=len(pieces))
    start = np.cumsum(count) - count
    # Weighed by their number along the outline, so that a turned or mirrored one differs.
    weight = 1.0 + np.arange(len(of)) - start[of]
    out: list[npt.NDArray[Any]] = [image.code[pieces], count]
    for axis, origin in enumerate((image.x, image.y)):
        moment = np.add.reduceat(weight * (coords[:, axis] - origin[pieces][of]), start)
        out.append(moment.round(8))
    return out
