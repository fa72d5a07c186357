"""Plate: copper joins the layers through the holes. Annular ring and breakout."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.depth import Inside
from dfmcheck.measure.common import edges_at, hole_source, names, place_points, source
from dfmcheck.measure.places import Places
from dfmcheck.measure.plate_breakout import bare_angles
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
    past="hole beyond the edge of its land",
    through=True,
)


BREAKOUT = Rule(
    id="plate.breakout-angle",
    step=Step.PLATE,
    looks_at="copper",
    quantity="breakout of a hole from its land",
    unit="deg",
    direction="at-most",
    on_the_floor="Over this part of its round the plated wall meets no land: it hangs on what is "
    "left, and where a conductor enters there, it is cut off.",
    change="Centre the hole on its land, enlarge the land, or add a fillet where the conductor "
    "enters.",
    who="ask",
    front_end="May add fillets where spacing allows; must ask before moving a hole.",
    source="IPC-6012 3.4.2 (breakout by class: 90° in class 2, 180° in class 1, none in class 3; "
    "values from memory)",
    through=True,
)


@measures(RING, BREAKOUT)
def annular_ring(board: Board, reach: float) -> Places:
    """Smallest ring all round every plated hole, on each copper layer where it has a land.

    Measured from the hole at the size in the file and where it really is. Negative where the
    hole breaks out of the copper. A hole that meets no copper on a layer has no ring there.

    Of every round hole that breaks out, the angle of its wall outside the copper is measured
    too, at the size in the file: the drilled hole, larger by the shop's allowance, breaks out
    over a larger angle.
    """
    holes = board.holes
    far = max(reach, 0.5)
    tables: list[Places] = []
    for number, layer in board.numbered():
        rows = np.flatnonzero(
            (holes.plated == 1) & (holes.first <= number) & (holes.last >= number)
        )
        probes = holes.edges.take(rows)
        inside = Inside(layer.image, hole_polygons(holes, rows))
        # Outside by more than its own size, a hole does not touch this layer's copper.
        depth = inside.depth(probes, far, outside=0.0)
        value = depth.value
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
        out = (value[keep] < 0) & (holes.x0[hole] == holes.x1[hole])
        out &= holes.y0[hole] == holes.y1[hole]
        ring = tables[-1].take(np.flatnonzero(out))
        if len(ring):
            at = hole[out]
            angle, off = bare_angles(
                layer.image, inside.parts, holes.x0[at], holes.y0[at], holes.r[at]
            )
            ring.columns.update(
                value=angle, uncertainty=off, rule=np.full(len(ring), BREAKOUT.id, dtype=object)
            )
            tables.append(ring.take(np.flatnonzero(angle > 0)))
    return Places.concat(tables)
