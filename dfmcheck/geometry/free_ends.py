"""Free ends of draws: where a conductor ends and meets nothing, and how far back it is alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.formats.records import Kind
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.rows import repeats, run_starts

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
    low, high = _place(start[keep], 5), _place(end[keep], 5)
    low, high = np.minimum(low, high), np.maximum(low, high)
    r = edges.r[first[keep]]
    order = np.lexsort((r, high, low))
    keep = keep[np.sort(order[run_starts(low[order], high[order], r[order])])]
    return Strokes(
        edges.piece[first[keep]].astype(np.intp), edges.r[first[keep]], start[keep], end[keep],
        first[keep], count[keep],
    )  # fmt: skip


def _place(points: Floats, digits: int) -> npt.NDArray[np.int64]:
    """One number for each point rounded to so many digits of a mm, (n,)."""
    x, y = np.rint(points * 10.0**digits).astype(np.int64).T
    return np.asarray((x << 32) + y)


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
        rows = np.flatnonzero(double)
        area = shapely.area(image.pieces[rows])
        double[rows[(area == 0) | (area < _dot_area(image, rows))]] = False
        self.rows = np.flatnonzero(~double)
        self.copper = image.pieces.take(self.rows)
        self.obstacles = shapely.STRtree(obstacles)
        self.stroke_of = np.full(len(image.pieces), -1, dtype=np.intp)
        self.stroke_of[self.strokes.piece] = np.arange(len(self.strokes))

    def free(self) -> tuple[Rows, npt.NDArray[np.bool_]]:
        """Strokes with a free end, and whether it is their last point."""
        strokes = self.strokes
        n = len(strokes)
        points = np.concatenate([strokes.start, strokes.end])
        stroke = np.tile(np.arange(n), 2)
        place = _place(points, 4)
        order = np.argsort(place)
        opens = run_starts(place[order])
        rows = np.sort(order[opens & np.append(opens[1:], True)])
        if len(rows) == 0:
            return np.empty(0, dtype=np.intp), np.empty(0, dtype=np.bool_)
        # Ends whose centre other copper covers.
        at = shapely.points(points[rows])
        end, piece = self.copper.meeting(at)
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
        rows = np.flatnonzero(~met)
        if len(rows) == 0:
            return met
        end, piece = self.copper.meeting(cap[rows])
        end = rows[end]
        other = self.rows[piece] != strokes.piece[stroke[end]]
        end, piece = end[other], piece[other]
        back = np.where(last[:, None], strokes.start[stroke], strokes.end[stroke])
        behind = shapely.intersects(self.copper[piece], shapely.points(back[end]))
        met[end[~behind]] = True
        return met

    def lengths(self) -> FreeEnds:
        """All free ends, each followed back to where its centre line meets other copper.

        Left out where the chain of strokes meets nothing at all: both its ends are free.
        """
        strokes = self.strokes
        first, last = self.free()
        p = np.where(last[:, None], strokes.end[first], strokes.start[first])
        q, length = p.copy(), np.full(len(first), np.nan)
        end, stroke, total = np.arange(len(first)), first, np.zeros(len(first))
        seen = end * len(self.image.pieces) + strokes.piece[stroke]
        for _ in range(_LONGEST):
            if len(end) == 0:
                break
            line = self._spines(stroke, last)
            of, met = self.copper.meeting(self.image.pieces[strokes.piece[stroke]])
            met = self.rows[met]
            other = ~np.isin(end[of] * len(self.image.pieces) + met, seen)
            of, met = of[other], met[other]
            at_hole, hole = self.obstacles.query(line, predicate="intersects")
            on = np.flatnonzero(np.bincount(of, minlength=len(end)) == 1)
            on = np.setdiff1d(on, at_hole)
            only = np.full(len(end), -1, dtype=np.intp)
            only[of] = self.stroke_of[met]
            on = on[only[on] >= 0]
            tail = np.where(last[on, None], strokes.start[stroke[on]], strokes.end[stroke[on]])
            to_end = np.hypot(*(strokes.end[only[on]] - tail).T) <= _SAME
            joint = to_end | (np.hypot(*(strokes.start[only[on]] - tail).T) <= _SAME)
            on, to_end = on[joint], to_end[joint]

            there = ~np.isin(of, on)
            of = np.concatenate([of[there], at_hole])
            shape = np.concatenate([self.image.pieces[met[there]], self.obstacles.geometries[hole]])
            at = np.full(len(end), np.inf)
            np.minimum.at(at, of, _entries(line[of], shape))
            rows = np.flatnonzero(at < np.inf)
            length[end[rows]] = total[rows] + at[rows]
            point = shapely.line_interpolate_point(line[rows], at[rows])
            q[end[rows]] = shapely.get_coordinates(point)

            total = total[on] + shapely.length(line[on])
            end, stroke, last = end[on], only[on], to_end
            seen = np.append(seen, end * len(self.image.pieces) + strokes.piece[stroke])
        keep = np.flatnonzero(np.isfinite(length))
        return FreeEnds(strokes.piece[first[keep]], p[keep], q[keep], length[keep])

    def _spines(self, stroke: Rows, reverse: npt.NDArray[np.bool_]) -> npt.NDArray[Any]:
        """Centre lines of strokes, each from the end looked at on, (n,)."""
        edges, s = self.image.edges, self.strokes
        count = s.count[stroke] + 1
        of, k = repeats(count)
        k = np.where(reverse[of], count[of] - 1 - k, k)
        row = s.first[stroke[of]] + np.minimum(k, count[of] - 2)
        points = np.stack([edges.x0[row], edges.y0[row]], axis=-1)
        final = k == count[of] - 1
        points[final] = s.end[stroke]
        return np.asarray(shapely.linestrings(points, indices=of))


def _dot_area(image: Image, pieces: Rows) -> Floats:
    """Area that of some pieces no stroke with a length has: one and a thousandth discs of its
    aperture."""
    number = np.full(len(image.pieces), -1, dtype=np.intp)
    number[pieces] = np.arange(len(pieces))
    number = number[image.edges.piece]
    rows = np.flatnonzero(number >= 0)
    r = np.zeros(len(pieces))
    np.maximum.at(r, number[rows], image.edges.r[rows])
    return np.asarray(np.pi * r**2 * 1.001)


def _entries(line: npt.NDArray[Any], shape: npt.NDArray[Any]) -> Floats:
    """How far along each line it first meets the shape of its row; the nearest point where it
    passes beside."""
    inside = shapely.intersection(line, shape)
    points, of = shapely.get_coordinates(inside, return_index=True)
    at = np.full(len(line), np.inf)
    np.minimum.at(at, of, shapely.line_locate_point(line[of], shapely.points(points)))
    beside = np.flatnonzero(shapely.is_empty(inside))
    nearest = shapely.get_point(shapely.shortest_line(line[beside], shape[beside]), 0)
    at[beside] = shapely.line_locate_point(line[beside], nearest)
    return at
