"""Mask at holes: open, tented, or half covered."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.depth import Inside
from dfmcheck.measure.common import (
    concat_layers,
    edges_at,
    hole_source,
    names,
    place_points,
    source,
)
from dfmcheck.measure.mask_shapes import holes_on
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

HALF_COVERED = "half covered"
_FURTHER = 0.5  # mm; so far one looks for the nearest edge where none is as near as is asked for
_ROUNDING = 0.005  # mm; an opening of the hole's own size neither covers nor clears it

HALF = Rule(
    id="mask.half-covered-hole",
    step=Step.MASK,
    looks_at="mask",
    quantity="how far the edge of a mask opening runs inside a hole's wall",
    unit="mm",
    direction="at-most",
    on_the_floor="The edge of the opening runs across the hole: mask hangs into it, traps process "
    "chemistry and solder, and breaks off in flakes.",
    change="Open the hole wholly, or cover it wholly.",
    who="edit",
    front_end="May open or cover vias as the rest of the board does; must ask for component holes.",
    source="IPC-4761 (via protection, partly covered vias; value from memory)",
    weight=Weight.QUERY,
)


@measures(HALF)
def half_covered_hole(board: Board, reach: float) -> Places:
    """Every hole near the edge of an opening of the mask on either side.

    Positive where the edge runs inside the wall (``half covered``), up to the radius; negative
    by its distance from the wall where the hole is ``open`` or ``tented``.
    """

    def one(board: Board, mask: Layer) -> Places:
        rows = holes_on(board, mask.role.side)
        if len(rows) == 0 or len(mask.image.parts) == 0:
            return Places.empty()
        probes = board.holes.edges.take(rows)
        inside = Inside(mask.image)
        in0 = inside.part_at(probes.x0, probes.y0) >= 0
        in1 = inside.part_at(probes.x1, probes.y1) >= 0
        for far in (reach, max(reach, _FURTHER)):
            depth = inside.depth(probes, far)
            # Seen from outside the depth is the way back, less the radius.
            value = np.where(in0 & in1, -depth.value, depth.value + 2 * probes.r)
            value = np.where(in0 != in1, probes.r, value)
            known = np.flatnonzero(~np.isnan(value))
            keep = known[value[known] >= -reach]
            if len(keep):
                break
        else:
            keep = known[np.argsort(-value[known], kind="stable")[:1]]
        value, hole = value[keep], rows[keep]
        half = value > _ROUNDING
        kind = np.where(half, HALF_COVERED, np.where(in0[keep], "open", "tented"))
        edge, _ = edges_at(mask.image.edges, depth.at[keep])
        away = depth.at[keep] - depth.frm[keep]
        length = np.hypot(*away.T)
        unit = away / np.where(length > 0, length, 1.0)[:, None]
        wall = depth.frm[keep] + unit * probes.r[keep][:, None]
        columns = source(mask.image, edge, "b")
        return Places.of(
            rule=HALF.id,
            layer=mask.name,
            kind=kind.astype(object),
            value=value,
            uncertainty=depth.error[keep] + probes.error[keep],
            **place_points(board, wall, depth.at[keep]),
            hole=2 * board.holes.r[hole],
            plated=board.holes.plated[hole],
            group=WHOLE_LAYER - half.astype(np.int64),
            net_a=names(board.net_names, board.holes.net[hole]),
            **hole_source(board, hole, "a"),
            **columns,
        )

    return concat_layers(board, board.masks, one)
