"""Paste and ink over holes: how far an image reaches in over the wall of each."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.gaps import Gaps, gaps_between
from dfmcheck.geometry.image import Image
from dfmcheck.measure.mask_shapes import nearest_gap, touching


def over_holes(walls: Edges, image: Image, reach: float) -> Gaps:
    """Distance of an image from the wall of every hole within ``reach``, one gap each.

    Below nought by how far the image reaches in over the wall, along the radius: at most the
    radius, where it covers the middle of the hole or, of a slot, a point of its centre line.
    The image alone decides, not the objects it was drawn of.

    Parameters
    ----------
    walls : Edges
        Holes (discs) and slots, radius as drilled.
    image : Image
    reach : float, mm

    Returns
    -------
    Gaps
        ``a`` rows of ``walls``, ascending, ``b`` rows of the image's edges. Where the middle is
        covered both points are the middle of the centre line.
    """
    found = gaps_between(walls, image.edges, reach)
    axis = shapely.linestrings(walls.segments.reshape(-1, 2, 2))
    point = np.flatnonzero(walls.length == 0)
    axis[point] = shapely.points(walls.x0[point], walls.y0[point])
    hole, part = touching(axis, image.parts)
    covered, first = np.unique(hole, return_index=True)
    found = nearest_gap(found, found.a)
    found = found.take(~np.isin(found.a, covered))
    # Any edge of what covers the hole tells its source.
    order = np.argsort(image.part[image.edges.piece], kind="stable")
    edge = order[np.searchsorted(image.part[image.edges.piece[order]], part[first])]
    middle = walls.segments.reshape(-1, 2, 2).mean(axis=1)[covered]
    over = Gaps(covered, edge, -walls.r[covered], middle, middle, walls.error[covered])
    both = Gaps.concat([found, over])
    return both.take(np.argsort(both.a, kind="stable"))
