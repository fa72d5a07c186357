"""Distances to the profile, exact where it is round."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Profile
from dfmcheck.geometry.arcs import onto_arcs
from dfmcheck.geometry.edges import CHORD_ERROR, Edges, capsule_edges
from dfmcheck.geometry.gaps import Gaps
from dfmcheck.geometry.segments import closest_on_segment
from dfmcheck.measure.common import edges_at

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]


def round_gaps(gaps: Gaps, first: Edges, profile: Profile, rows: Rows | None = None) -> Gaps:
    """Gaps between edges and the profile, told by its arcs instead of their chords.

    Also below nought, where an edge lies over the line.

    Parameters
    ----------
    gaps : Gaps
        ``a`` rows of ``first``, ``b`` rows of the profile's edges, or of ``rows`` of them.
    first : Edges
    profile : Profile
    rows : int (n,), optional
    """
    line = profile.edges if rows is None else profile.edges.take(rows)
    some = np.flatnonzero(line.error[gaps.b] >= CHORD_ERROR)
    if len(some) == 0:
        return gaps
    bent = gaps.take(some)
    # Spines lie on one side of the line where outlines lie on both.
    bare, r = replace(first, r=np.zeros_like(first.r)), first.r[bent.a]
    spine = np.stack(closest_on_segment(*bent.q.T, *first.segments.take(bent.a, axis=0).T), axis=-1)
    arc = profile.lines[line.piece]
    exact = onto_arcs(replace(bent, value=bent.value + r, p=spine), bare, line, arc)
    told = np.flatnonzero(exact.error < bent.error)
    some, exact, r = some[told], exact.take(told), r[told]
    away = exact.q - exact.p
    length = np.hypot(*away.T)
    away /= np.where(length > 0, length, 1.0)[:, None]
    value, p, q, error = gaps.value.copy(), gaps.p.copy(), gaps.q.copy(), gaps.error.copy()
    value[some], error[some] = exact.value - r, exact.error
    p[some], q[some] = exact.p + away * r[:, None], exact.q
    return replace(gaps, value=value, p=p, q=q, error=error)


def round_depths(depth: Floats, p: Floats, q: Floats, profile: Profile) -> tuple[Floats, Floats]:
    """Distances of points ``p`` (n, 2) from the profile, and its nearest points, by its arcs.

    ``depth`` and ``q`` are those by the chords.
    """
    edge, _ = edges_at(profile.edges, q)
    on = np.flatnonzero(edge >= 0)
    points = capsule_edges(np.tile(p[on], 2), np.zeros(len(on)), np.zeros(len(on)))
    gaps = Gaps(
        np.arange(len(on)), edge[on], depth[on], p[on], q[on], profile.edges.error[edge[on]]
    )
    exact = round_gaps(gaps, points, profile)
    depth, q = depth.copy(), q.copy()
    depth[on], q[on] = exact.value, exact.q
    return depth, q
