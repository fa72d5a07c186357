"""Gaps to the chords of an arc, moved onto the arc itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.gaps import Gaps
from dfmcheck.geometry.segments import closest_points

Floats = npt.NDArray[np.float64]

_ROUND = 2e-6  # mm; the vertices of chords lie this near the circle they were cut from
_NEAR = 1.2 * CHORD_ERROR


def onto_arcs(gaps: Gaps, first: Edges, line: Edges, arc: npt.NDArray[np.int32]) -> Gaps:
    """Gaps between ``first`` and a line, exact where the line is an arc told as chords.

    The nearest point of a chord is mostly one of its ends, half a chord beside the nearest
    point of the arc. Rows whose arc cannot be told from its chords stay as they are.

    Parameters
    ----------
    gaps : Gaps
        ``a`` rows of ``first``, ``b`` rows of ``line``.
    arc : int32
        By row of ``line``: chords of one arc have one number.
    """
    value, p, q, error = gaps.value.copy(), gaps.p.copy(), gaps.q.copy(), gaps.error.copy()
    bent = np.flatnonzero(line.error[gaps.b] >= CHORD_ERROR)
    number = arc[gaps.b[bent]]
    for one in np.unique(number).tolist():
        chords = line.segments[np.flatnonzero((arc == one) & (line.error >= CHORD_ERROR))]
        circle = _circle(np.concatenate([chords[:, :2], chords[:, 2:]]))
        if circle is None:
            continue
        rows = bent[number == one]
        centre, r = circle
        axis = first.segments[gaps.a[rows]]
        reach = first.r[gaps.a[rows]]
        within = np.hypot(*(gaps.p[rows] - centre).T) < r
        middle = np.tile(centre, (len(rows), 2))
        outer = closest_points(axis, middle)[1]
        far = np.hypot(*(axis.reshape(-1, 2, 2) - centre).transpose(2, 0, 1))
        # Of two ends as far out (a chord of another arc about the centre) the one measured to.
        beside = np.hypot(*(axis.reshape(-1, 2, 2) - gaps.p[rows][:, None]).transpose(2, 0, 1))
        even = np.abs(far[:, 0] - far[:, 1]) <= _ROUND
        first_end = np.where(even, beside[:, 0] <= beside[:, 1], far[:, 0] > far[:, 1])
        inner = np.where(first_end[:, None], axis[:, :2], axis[:, 2:])
        at = np.where(within[:, None], inner, outer)
        away = np.hypot(*(at - centre).T)
        out = (at - centre) / np.where(away > 0, away, 1.0)[:, None]
        new = np.where(within, r - away, away - r) - reach
        new_q = centre + r * out
        new_p = at + np.where(within, reach, -reach)[:, None] * out
        on = shapely.distance(
            shapely.points(new_q), shapely.multilinestrings(chords.reshape(-1, 2, 2))
        )
        keep = (np.abs(new - value[rows]) <= _NEAR + _ROUND) & (on <= _NEAR) & (away > 0)
        keep &= np.hypot(*(new_q - q[rows]).T) <= 2 * np.sqrt(2 * r * CHORD_ERROR)
        at_row = rows[keep]
        value[at_row], p[at_row], q[at_row] = new[keep], new_p[keep], new_q[keep]
        error[at_row] -= CHORD_ERROR
    return replace(gaps, value=value, p=p, q=q, error=np.maximum(error, 0.0))


def _circle(points: Floats) -> tuple[Floats, float] | None:
    """Centre and radius of the circle all the points lie on; None where there is none."""
    points = np.unique(points.round(9), axis=0)
    if len(points) < 3:
        return None
    near = points - points.mean(axis=0)
    table = np.column_stack([2 * near, np.ones(len(near))])
    found, _, rank, _ = np.linalg.lstsq(table, (near * near).sum(axis=1), rcond=None)
    if rank < 3:
        return None
    centre = found[:2] + points.mean(axis=0)
    r = np.hypot(*(points - centre).T)
    if np.ptp(r) > _ROUND:
        return None
    return centre, float(r.mean())
