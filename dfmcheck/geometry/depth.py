"""Depth: how far inside an image something lies, from the nearest outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.facing import outline_of
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.rows import run_starts
from dfmcheck.geometry.segments import closest_pairs, points_to_segments

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]


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
        owner = np.repeat(np.arange(len(parts)), count)
        number = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
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
        part = np.full(len(x), -1, dtype=np.intp)
        if len(x) and len(self.parts):
            p, i = shapely.STRtree(shapely.points(x, y)).query(self.parts, predicate="intersects")
            part[i] = p
        return part

    def _ends(self, probes: Edges) -> tuple[Rows, Rows]:
        """Part holding either end of each probe; an end that starts the next is asked once."""
        p0 = self.part_at(probes.x0, probes.y0)
        p1 = p0.copy()
        point = (probes.x0 == probes.x1) & (probes.y0 == probes.y1)
        joined = np.zeros(len(probes), dtype=np.bool_)
        joined[:-1] = (probes.x1[:-1] == probes.x0[1:]) & (probes.y1[:-1] == probes.y0[1:])
        p1[joined] = p0[np.flatnonzero(joined) + 1]
        rest = np.flatnonzero(~point & ~joined)
        p1[rest] = self.part_at(probes.x1[rest], probes.y1[rest])
        return p0, p1

    def depth(self, probes: Edges, reach: float) -> Depths:
        """Depth of each probe's spine (segment) less its radius.

        A probe whose ends both lie inside one part is as deep as its nearest outline point of
        that part; with an end outside, the value is minus the way back into the image, less
        the radius. Depths beyond ``reach`` come back as NaN.
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
        hit, distance, facet = self._nearest(probes, np.where(inside, out.part, -1), reach)
        _, a, b = closest_pairs(probes.segments, hit, self._segments, facet)
        out.value[hit] = distance - probes.r[hit]
        out.error[hit] = CHORD_ERROR + self.image.grid
        out.frm[hit], out.at[hit] = a, b
        self._outside(probes, inside, p0, p1, reach, out)
        self._exact(probes, inside, out)
        return out

    def _nearest(self, probes: Edges, part: Rows, reach: float) -> tuple[Rows, Floats, Rows]:
        """Nearest facet of each probe, of ``part`` alone where that is not -1: rows of the
        probes that have one within ``reach`` of their rim, distance of the spine and facet.

        Most outlines are near, so that little is looked at when the search goes out by steps.
        """
        found: list[tuple[Rows, Floats, Rows]] = []
        left = np.arange(len(probes))
        for far in (reach / 8, reach / 3, reach):
            asked = probes.take(left)
            low_x, low_y, high_x, high_y = asked.bounds(far)
            of, facet = self._outline.query(
                np.stack([low_x, low_y], axis=-1), np.stack([high_x, high_y], axis=-1)
            )
            mine = (part[left[of]] < 0) | (self._outline.part[facet] == part[left[of]])
            if self._gone is not None:
                mine &= ~self._gone[facet]
            of, facet = of[mine], facet[mine]
            distance, _, b = closest_pairs(asked.segments, of, self._segments, facet)
            order = _nearest_first(of, distance, b)
            rows = order[run_starts(of[order])]
            # Points equally near must all have been looked at.
            sure = distance[rows] - asked.r[of[rows]] <= (far if far == reach else far - 1e-6)
            rows = rows[sure]
            found.append((left[of[rows]], distance[rows], facet[rows]))
            done = np.zeros(len(left), dtype=np.bool_)
            done[of[rows]] = True
            left = left[~done]
            if len(left) == 0:
                break
        hit, distance, facet = (np.concatenate(column) for column in zip(*found, strict=True))
        return hit, distance, facet

    def _outside(
        self, probes: Edges, inside: Any, p0: Rows, p1: Rows, reach: float, out: Depths
    ) -> None:
        """Ends outside the image: minus the distance back to it."""
        for part, x, y in ((p0, probes.x0, probes.y0), (p1, probes.x1, probes.y1)):
            rows = np.flatnonzero(~inside & (part < 0))
            if len(rows) == 0:
                continue
            # What was found so far is a distance seen from outside, not a depth.
            out.value[rows[out.value[rows] > 0]] = np.nan
            x, y, r = x[rows], y[rows], probes.r[rows]
            ends = Edges(x, y, x, y, r, probes.error[rows], probes.piece[rows])
            of, distance, facet = self._nearest(ends, np.full(len(rows), -1), reach)
            _, point, b = closest_pairs(ends.segments, of, self._segments, facet)
            hit = rows[of]
            value = -distance - probes.r[hit]
            worse = ~(out.value[hit] <= value)
            hit, value = hit[worse], value[worse]
            out.value[hit], out.error[hit] = value, CHORD_ERROR + self.image.grid
            out.frm[hit], out.at[hit] = point[worse], b[worse]
            out.part[hit] = np.where(
                out.part[hit] >= 0, out.part[hit], self._outline.part[facet[worse]]
            )

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
