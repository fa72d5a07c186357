"""Depth: how far inside an image something lies, from the nearest outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.blocks import blocks
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.facets import outline_of
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.rows import repeats, run_starts
from dfmcheck.geometry.segments import closest_pairs, points_to_segments

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
_LARGE = 500  # vertices; it takes long to tell whether a point lies in such a part


@dataclass(frozen=True, slots=True)
class Depths:
    """Smallest depth per probe: positive inside, negative outside, NaN where nothing is near.

    ``at`` (n, 2) is the outline point it is measured to, ``frm`` (n, 2) the probe's nearest
    point; ``part`` the part of the image met (-1: none).
    """

    value: Floats
    error: Floats
    frm: Floats
    at: Floats
    part: Rows


def part_at(parts: npt.NDArray[Any], x: Floats, y: Floats) -> Rows:
    """Which of polygons that lie apart holds each point, -1 for none."""
    part = np.full(len(x), -1, dtype=np.intp)
    if len(x) == 0 or len(parts) == 0:
        return part
    shapely.prepare(parts)
    count = shapely.get_num_coordinates(parts)
    small = np.flatnonzero(count <= _LARGE)
    p, i = shapely.STRtree(shapely.points(x, y)).query(parts[small], predicate="intersects")
    part[i] = small[p]
    # What lies in a small part need not be looked for in the pours round it.
    for k in np.argsort(-count, kind="stable")[: len(parts) - len(small)].tolist():
        x0, y0, x1, y1 = parts[k].bounds
        left = np.flatnonzero((part < 0) & (x >= x0) & (x <= x1) & (y >= y0) & (y <= y1))
        part[left[shapely.intersects_xy(parts[k], x[left], y[left])]] = k
    return part


class Inside:
    """Answers depth questions about one image; built once, asked in arrays."""

    def __init__(self, image: Image, drilled: npt.NDArray[Any] | None = None) -> None:
        """``drilled``: polygons of holes; a void wholly inside one (the bore of a ring-shaped
        land) counts as filled, for the drill removes it with what is round it."""
        self.image = image
        self._outline = outline_of(image.parts)
        self._segments = np.concatenate([self._outline.a, self._outline.b], axis=1)
        self.parts = image.parts
        self._gone: npt.NDArray[np.bool_] | None = None
        """Facets of filled voids."""
        if drilled is not None:
            self._fill(drilled)
        shapely.prepare(self.parts)

    def _fill(self, drilled: npt.NDArray[Any]) -> None:
        """Take away the inner rings that lie wholly inside a drilled hole."""
        parts = self.parts
        if len(parts) == 0 or len(drilled) == 0:
            return
        count = shapely.get_num_interior_rings(parts)
        owner, number = repeats(count)
        if len(owner) == 0:
            return
        rings = shapely.get_interior_ring(parts[owner], number)
        inside = _rings_inside(rings, drilled)
        if len(inside) == 0:
            return
        gone = np.zeros(len(rings), dtype=np.bool_)
        gone[inside] = True
        self.parts = parts.copy()
        for part in np.unique(owner[inside]).tolist():
            kept = rings[(owner == part) & ~gone]
            self.parts[part] = shapely.Polygon(parts[part].exterior, list(kept))
        # Of every part the outer ring comes before the inner ones.
        filled = np.zeros(len(parts) + len(rings), dtype=np.bool_)
        filled[(np.arange(len(rings)) + owner + 1)[inside]] = True
        self._gone = filled[self._outline.ring]

    def part_at(self, x: Floats, y: Floats) -> Rows:
        """Part holding each point, -1 for none."""
        return part_at(self.parts, x, y)

    def _ends(self, probes: Edges) -> tuple[Rows, Rows]:
        """Part holding either end of each probe; an end that starts the next is asked once."""
        p0 = self.part_at(probes.x0, probes.y0)
        p1 = p0.copy()
        joined = np.zeros(len(probes), dtype=np.bool_)
        joined[:-1] = (probes.x1[:-1] == probes.x0[1:]) & (probes.y1[:-1] == probes.y0[1:])
        p1[joined] = p0[np.flatnonzero(joined) + 1]
        rest = np.flatnonzero(_long(probes) & ~joined)
        p1[rest] = self.part_at(probes.x1[rest], probes.y1[rest])
        return p0, p1

    def depth(self, probes: Edges, reach: float, outside: float | None = None) -> Depths:
        """Depth of each probe's spine (segment) less its radius.

        A probe whose ends both lie inside one part is as deep as its nearest outline point of
        that part; with an end outside, the value is minus the way back into the image, less
        the radius. Depths beyond ``reach`` come back as NaN. The way back is looked for as far
        as ``outside`` (as the reach, where not given); where that is less than the reach,
        probes with an end further outside, by more than their radius as well, are NaN.
        """
        n = len(probes)
        nothing = np.full(n, np.nan)
        out = Depths(
            nothing.copy(), np.zeros(n), np.full((n, 2), np.nan), np.full((n, 2), np.nan),
            np.full(n, -1, dtype=np.intp),
        )  # fmt: skip
        if n == 0 or len(self.parts) == 0:
            return out
        p0, p1 = self._ends(probes)
        inside = (p0 >= 0) & (p0 == p1)
        out.part[:] = np.where(p0 >= 0, p0, p1)
        # A point outside has no depth but the way back.
        rows = np.flatnonzero(inside | _long(probes))
        part = np.where(inside, out.part, -1)[rows]
        hit, distance, frm, at, _ = self._nearest(probes.take(rows), part, reach)
        hit = rows[hit]
        out.value[hit] = distance - probes.r[hit]
        out.error[hit] = CHORD_ERROR + self.image.grid
        out.frm[hit], out.at[hit] = frm, at
        lost = self._outside(probes, inside, p0, p1, reach if outside is None else outside, out)
        if outside is not None and outside < reach:
            out.value[lost] = np.nan
        self._exact(probes, inside, out)
        return out

    def _nearest(
        self, probes: Edges, part: Rows, reach: float
    ) -> tuple[Rows, Floats, Floats, Floats, Rows]:
        """Nearest facet of each probe, of ``part`` alone where that is not -1: rows of the
        probes that have one within ``reach`` of their rim, distance of the spine, the points
        of probe and facet nearest to each other, and the facet's part.

        Most outlines are near, so that little is looked at when the search goes out by steps.
        """
        found: list[tuple[Rows, Floats, Floats, Floats, Rows]] = []
        left = np.arange(len(probes))
        for far in (reach / 8, reach / 3, reach) if reach > 0 else (0.0,):
            asked, wanted = probes.take(left), part[left]
            near = [self._first(asked, wanted, block, far) for block in self._cut(asked, far)]
            of, distance, a, b, facet = (np.concatenate(c) for c in zip(*near, strict=True))
            # Points equally near must all have been looked at.
            sure = distance - asked.r[of] <= (far if far == reach else far - 1e-6)
            rows = np.flatnonzero(sure)
            hit, owner = of[rows], self._outline.part[facet[rows]]
            a, b = a.take(rows, axis=0), b.take(rows, axis=0)
            found.append((left[hit], distance[rows], a, b, owner))
            done = np.zeros(len(left), dtype=np.bool_)
            done[hit] = True
            left = left[~done]
            if len(left) == 0:
                break
        hit, distance, a, b, owner = (np.concatenate(column) for column in zip(*found, strict=True))
        return hit, distance, a, b, owner

    def _first(
        self, asked: Edges, wanted: Rows, block: Rows, far: float
    ) -> tuple[Rows, Floats, Floats, Floats, Rows]:
        """Nearest facet of each probe of a block, of all those within ``far`` of its box: rows
        of the probes, distance, the points nearest to each other, and the facet."""
        probes = asked.take(block)
        of, facet = self._query(probes, far)
        part = wanted[block[of]]
        mine = (part < 0) | (self._outline.part[facet] == part)
        if self._gone is not None:
            mine &= ~self._gone[facet]
        keep = np.flatnonzero(mine)
        of, facet = of[keep], facet[keep]
        distance, a, b = closest_pairs(probes.segments, of, self._segments, facet)
        order = _nearest_first(of, distance, b)
        rows = order[run_starts(of[order])]
        return (
            block[of[rows]],
            distance[rows],
            a.take(rows, axis=0),
            b.take(rows, axis=0),
            facet[rows],
        )

    def _query(self, probes: Edges, far: float) -> tuple[Rows, Rows]:
        low_x, low_y, high_x, high_y = probes.bounds(far)
        low, high = np.stack([low_x, low_y], axis=-1), np.stack([high_x, high_y], axis=-1)
        return self._outline.query(low, high)

    def _cut(self, probes: Edges, far: float) -> list[Rows]:
        """Runs of probes with about as many facets nearby as are looked at at a time."""
        cut = blocks(len(probes), lambda some: len(self._query(probes.take(some), far)[0]))
        return list(cut) or [np.empty(0, dtype=np.intp)]

    def _outside(
        self, probes: Edges, inside: Any, p0: Rows, p1: Rows, reach: float, out: Depths
    ) -> npt.NDArray[np.bool_]:
        """Ends outside the image: minus the distance back to it. Marks the probes with an end
        that lies further outside than ``reach``."""
        lost = np.zeros(len(probes), dtype=np.bool_)
        ends_at = ((p0, probes.x0, probes.y0, True), (p1, probes.x1, probes.y1, _long(probes)))
        for part, x, y, asked in ends_at:
            rows = np.flatnonzero(~inside & (part < 0) & asked)
            if len(rows) == 0:
                continue
            # What was found so far is a distance seen from outside, not a depth.
            out.value[rows[out.value[rows] > 0]] = np.nan
            x, y, r = x[rows], y[rows], probes.r[rows]
            ends = Edges(x, y, x, y, r, probes.error[rows], probes.piece[rows])
            none = np.full(len(rows), -1)
            of, distance, frm, at, owner = self._nearest(ends, none, reach)
            beyond = np.ones(len(rows), dtype=np.bool_)
            beyond[of] = False
            lost[rows[beyond]] = True
            hit = rows[of]
            value = -distance - probes.r[hit]
            worse = np.flatnonzero(~(out.value[hit] <= value))
            hit, value = hit[worse], value[worse]
            out.value[hit], out.error[hit] = value, CHORD_ERROR + self.image.grid
            out.frm[hit], out.at[hit] = frm[worse], at[worse]
            out.part[hit] = np.where(out.part[hit] >= 0, out.part[hit], owner[worse])
        return lost

    def _exact(self, probes: Edges, inside: Any, out: Depths) -> None:
        """Replace polygon values by closed forms where one outline gives them."""
        rows = np.flatnonzero(inside & ~np.isnan(out.value))
        if len(rows) == 0:
            return
        edges = self.image.edges
        spine = out.value[rows] + probes.r[rows]
        asked = probes.take(rows)
        of, edge = edges.index.query(*asked.bounds())
        keep = np.flatnonzero(edges.r[edge] > 0)
        of, edge = of[keep], edge[keep]
        if len(edge):
            segments = edges.segments
            start, end = asked.segments[:, :2], asked.segments[:, 2:]
            far = np.maximum(
                points_to_segments(start, of, segments, edge),
                points_to_segments(end, of, segments, edge),
            )
            depth = edges.r[edge] - far
            best = np.full(len(rows), -np.inf)
            np.maximum.at(best, of, depth)
            error = np.zeros(len(rows))
            winner = depth >= best[of] - 1e-12
            np.maximum.at(error, of[winner], edges.error[edge[winner]])
            # The facets of a round outline lie inside it by up to the chord error.
            snap = (best >= spine - 1e-9) & (best <= spine + 1.5 * CHORD_ERROR)
            hit = rows[snap]
            out.value[hit] = best[snap] - probes.r[hit]
            out.error[hit] = error[snap]
            rows, spine = rows[~snap], spine[~snap]
        if len(rows):
            self._straight(out, rows)

    def _straight(self, out: Depths, rows: Rows) -> None:
        """Values measured to a straight, exact edge carry no uncertainty."""
        edges, near = self.image.edges, 1e-7
        points = out.at[rows]
        of, edge = edges.index.at(points[:, 0], points[:, 1], near)
        straight = (edges.r[edge] == 0) & (edges.error[edge] <= self.image.grid)
        of, edge = of[straight], edge[straight]
        on = points_to_segments(points, of, edges.segments, edge) < near
        out.error[rows[of[on]]] = self.image.grid


def _long(probes: Edges) -> npt.NDArray[np.bool_]:
    """Probes with some way between their ends."""
    return np.asarray((probes.x0 != probes.x1) | (probes.y0 != probes.y1))


def _rings_inside(rings: npt.NDArray[Any], drilled: npt.NDArray[Any]) -> Rows:
    """Rows of the rings that lie wholly inside a drilled hole."""
    box = shapely.bounds(rings)
    slack = 4 * CHORD_ERROR
    low_x, low_y, high_x, high_y = shapely.bounds(drilled).T + slack * np.array(
        [[-1], [-1], [1], [1]]
    )
    hole, ring = BoxIndex(*box.T).query(low_x, low_y, high_x, high_y)
    # Few boxes lie in the box of a hole; only for those the hole itself is looked at.
    fits = (box[ring, 0] >= low_x[hole]) & (box[ring, 1] >= low_y[hole])
    fits &= (box[ring, 2] <= high_x[hole]) & (box[ring, 3] <= high_y[hole])
    hole, ring = hole[fits], ring[fits]
    grown = shapely.buffer(drilled[hole], slack)
    return np.unique(ring[shapely.contains(grown, shapely.polygons(rings[ring]))])


def _nearest_first(of: Rows, distance: Floats, at: Floats) -> Rows:
    """Order by probe, then distance; of points equally near (a centred hole) the lowest first,
    so that it does not hang on how the outline was drawn."""
    near = np.full(int(of.max(initial=-1)) + 1, np.inf)
    np.minimum.at(near, of, distance)
    rows = np.flatnonzero(distance <= near[of] + 1e-7)
    order = np.lexsort((at[rows, 0].round(5), at[rows, 1].round(5), of[rows]))
    return rows[order]
