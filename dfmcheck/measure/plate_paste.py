"""Plate: open holes in lands that are soldered. Solder runs away through them."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.measure.at_holes import at_holes
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Side, Step, Weight

_TERMINAL = 0.6
"""Smallest hole (mm) a terminal is soldered into with paste (common practice)."""
_OWN_PASTE = 12.0

HALF = "at the edge of the paste"
INSIDE = "inside the paste"

IN_PASTE = Rule(
    id="plate.hole-in-paste-land",
    step=Step.PLATE,
    looks_at="drill",
    quantity="diameter of a plated hole in a land with paste",
    unit="mm",
    direction="at-most",
    on_the_floor="Solder runs down the open hole: the joint is starved, and a bump on the other "
    "side keeps that side's stencil off the board.",
    change="Move the hole out of the land, or ask for it to be filled and capped.",
    who="ask",
    front_end="Must ask whether the holes are to be filled: it is a process of its own.",
    source="common practice (filling: IPC-4761 type VII, value from memory)",
    weight=Weight.QUERY,
)


@measures(IN_PASTE)
def hole_in_paste_land(board: Board, reach: float) -> Places:
    """Plated holes that open into a land under paste: one place per hole and side.

    The value is the hole's diameter in the file; the kind tells whether the paste covers the
    hole or only reaches into it. Left out are holes of a terminal soldered in paste on purpose
    (0.6 mm or more, under paste of no more than twelve times their area), and buried holes.
    Nothing is measured without paste data.
    """
    return Places.concat([_on_paste(board, paste) for paste in board.pastes])


def _on_paste(board: Board, paste: Layer) -> Places:
    holes, parts = board.holes, paste.image.pieces
    end = 1 if paste.role.side is Side.TOP else max(len(board.copper), 1)
    at_end = holes.first == 1 if paste.role.side is Side.TOP else holes.last >= end
    rows = np.flatnonzero((holes.plated == 1) & at_end)
    if len(rows) == 0 or len(parts) == 0:
        return Places.empty()
    discs = hole_polygons(holes, rows)
    hole, part = shapely.STRtree(parts).query(discs, predicate="intersects")
    covered = shapely.area(shapely.intersection(discs[hole], parts[part]))
    share = covered / shapely.area(discs[hole])
    # Paste that only grazes the wall stays where it is.
    keep = (share > 0.02) & (shapely.area(parts[part]) > shapely.area(discs[hole]))
    ratio = shapely.area(parts[part]) / shapely.area(discs[hole])
    terminal = hole[(2 * holes.r[rows[hole]] >= _TERMINAL) & (ratio <= _OWN_PASTE)]
    keep &= ~np.isin(hole, terminal)
    hole, share = hole[keep], share[keep]
    order = np.lexsort((-share, hole))
    hole, share = hole[order], share[order]
    first = np.unique(hole, return_index=True)[1]
    columns = at_holes(board, rows[hole[first]])
    columns |= {"layer": paste.name, "file_b": paste.image.file}
    return Places.of(
        rule=IN_PASTE.id,
        position="outer",
        kind=np.where(share[first] > 0.98, INSIDE, HALF).astype(object),
        value=2 * holes.r[rows[hole[first]]],
        **columns,
    )
