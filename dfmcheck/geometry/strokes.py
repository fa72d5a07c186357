"""Outlines of whole runs of strokes, so that merging has few shapes with few vertices.

Strokes of a round aperture drawn one after the other join in a disc. Most of that disc lies
inside the strokes themselves; only the fan on the outer side of the bend shows. Written as one
outline, a run of n strokes has about 3 n vertices instead of 26 n, and needs no union at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.outlines import circle_steps

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_MITRE = 2e-5
"""A bend whose corner would stand out less than this (mm) from its fan is one corner."""
_MOST_TURN = 2.9
"""A run that turns less than half a circle does not come back to itself."""
_KEY = 1e-7
"""Ends nearer than about this (mm) are one place."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Outlines ``shapes`` (m,); ``of`` (n,) the shape each stroke belongs to, -1 for a disc."""

    shapes: npt.NDArray[Any]
    of: Rows


def stroke_runs(segments: Floats, radius: Floats) -> Runs:
    """Outlines of strokes, consecutive ones that join taken together.

    The outlines together cover what the strokes' own outlines cover, up to the chord error of
    rounds; single outlines may lack the round end where another stroke or disc has it.
    Strokes of no length are left to the caller.

    Parameters
    ----------
    segments : float64 (n, 4), mm
        In the order of painting.
    radius : float64 (n,), mm, above nought
    """
    n = len(segments)
    of = np.full(n, -1, dtype=np.intp)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    rows = np.flatnonzero(length > 0)
    if len(rows) == 0:
        return Runs(np.empty(0, dtype=object), of)
    s, r, length_ = segments[rows], radius[rows], length[rows]
    direction = (s[:, 2:] - s[:, :2]) / length_[:, None]
    turn, joined = _joints(s, r, length_, direction)
    cap0, cap1 = _round_ends(segments, radius, rows, joined)
    shapes, run = _outlines(s, r, direction, turn, joined, cap0, cap1)
    # Where a run meets itself its outline is no outline: these strokes stand alone.
    alone = ~shapely.is_valid(shapes) & (np.bincount(run, minlength=len(shapes)) > 1)
    if alone.any():
        again = alone[run]
        joined &= ~again
        shapes, run = _outlines(s, r, direction, turn, joined, cap0 | again, cap1 | again)
    of[rows] = run
    return Runs(shapes, of)


def _joints(s: Floats, r: Floats, length: Floats, d: Floats) -> tuple[Floats, Bools]:
    """Turn at the end of every stroke into the next (n,), and whether they make one outline."""
    n = len(s)
    turn, joined = np.zeros(n), np.zeros(n, dtype=np.bool_)
    cross = d[:-1, 0] * d[1:, 1] - d[:-1, 1] * d[1:, 0]
    turn[:-1] = np.arctan2(cross, (d[:-1] * d[1:]).sum(axis=1))
    joined[:-1] = (
        (s[:-1, 2] == s[1:, 0])
        & (s[:-1, 3] == s[1:, 1])
        & (r[:-1] == r[1:])
        & (np.abs(turn[:-1]) < np.pi / 2)
    )
    # The inner corners of both ends must lie on the stroke, and the strip each cuts off from
    # its neighbour inside this stroke's own strip.
    for last in (False, True):
        bend = np.abs(np.where(joined, turn, 0.0))
        before = np.concatenate([[0.0], bend[:-1]])
        short = length < r * np.maximum(
            np.sin(before) + np.tan(bend / 2), np.tan(before / 2) + np.sin(bend)
        )
        cut_end = short & ((bend >= before) | last)
        cut_start = short & ((bend < before) | last)
        joined &= ~cut_end
        joined[:-1] &= ~cut_start[1:]
    bend = np.cumsum(np.abs(np.where(joined, turn, 0.0)))
    start = np.concatenate([[True], ~joined[:-1]])
    # Turned so far since the run began; a stroke's own turn is the one at its end.
    since = bend - np.maximum.accumulate(np.where(start, np.concatenate([[0.0], bend[:-1]]), 0.0))
    before = np.where(start, 0.0, np.concatenate([[0.0], since[:-1]]))
    joined &= np.floor(since / _MOST_TURN) == np.floor(before / _MOST_TURN)
    return turn, joined


def _round_ends(segments: Floats, radius: Floats, rows: Rows, joined: Bools) -> tuple[Bools, Bools]:
    """Which strokes need their round start and end: of all that end at one place the widest.

    None does where a disc as wide, or the inside of a run as wide, lies there.
    """
    s = segments[rows]
    n = len(rows)
    start = ~np.concatenate([[False], joined[:-1]])
    discs = np.setdiff1d(np.arange(len(segments)), rows)
    # 0: full discs and joints inside runs; 1: ends, of which the first of the widest stays.
    x = np.concatenate([segments[discs, 0], s[joined, 2], s[start, 0], s[~joined, 2]])
    y = np.concatenate([segments[discs, 1], s[joined, 3], s[start, 1], s[~joined, 3]])
    r = np.concatenate(
        [radius[discs], radius[rows[joined]], radius[rows[start]], radius[rows[~joined]]]
    )
    end = np.zeros(len(x), dtype=np.uint8)
    end[len(discs) + int(joined.sum()) :] = 1
    kx, ky = np.round(x / _KEY).astype(np.int64), np.round(y / _KEY).astype(np.int64)
    order = np.lexsort((end, -r, ky, kx))
    first = np.ones(len(order), dtype=np.bool_)
    first[1:] = (np.diff(kx[order]) != 0) | (np.diff(ky[order]) != 0)
    needed = np.zeros(len(x), dtype=np.bool_)
    needed[order[first]] = True
    needed = needed[end == 1]
    cap0, cap1 = np.zeros(n, dtype=np.bool_), np.zeros(n, dtype=np.bool_)
    k = int(start.sum())
    cap0[np.flatnonzero(start)] = needed[:k]
    cap1[np.flatnonzero(~joined)] = needed[k:]
    return cap0, cap1


def _outlines(
    s: Floats, r: Floats, d: Floats, turn: Floats, joined: Bools, cap0: Bools, cap1: Bools
) -> tuple[npt.NDArray[Any], Rows]:
    """One ring per run: right side forward, end, left side backward, start."""
    n = len(s)
    start = ~np.concatenate([[False], joined[:-1]])
    run = np.cumsum(start) - 1
    normal = np.stack([-d[:, 1], d[:, 0]], axis=-1)
    step = np.empty(n)
    for value in np.unique(r).tolist():
        step[r == value] = 2 * np.pi / circle_steps(value)
    rings: list[tuple[Rows, Floats, Floats]] = []
    """Run, place along the ring and point; in any order."""

    def fan(rows: Rows, centre: Floats, angle: Floats, sweep: Floats, place: Floats) -> None:
        """Points at both ends of an arc and between; ``place`` grows along the sweep."""
        count = np.maximum(np.ceil(np.abs(sweep) / step[rows] - 1e-9), 1).astype(np.intp) + 1
        at = np.repeat(np.arange(len(rows)), count)
        k = np.arange(len(at)) - np.repeat(np.cumsum(count) - count, count)
        f = k / (count[at] - 1)
        a = angle[at] + sweep[at] * f
        points = centre[at] + r[rows][at, None] * np.stack([np.cos(a), np.sin(a)], axis=-1)
        rings.append((run[rows][at], place[at] + 0.5 * f, points))

    heading = np.arctan2(d[:, 1], d[:, 0])
    number = np.arange(n, dtype=np.float64)
    joint = np.flatnonzero(joined)
    bend = turn[joint]
    centre = s[joint, 2:]
    mitre = (normal[joint] + normal[np.minimum(joint + 1, n - 1)]) / (1 + np.cos(bend))[:, None]
    mitre = mitre * r[joint, None]
    plain = r[joint] * bend**2 / 8 < _MITRE
    for side in (-1.0, 1.0):
        # Right side (-1) at places 0 … n, left side (+1) at 3 n … 2 n backward.
        place = number[joint] if side < 0 else 3 * n - number[joint]
        outer = ~plain & (bend * side < 0)
        inner = ~outer
        rings.append((run[joint[inner]], place[inner], centre[inner] + side * mitre[inner]))
        o = joint[outer]
        if side < 0:  # a left bend: from this stroke's right normal on to the next one's
            fan(o, centre[outer], heading[o] - np.pi / 2, bend[outer], place[outer])
        else:
            # The left side runs backward: from the next stroke's left normal to this one's.
            angle = heading[o] + np.pi / 2 + bend[outer]
            fan(o, centre[outer], angle, -bend[outer], place[outer])
    for rows, cap, points, at_end, turned in (
        (np.flatnonzero(~joined), cap1, s[:, 2:], True, -np.pi / 2),
        (np.flatnonzero(start), cap0, s[:, :2], False, np.pi / 2),
    ):
        at = number[rows] if at_end else np.full(len(rows), 3.0 * n + 1)
        round_ = cap[rows]
        c = rows[round_]
        fan(c, points[c], heading[c] + turned, np.full(len(c), np.pi), at[round_])
        f = rows[~round_]
        sign = 1.0 if at_end else -1.0
        offset = normal[f] * r[f, None] * sign
        rings.append((run[f], at[~round_], points[f] - offset))
        rings.append((run[f], at[~round_] + 0.5, points[f] + offset))
    owner, along, corners = (np.concatenate([ring[i] for ring in rings]) for i in range(3))
    order = np.lexsort((along, owner))
    outlines = shapely.linearrings(corners[order], indices=owner[order])
    return np.asarray(shapely.polygons(outlines)), run
