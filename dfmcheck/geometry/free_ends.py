"""Free ends of draws: where a conductor ends and meets nothing, and how far back it is alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.formats.records import Kind
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.rows import run_starts

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]

_SAME = 1e-4  # mm; ends nearer than this are one joint
_LONGEST = 500  # draws followed back from an end; a longer chain is no stub


@dataclass(frozen=True, slots=True)
class Strokes:
    """Uncut round draws and arcs of an image, (n,): piece, radius, both ends (n, 2)."""

    piece: Rows
    r: Floats
    start: Floats
    end: Floats
    first: Rows
    """First edge of each; the others follow it up to the next stroke's."""
    count: Rows

    def __len__(self) -> int:
        return len(self.piece)


@dataclass(frozen=True, slots=True)
class FreeEnds:
    """Free ends: piece, end point and the point where the centre line meets other copper."""

    piece: Rows
    p: Floats
    q: Floats
    length: Floats

    def __len__(self) -> int:
        return len(self.piece)


def strokes_of(image: Image) -> Strokes:
    """Draws and arcs made with a round aperture that no clear object has cut."""
    edges = image.edges
    drawn = (image.kind <= Kind.ARC) & image.whole
    rows = np.flatnonzero(drawn[edges.piece] & (edges.r > 0))
    first = rows[run_starts(edges.piece[rows])]
    count = np.diff(np.append(np.flatnonzero(run_starts(edges.piece[rows])), len(rows)))
    last = first + count - 1
    start = np.stack([edges.x0[first], edges.y0[first]], axis=-1)
    end = np.stack([edges.x1[last], edges.y1[last]], axis=-1)
    # Dots and circles have no ends.
    keep = np.flatnonzero(np.hypot(*(end - start).T) > _SAME)
    # Of the same stroke drawn twice the second one would hide the ends of both.
    low, high = start[keep].round(5), end[keep].round(5)
    turn = (low[:, 0] > high[:, 0]) | ((low[:, 0] == high[:, 0]) & (low[:, 1] > high[:, 1]))
    both = np.concatenate(
        [np.where(turn[:, None], high, low), np.where(turn[:, None], low, high)], axis=1
    )
    _, one = np.unique(
        np.concatenate([both, edges.r[first[keep], None]], axis=1), axis=0, return_index=True
    )
    keep = keep[np.sort(one)]
    return Strokes(
        edges.piece[first[keep]].astype(np.intp), edges.r[first[keep]], start[keep], end[keep],
        first[keep], count[keep],
    )  # fmt: skip


class EndSearch:
    """Finds the free ends of one image among its strokes and all its other copper."""

    def __init__(self, image: Image, obstacles: npt.NDArray[Any]) -> None:
        """``obstacles``: polygons (holes, openings) an end in which is no free one."""
        self.image = image
        self.strokes = strokes_of(image)
        # Copper that counts as something to meet: all but the doubles left out of the strokes.
        drawn = np.zeros(len(image.pieces), dtype=np.bool_)
        drawn[self.strokes.piece] = True
        round_ = np.zeros(len(image.pieces), dtype=np.bool_)
        round_[image.edges.piece[image.edges.r > 0]] = True
        double = (image.kind <= Kind.ARC) & image.whole & round_ & ~drawn
        double &= shapely.area(image.pieces) > 0
        dots = double & (shapely.area(image.pieces) < _dot_area(image))
        self.rows = np.flatnonzero(~double | dots)
        self.shape = image.pieces[self.rows]
        self.tree = shapely.STRtree(self.shape)
        self.obstacles = shapely.STRtree(obstacles)
        self.stroke_of = np.full(len(image.pieces), -1, dtype=np.intp)
        self.stroke_of[self.strokes.piece] = np.arange(len(self.strokes))

    def free(self) -> tuple[Rows, npt.NDArray[np.bool_]]:
        """Strokes with a free end, and whether it is their last point."""
        strokes = self.strokes
        n = len(strokes)
        points = np.concatenate([strokes.start, strokes.end])
        stroke = np.tile(np.arange(n), 2)
        _, index, count = np.unique(
            points.round(4), axis=0, return_inverse=True, return_counts=True
        )
        rows = np.flatnonzero(count[index.ravel()] == 1)
        if len(rows) == 0:
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.bool_)
        # Ends whose centre other copper covers.
        at = shapely.points(points[rows])
        piece, end = shapely.STRtree(at).query(self.shape, predicate="intersects")
        other = self.rows[piece] != strokes.piece[stroke[rows[end]]]
        covered = np.zeros(len(rows), dtype=np.bool_)
        covered[end[other]] = True
        rows = rows[~covered]
        rows = rows[~self._met(points[rows], stroke[rows], rows >= n)]
        return stroke[rows], rows >= n

    def _met(self, points: Floats, stroke: Rows, last: npt.NDArray[np.bool_]) -> Any:
        """Ends whose round cap meets a hole or opening, or copper other than what the stroke
        goes on into at its other end."""
        strokes = self.strokes
        cap = shapely.buffer(shapely.points(points), strokes.r[stroke] - 1e-6, quad_segs=16)
        met = np.zeros(len(points), dtype=np.bool_)
        met[self.obstacles.query(cap, predicate="intersects")[0]] = True
        end, piece = self.tree.query(cap, predicate="intersects")
        other = self.rows[piece] != strokes.piece[stroke[end]]
        end, piece = end[other], piece[other]
        back = np.where(last[:, None], strokes.start[stroke], strokes.end[stroke])
        behind = shapely.intersects(self.shape[piece], shapely.points(back[end]))
        met[end[~behind]] = True
        return met

    def lengths(self) -> FreeEnds:
        """All free ends, each followed back to where its centre line meets other copper."""
        stroke, last = self.free()
        found = [self._back(s, e) for s, e in zip(stroke.tolist(), last.tolist(), strict=True)]
        p = np.where(last[:, None], self.strokes.end[stroke], self.strokes.start[stroke])
        q = np.array([f[1] for f in found]).reshape(-1, 2)
        length = np.array([f[0] for f in found])
        keep = np.isfinite(length)
        return FreeEnds(self.strokes.piece[stroke][keep], p[keep], q[keep], length[keep])

    def _spine(self, stroke: int, reverse: bool) -> Floats:
        """Points of a stroke's centre line, from the end looked at on."""
        edges, s = self.image.edges, self.strokes
        first = int(s.first[stroke])
        rows = slice(first, first + int(s.count[stroke]))
        points = np.concatenate(
            [
                np.stack([edges.x0[rows], edges.y0[rows]], axis=-1),
                s.end[stroke][None],
            ]
        )
        return points[::-1] if reverse else points

    def _back(self, stroke: int, from_last: bool) -> tuple[float, Floats]:
        """Length from a free end back along the strokes, and the point it leads to.

        Not a number where the chain meets nothing at all: both its ends are free.
        """
        total, seen = 0.0, {stroke}
        for _ in range(_LONGEST):
            spine = self._spine(stroke, from_last)
            line = shapely.linestrings(spine)
            length = float(shapely.length(line))
            piece = int(self.strokes.piece[stroke])
            touching = self.rows[self.tree.query(self.image.pieces[piece], predicate="intersects")]
            known = [self.stroke_of[t] for t in touching.tolist()]
            others = [
                t for t, k in zip(touching.tolist(), known, strict=True)
                if t != piece and (k < 0 or k not in seen)
            ]  # fmt: skip
            holes = self.obstacles.query(line, predicate="intersects")
            if not others and not len(holes):
                return np.nan, spine[-1]
            if len(others) == 1 and not len(holes) and self.stroke_of[others[0]] >= 0:
                further = int(self.stroke_of[others[0]])
                joint = [
                    float(np.hypot(*(end - spine[-1]))) <= _SAME
                    for end in (self.strokes.start[further], self.strokes.end[further])
                ]
                if any(joint):
                    total += length
                    seen.add(further)
                    stroke, from_last = further, joint[1]
                    continue
            met = [self.image.pieces[t] for t in others]
            met += self.obstacles.geometries[holes].tolist()
            at = min(_entry(line, shape) for shape in met)
            point = shapely.get_coordinates(shapely.line_interpolate_point(line, at))[0]
            return total + at, point
        return np.nan, self._spine(stroke, from_last)[-1]


def _dot_area(image: Image) -> Floats:
    """Area no stroke with a length has: one and a thousandth discs of its aperture."""
    r = np.zeros(len(image.pieces))
    np.maximum.at(r, image.edges.piece, image.edges.r)
    return np.asarray(np.pi * r**2 * 1.001)


def _entry(line: Any, shape: Any) -> float:
    """How far along a line it first meets a shape; the nearest point where it passes beside."""
    inside = shapely.intersection(line, shape)
    if inside.is_empty:
        return float(shapely.line_locate_point(line, shapely.get_point(
            shapely.shortest_line(line, shape), 0)))  # fmt: skip
    points = shapely.points(shapely.get_coordinates(inside))
    return float(shapely.line_locate_point(line, points).min())
