"""Depth: how far inside an image something lies, from the nearest outline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.geometry.edges import CHORD_ERROR, Edges, polygon_edges
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.rows import run_starts
from dfmcheck.geometry.segments import closest_points

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
        self.parts = image.parts if drilled is None else _filled(image.parts, drilled)
        n = len(self.parts)
        self.facets = polygon_edges(self.parts, 0.0, np.arange(n, dtype=np.int32))
        self._facet_tree = shapely.STRtree(self.facets.boxes()) if n else None
        round_ = np.flatnonzero(image.edges.r > 0)
        self.round: Edges = image.edges.take(round_)
        self._round_tree = shapely.STRtree(self.round.boxes()) if len(round_) else None

    def part_at(self, x: Floats, y: Floats) -> Rows:
        """Part holding each point, -1 for none."""
        part = np.full(len(x), -1, dtype=np.intp)
        if len(x) and len(self.parts):
            p, i = shapely.STRtree(shapely.points(x, y)).query(self.parts, predicate="intersects")
            part[i] = p
        return part

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
        if n == 0 or self._facet_tree is None:
            return out
        p0 = self.part_at(probes.x0, probes.y0)
        p1 = self.part_at(probes.x1, probes.y1)
        inside = (p0 >= 0) & (p0 == p1)
        out.part[:] = np.where(p0 >= 0, p0, p1)
        of, facet = self._facet_tree.query(probes.boxes(reach))
        mine = ~inside[of] | (self.facets.piece[facet] == out.part[of])
        of, facet = of[mine], facet[mine]
        distance, a, b = closest_points(probes.segments[of], self.facets.segments[facet])
        order = _nearest_first(of, distance, b)
        first = run_starts(of[order])
        rows = order[first]
        hit = of[rows]
        ok = distance[rows] - probes.r[hit] <= reach
        rows, hit = rows[ok], hit[ok]
        out.value[hit] = distance[rows] - probes.r[hit]
        out.error[hit] = CHORD_ERROR + self.image.grid
        out.frm[hit], out.at[hit] = a[rows], b[rows]
        self._outside(probes, inside, p0, p1, reach, out)
        self._exact(probes, inside, out)
        return out

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
            points = np.stack([x[rows], y[rows]], axis=-1)
            assert self._facet_tree is not None
            far = reach + probes.r[rows]
            boxes = shapely.box(
                points[:, 0] - far, points[:, 1] - far, points[:, 0] + far, points[:, 1] + far
            )
            of, facet = self._facet_tree.query(boxes)
            spine = np.concatenate([points, points], axis=1)[of]
            distance, _, b = closest_points(spine, self.facets.segments[facet])
            order = _nearest_first(of, distance, b)
            first = run_starts(of[order])
            near = order[first]
            hit = rows[of[near]]
            value = -distance[near] - probes.r[hit]
            worse = ~(out.value[hit] <= value)
            hit, near, value = hit[worse], near[worse], value[worse]
            out.value[hit], out.error[hit] = value, CHORD_ERROR + self.image.grid
            out.frm[hit], out.at[hit] = points[of[near]], b[near]
            out.part[hit] = np.where(
                out.part[hit] >= 0, out.part[hit], self.facets.piece[facet[near]]
            )

    def _exact(self, probes: Edges, inside: Any, out: Depths) -> None:
        """Replace polygon values by closed forms where one outline gives them."""
        rows = np.flatnonzero(inside & ~np.isnan(out.value))
        if len(rows) == 0:
            return
        spine = out.value[rows] + probes.r[rows]
        if self._round_tree is not None:
            of, edge = self._round_tree.query(probes.take(rows).boxes())
            seg = self.round.segments[edge]
            p = rows[of]
            ends = [
                np.stack([x[p], y[p], x[p], y[p]], axis=-1)
                for x, y in ((probes.x0, probes.y0), (probes.x1, probes.y1))
            ]
            far = np.maximum(closest_points(ends[0], seg)[0], closest_points(ends[1], seg)[0])
            depth = self.round.r[edge] - far
            best = np.full(len(rows), -np.inf)
            np.maximum.at(best, of, depth)
            error = np.zeros(len(rows))
            winner = depth >= best[of] - 1e-12
            np.maximum.at(error, of[winner], self.round.error[edge[winner]])
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
        edges = self.image.edges
        straight = edges.take(np.flatnonzero((edges.r == 0) & (edges.error <= self.image.grid)))
        if len(straight) == 0:
            return
        x, y = out.at[rows, 0], out.at[rows, 1]
        near = 1e-7
        of, edge = shapely.STRtree(straight.boxes()).query(
            shapely.box(x - near, y - near, x + near, y + near)
        )
        at = np.stack([x, y, x, y], axis=-1)[of]
        on = closest_points(at, straight.segments[edge])[0] < near
        out.error[rows[np.unique(of[on])]] = self.image.grid


def _filled(parts: npt.NDArray[Any], drilled: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Parts without the inner rings that lie wholly inside a drilled hole."""
    if len(parts) == 0 or len(drilled) == 0:
        return parts
    count = shapely.get_num_interior_rings(parts)
    owner = np.repeat(np.arange(len(parts)), count)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    if len(owner) == 0:
        return parts
    voids = shapely.polygons(shapely.get_interior_ring(parts[owner], number))
    grown = shapely.buffer(drilled, 4 * CHORD_ERROR)
    inside = np.unique(shapely.STRtree(voids).query(grown, predicate="contains")[1])
    if len(inside) == 0:
        return parts
    gone = np.zeros(len(voids), dtype=np.bool_)
    gone[inside] = True
    out = parts.copy()
    for part in np.unique(owner[inside]).tolist():
        kept = voids[(owner == part) & ~gone]
        out[part] = shapely.Polygon(parts[part].exterior, [v.exterior for v in kept])
    return out


def _nearest_first(of: Rows, distance: Floats, at: Floats) -> Rows:
    """Order by probe, then distance; of points equally near (a centred hole) the lowest first,
    so that it does not hang on how the outline was drawn."""
    near = np.full(int(of.max(initial=-1)) + 1, np.inf)
    np.minimum.at(near, of, distance)
    rows = np.flatnonzero(distance <= near[of] + 1e-7)
    order = np.lexsort((at[rows, 0].round(5), at[rows, 1].round(5), of[rows]))
    return rows[order]
