"""Inner corners of the profile: where the cutter has to turn towards the board."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Profile
from dfmcheck.geometry.facets import Facets

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_SLIGHT = np.radians(50)
"""In a bend of less a cutter of 1 mm radius leaves no more than 0.1 mm of board."""
_SLOT_END = np.radians(170)
_SMOOTH = np.radians(40)
"""Between chords of one curve the line turns by less than this; a sharper turn is a corner."""
_ROUND = 0.005
"""Points off a common circle by no more than this (mm) make a curve."""
_STRAIGHT = 1e-6
_LONG = 5.0
"""A chord so many times as long as the one beside it is a straight between two arcs."""


@dataclass(frozen=True, slots=True)
class Corners:
    """Radius, how far it may be off, deepest point, centre and file line of corners, (n,)."""

    radius: Floats
    error: Floats
    at: Floats
    centre: Floats
    line: npt.NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class _Bend:
    radius: float
    error: float
    at: Floats
    centre: Floats


def inner_corners(profile: Profile) -> Corners:
    """Concave corners of the profile's area and of its cut-outs.

    Arcs are found as runs of points on one circle. Where the file draws an arc this is exact,
    since the chords that stand for it end on it; an outline drawn in short straight pieces
    is understood in the same way.
    """
    parts = shapely.get_parts(profile.area)
    outline = Facets(parts)
    index = np.arange(len(outline))
    ring = np.cumsum(outline.previous >= index) - 1
    bends: list[_Bend] = []
    for number in range(int(ring.max(initial=-1)) + 1):
        rows = np.flatnonzero(ring == number)
        bends += _of_ring(outline.a[rows], outline.turn[rows])
    at = np.array([b.at for b in bends]).reshape(-1, 2)
    return Corners(
        np.array([b.radius for b in bends]), np.array([b.error for b in bends]), at,
        np.array([b.centre for b in bends]).reshape(-1, 2), _lines(profile, at),
    )  # fmt: skip


def _of_ring(points: Floats, turn: Floats) -> list[_Bend]:
    """Corners of one closed outline, the board on its left: (n, 2) points and turn at each."""
    n = len(points)
    inner = turn < -_STRAIGHT
    smooth = inner & (turn > -_SMOOTH)
    out = [
        _Bend(0.0, 0.0, points[k], points[k])
        for k in np.flatnonzero(inner & ~smooth & (turn <= -_SLIGHT)).tolist()
    ]
    if smooth.all() and _off(points) <= _ROUND:
        return out  # a round cut-out
    # Start behind a point that belongs to no curve, or behind the longest straight, so that no
    # run crosses the start.
    chord = np.hypot(*(points - np.roll(points, 1, axis=0)).T)
    start = int(np.argmax(chord) if smooth.all() else np.flatnonzero(~smooth)[0])
    order = (np.arange(n) + start) % n
    run = np.flatnonzero(np.diff(np.concatenate([[False], smooth[order], [False]]).astype(int)))
    for s, e in zip(run[::2].tolist(), run[1::2].tolist(), strict=True):
        # An arc may meet its neighbours at an angle: its ends need not turn inwards.
        reach = order[np.arange(s - 1, e + 1) % n]
        out += _arcs(points[reach])
    return out


def _arcs(points: Floats) -> list[_Bend]:
    """Arcs of a row of points that all turn inwards, but for the first and the last."""
    chord = np.hypot(*np.diff(points, axis=0).T)
    beside = np.minimum(np.append(chord[1:], np.inf), np.append(np.inf, chord[:-1]))
    straight = np.flatnonzero(chord > _LONG * beside)
    return [arc for row in np.split(points, straight + 1) for arc in _arcs_between(row)]


def _arcs_between(points: Floats) -> list[_Bend]:
    """Arcs of a row of points without a straight among them."""
    out: list[_Bend] = []
    s, last = 0, len(points) - 1
    while s + 2 <= last:
        if s + 3 > last or _off(points[s : s + 4]) > _ROUND:
            s += 1  # three points lie on a circle always, and prove nothing
            continue
        e = s + 3
        while e < last and _off(points[s : e + 2]) <= _ROUND:
            e += 1
        mine = points[s : e + 1]
        centre, radius = _circle(mine)
        chord = np.hypot(*np.diff(mine, axis=0).T)
        sweep = float(2 * np.arcsin(np.clip(chord / (2 * radius), 0, 1)).sum())
        if _SLIGHT <= sweep < _SLOT_END:
            middle = mine[len(mine) // 2]
            out.append(_Bend(radius, _off(mine), middle, centre))
        s = e
    return out


def _circle(points: Floats) -> tuple[Floats, float]:
    """Centre and radius of the circle that fits the points best (least squares of squares)."""
    middle = points.mean(axis=0)
    p = points - middle
    matrix = np.concatenate([2 * p, np.ones((len(p), 1))], axis=1)
    solution = np.linalg.lstsq(matrix, (p * p).sum(axis=1), rcond=None)[0]
    centre = solution[:2]
    return middle + centre, float(np.sqrt(max(solution[2] + centre @ centre, 0.0)))


def _off(points: Floats) -> float:
    """How far the points lie off the circle that fits them best, at most."""
    centre, radius = _circle(points)
    return float(np.abs(np.hypot(*(points - centre).T) - radius).max())


def _lines(profile: Profile, at: Floats) -> npt.NDArray[np.int32]:
    """File line of the profile's line nearest to each point."""
    if len(at) == 0:
        return np.empty(0, dtype=np.int32)
    segments = shapely.linestrings(profile.edges.segments.reshape(-1, 2, 2))
    return np.asarray(profile.lines[shapely.STRtree(segments).nearest(shapely.points(at))])
