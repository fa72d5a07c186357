"""Plate: copper joins the layers through the holes. Annular ring."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.depth import Inside
from dfmcheck.measure.common import edges_at, hole_source, names, place_points, source
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

RING = Rule(
    id="plate.annular-ring",
    step=Step.PLATE,
    looks_at="copper",
    quantity="annular ring",
    unit="mm",
    direction="at-least",
    on_the_floor="Drills wander and layers stretch: a ring this small lets the hole break out of "
    "its land, and the plated wall meets the conductor by a thread or not at all.",
    change="Enlarge the land, use a smaller hole, or centre the hole on its land.",
    who="ask",
    front_end="May grow lands where spacing allows; must ask before changing a hole.",
    source="IPC-6012 (annular ring by class) and IPC-2221B 9.1 (land size; values from memory)",
    allowance="ring",
)


@measures(RING)
def annular_ring(board: Board, reach: float) -> Places:
    """Smallest ring all round every plated hole, on each copper layer where it has a land.

    Measured from the hole at the size in the file and where it really is. Negative where the
    hole breaks out of the copper. A hole that meets no copper on a layer has no ring there.
    """
    holes = board.holes
    far = max(reach, 0.5)
    tables: list[Places] = []
    for number, layer in board.numbered():
        rows = np.flatnonzero(
            (holes.plated == 1) & (holes.first <= number) & (holes.last >= number)
        )
        probes = holes.edges.take(rows)
        depth = Inside(layer.image, hole_polygons(holes, rows)).depth(probes, far)
        value = depth.value
        # Outside by more than its own size, the hole does not touch this layer's copper.
        met = ~np.isnan(value) & (value > -2 * probes.r)
        keep = np.flatnonzero(met & (value <= reach))
        if len(keep) == 0 and met.any():
            keep = np.array([int(np.nanargmin(np.where(met, value, np.nan)))])
        hole = rows[keep]
        edge, _ = edges_at(layer.image.edges, depth.at[keep])
        length = np.hypot(*(depth.at[keep] - depth.frm[keep]).T)
        unit = (depth.at[keep] - depth.frm[keep]) / np.where(length > 0, length, 1.0)[:, None]
        wall = depth.frm[keep] + unit * probes.r[keep][:, None]
        columns = source(layer.image, edge, "b")
        tables.append(
            Places.of(
                rule=RING.id,
                layer=layer.name,
                position=board.position(layer),
                kind=np.where(value[keep] < 0, "breakout", "").astype(object),
                value=value[keep],
                uncertainty=depth.error[keep] + probes.error[keep],
                **place_points(board, wall, depth.at[keep]),
                hole=2 * holes.r[hole],
                plated=1,
                group=hole.astype(np.int64),
                net_a=names(board.net_names, holes.net[hole]),
                **hole_source(board, hole, "a"),
                **columns,
            )
        )
    return Places.concat(tables)
