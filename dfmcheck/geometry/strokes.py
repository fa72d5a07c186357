"""Outlines of whole runs of strokes, so that merging has few shapes with few vertices.

Strokes of a round aperture that meet end to end join in a disc. Most of that disc lies inside
the strokes themselves; only the fan on the outer side of the bend shows. Written as one outline,
a run of n strokes has about 3 n vertices instead of 26 n, and needs no union at all.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.outlines import circle_steps
from dfmcheck.geometry.rows import repeats

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

_MITRE = 2e-5
"""A bend whose corner would stand out less than this (mm) from its fan is one corner."""
_SHARPEST = 2.9
"""Strokes that turn back further than this (radians) make no one outline."""
_MOST_TURN = (4.0, 2.9)
"""How far a run may turn: first tried, and again where the outline met itself."""
_KEY = 1e-7
"""Ends nearer than about this (mm) are one place."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Outlines ``shapes`` (m,); ``of`` (n,) the shape each stroke belongs to, -1 for a disc."""

    shapes: npt.NDArray[Any]
    of: Rows


@dataclass(frozen=True, slots=True)
class _Strokes:
    """Strokes as chains go: ``joined`` (n,) to the one that follows, which end is round."""

    ends: Floats
    r: Floats
    direction: Floats
    turn: Floats
    joined: Bools
    cap0: Bools
    cap1: Bools


def stroke_runs(segments: Floats, radius: Floats) -> Runs:
    """Outlines of strokes, those that meet end to end taken together.

    The outlines together cover what the strokes' own outlines cover, up to the chord error of
    rounds; single outlines may lack the round end where another stroke or disc has it.
    Strokes of no length are left to the caller.

    Parameters
    ----------
    segments : float64 (n, 4), mm
        In the order of painting.
    radius : float64 (n,), mm, above nought
    """
    of = np.full(len(segments), -1, dtype=np.intp)
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    rows, discs = np.flatnonzero(length > 0), np.flatnonzero(length == 0)
    if len(rows) == 0:
        return Runs(np.empty(0, dtype=object), of)
    strokes, order = _in_chains(segments, radius, rows, discs)
    shapes, run = _outlines(strokes)
    # Where a run meets itself its outline is no outline: it is cut, at last to single strokes.
    for most in (_MOST_TURN[1], 0.0):
        bad = np.bincount(run, minlength=len(shapes)) > 1
        bad[bad] = ~shapely.is_valid(shapes[bad])
        if not bad.any():
            break
        again = np.flatnonzero(bad[run])
        strokes.joined[again] = _within_turn(strokes.turn[again], strokes.joined[again], most)
        strokes.cap0[again] = strokes.cap1[again] = True
        more, run_again = _outlines(
            _Strokes(*(getattr(strokes, f.name)[again] for f in fields(strokes)))
        )
        run = np.cumsum(~bad)[run] - 1
        run[again] = run_again + np.count_nonzero(~bad)
        shapes = np.concatenate([shapes[~bad], more])
    of[rows[order]] = run
    return Runs(shapes, of)


def _in_chains(segments: Floats, radius: Floats, rows: Rows, discs: Rows) -> tuple[_Strokes, Rows]:
    """Strokes in the order of their chains, turned to run one way, and the row of each.

    End ``2 i`` of stroke ``i`` is its start, ``2 i + 1`` the other.
    """
    s, r = segments.take(rows, axis=0), radius[rows]
    ends = np.concatenate([s.reshape(-1, 2), segments[discs, :2]])
    places = _places(ends, np.concatenate([np.repeat(r, 2), radius[discs]]))
    partner = _partners(s, r, ends, places)
    dart = _walk(partner)
    order, back = dart >> 1, (dart & 1).astype(np.bool_)
    s = s.take(order, axis=0)
    s[back] = s[back][:, [2, 3, 0, 1]]
    direction = s[:, 2:] - s[:, :2]
    direction /= np.hypot(direction[:, 0], direction[:, 1])[:, None]
    turn, joined = np.zeros(len(s)), partner[dart ^ 1] >= 0
    a, b = direction[:-1], direction[1:]
    turn[:-1] = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1))
    joined = _within_turn(turn, joined, _MOST_TURN[0])
    inside = np.ones(len(ends), dtype=np.bool_)
    inside[dart ^ 1], inside[dart[1:]] = joined, joined[:-1]
    inside[dart[0]] = False
    needed = _round_ends(places, inside)
    return _Strokes(s, r[order], direction, turn, joined, needed[dart], needed[dart ^ 1]), order


@dataclass(frozen=True, slots=True)
class _Places:
    """Ends and discs at one place follow each other in ``order`` (n,), the widest first.

    ``first`` marks the first of a place, ``width`` the first of a place and radius.
    """

    order: Rows
    first: Bools
    width: Bools


def _places(points: Floats, radius: Floats) -> _Places:
    key = np.round(points / _KEY).astype(np.int64)
    # One number to sort by: places that share one lie 400 mm apart and just beside each other.
    order = np.lexsort((-radius, (key[:, 0] << 32) + key[:, 1]))
    key, radius = key.take(order, axis=0), radius[order]
    first = np.ones(len(order), dtype=np.bool_)
    first[1:] = (key[1:] != key[:-1]).any(axis=1)
    width = first.copy()
    width[1:] |= radius[1:] != radius[:-1]
    return _Places(order, first, width)


def _partners(s: Floats, r: Floats, ends: Floats, places: _Places) -> Rows:
    """The end each stroke's end makes one outline with, -1 for none: two by two at a place."""
    order, count = places.order, 2 * len(s)
    at = np.arange(len(order))
    place = at - np.maximum.accumulate(np.where(places.width, at, 0))
    k = np.flatnonzero((place[:-1] % 2 == 0) & ~places.width[1:])
    a, b = order[k], order[k + 1]
    k = np.flatnonzero(
        (np.maximum(a, b) < count) & (a >> 1 != b >> 1) & (ends[a] == ends[b]).all(axis=1)
    )
    a, b = a[k], b[k]
    length = np.hypot(s[:, 2] - s[:, 0], s[:, 3] - s[:, 1])
    inward = np.repeat((s[:, 2:] - s[:, :2]) / length[:, None], 2, axis=0)
    inward[1::2] *= -1
    u, v = inward.take(a, axis=0), inward.take(b, axis=0)
    turn = np.arctan2(np.abs(u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]), -(u * v).sum(axis=1))
    k = np.flatnonzero(turn < _SHARPEST)
    partner, bend = np.full(count, -1, dtype=np.intp), np.zeros(count)
    partner[a[k]], partner[b[k]] = b[k], a[k]
    bend[a[k]] = bend[b[k]] = turn[k]
    # The inner corners of both ends must lie on the stroke, and the strip each cuts off from
    # its neighbour inside this stroke's own strip.
    for last in (False, True):
        corner, strip = np.tan(bend / 2), np.sin(bend)
        strip = np.maximum(corner, strip)
        short = length < r * np.maximum(strip[::2] + corner[1::2], corner[::2] + strip[1::2])
        far = bend[1::2] >= bend[::2]
        cut = np.concatenate(
            [
                2 * np.flatnonzero(short & (~far | last)),
                2 * np.flatnonzero(short & (far | last)) + 1,
            ]
        )
        cut = cut[partner[cut] >= 0]
        other = partner[cut]
        partner[cut] = partner[other] = -1
        bend[cut] = bend[other] = 0.0
    return partner


def _walk(partner: Rows) -> Rows:
    """The end at which every stroke is entered, in the order of the chains.

    Rings are opened in ``partner``.
    """
    count = len(partner)
    while True:
        # Entered at an end, the stroke before is left at that end's partner.
        before = np.where(partner >= 0, partner ^ 1, np.arange(count))
        steps = (partner >= 0).astype(np.intp)
        lowest = np.arange(count)
        reach = 1
        while reach < count:
            np.minimum(lowest, lowest[before], out=lowest)
            further = before[before]
            if (further == before).all():
                break
            steps += steps[before]
            before, reach = further, 2 * reach
        ring = np.flatnonzero((lowest == np.arange(count)) & (partner[before] >= 0))
        if len(ring) == 0:
            break
        other = partner[ring]
        partner[ring] = partner[other] = -1
    # Every chain was walked from both ends: the one of the lower number counts.
    enter = np.arange(0, count, 2)
    enter += before[1::2] < before[::2]
    return enter[np.lexsort((steps[enter], before[enter]))]


def _within_turn(turn: Floats, joined: Bools, most: float) -> Bools:
    """``joined`` without the joints at which a run has turned by ``most`` once more."""
    if most == 0:
        return np.zeros(len(turn), dtype=np.bool_)
    bend = np.cumsum(np.abs(np.where(joined, turn, 0.0)))
    start = np.concatenate([[True], ~joined[:-1]])
    # Turned so far since the run began; a stroke's own turn is the one at its end.
    since = bend - np.maximum.accumulate(np.where(start, np.concatenate([[0.0], bend[:-1]]), 0.0))
    before = np.where(start, 0.0, np.concatenate([[0.0], since[:-1]]))
    return np.asarray(joined & (np.floor(since / most) == np.floor(before / most)))


def _round_ends(places: _Places, inside: Bools) -> Bools:
    """Which ends need to be round: of all at one place the widest.

    None does where a disc as wide, or the inside of a run as wide (``inside``), lies there.
    """
    first = np.flatnonzero(places.first)
    width = np.cumsum(places.width)
    widest = width == width[first][np.cumsum(places.first) - 1]
    there = np.logical_or.reduceat(inside[places.order] & widest, first)
    needed = np.zeros(len(inside), dtype=np.bool_)
    needed[places.order[first[~there]]] = True
    return needed


def _outlines(strokes: _Strokes) -> tuple[npt.NDArray[Any], Rows]:
    """One ring per run: right side forward, end, left side backward, start."""
    s, r, d, turn, joined = (
        strokes.ends, strokes.r, strokes.direction, strokes.turn, strokes.joined,
    )  # fmt: skip
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
        at, k = repeats(count)
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
        (np.flatnonzero(~joined), strokes.cap1, s[:, 2:], True, -np.pi / 2),
        (np.flatnonzero(start), strokes.cap0, s[:, :2], False, np.pi / 2),
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
