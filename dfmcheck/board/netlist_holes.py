"""Holes as the netlist states them against holes as drilled."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.board.model import Board
from dfmcheck.board.netlist_place import NEAR, Placement
from dfmcheck.formats.ipc356 import Netlist
from dfmcheck.terms import Defect, Weight

SAME_SIZE = 0.02
"""Diameters that differ by less (mm) agree: netlist and drill file round to different units."""
SAME_PLACE = 0.03
"""Centres nearer than this (mm) agree."""
_LISTED = 6


def hole_defects(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    """Holes that are not drilled, or drilled elsewhere, in another size or plating."""
    if len(board.holes) == 0 or bool(np.isnan(netlist.points.hole).all()):
        return []
    return [
        *_missing(board, netlist, placed),
        *_moved(board, netlist, placed),
        *_sizes(board, netlist, placed),
        *_plating(board, netlist, placed),
        *_unlisted(board, netlist, placed),
    ]


def _tell(
    board: Board, netlist: Netlist, placed: Placement, row: int, found: str, expected: str,
    action: str,
) -> Defect:  # fmt: skip
    return Defect(
        "data.netlist-hole", Weight.QUERY, found, expected, action, netlist.file,
        int(netlist.points.line[row]), "",
        float(placed.x[row] - board.origin[0]), float(placed.y[row] - board.origin[1]),
    )  # fmt: skip


def _missing(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    rows = np.flatnonzero(~np.isnan(netlist.points.hole) & (placed.hole < 0))
    if len(rows) == 0:
        return []
    size = netlist.points.hole[rows[0]] * placed.scale
    return [
        _tell(
            board, netlist, placed, int(rows[0]),
            f"{len(rows)} holes of the netlist are not among those read from the drill data; "
            f"the first is {netlist.label(int(rows[0]))}, {size:.3f} mm",
            "a drilled or routed hole for each",
            "Ask for the missing drill or rout data (a tool without a size is not read), or for "
            "a netlist of this revision.",
        )
    ]  # fmt: skip


def _moved(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    h = board.holes
    rows = np.flatnonzero((placed.hole >= 0) & ~_slotted(board)[placed.hole])
    k = placed.hole[rows]
    off = np.hypot(placed.x[rows] - h.x0[k], placed.y[rows] - h.y0[k])
    rows, off = rows[off > SAME_PLACE], off[off > SAME_PLACE]
    if len(rows) == 0:
        return []
    worst = int(np.argmax(off))
    return [
        _tell(
            board, netlist, placed, int(rows[worst]),
            f"{len(rows)} holes are not drilled where the netlist says; {off[worst]:.3f} mm "
            f"beside it at worst ({netlist.label(int(rows[worst]))})",
            f"holes within {SAME_PLACE:g} mm of their place",
            "Ask which position holds.",
        )
    ]  # fmt: skip


def _slotted(board: Board) -> np.ndarray:
    """Slots and pieces of a routed path: their place and size are not one hole's."""
    h = board.holes
    return np.asarray(
        (h.x0 != h.x1)
        | (h.y0 != h.y1)
        | (np.bincount(h.path, minlength=int(h.path.max()) + 1)[h.path] > 1)
    )


def _sizes(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    rows = np.flatnonzero((placed.hole >= 0) & ~_slotted(board)[placed.hole])
    stated = netlist.points.hole[rows] * placed.scale
    drilled = 2 * board.holes.r[placed.hole[rows]]
    differs = np.abs(stated - drilled) > SAME_SIZE
    if not differs.any():
        return []
    rows, stated, drilled = rows[differs], stated[differs], drilled[differs]
    kinds, first, count = np.unique(
        np.round(np.stack([stated, drilled], axis=-1), 3), axis=0, return_index=True,
        return_counts=True,
    )  # fmt: skip
    order = np.argsort(-count, kind="stable")
    told = "; ".join(
        f"{count[k]} of {kinds[k, 0]:.3f} mm drilled {kinds[k, 1]:.3f}" for k in order[:_LISTED]
    )
    more = f"; {len(order) - _LISTED} other pairs of sizes" if len(order) > _LISTED else ""
    return [
        _tell(
            board, netlist, placed, int(rows[first[order[0]]]),
            f"{len(rows)} holes have another size than in the netlist: {told}{more}",
            f"sizes within {SAME_SIZE:g} mm of it",
            "Ask whether the drill data gives finished or drilled sizes, and which size holds.",
        )
    ]  # fmt: skip


def _plating(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    rows = np.flatnonzero((placed.hole >= 0) & (netlist.points.plated >= 0))
    stated = netlist.points.plated[rows]
    decided = board.holes.plated[placed.hole[rows]]
    out: list[Defect] = []
    for code, word, other in ((1, "plated", "unplated"), (0, "unplated", "plated")):
        wrong = rows[(stated == code) & (decided == 1 - code)]
        if len(wrong):
            out.append(
                _tell(
                    board, netlist, placed, int(wrong[0]),
                    f"{len(wrong)} holes are {word} in the netlist and {other} by the drill data "
                    f"or the copper round them; the first is {netlist.label(int(wrong[0]))}",
                    "one plating for each hole", "Ask which plating holds.",
                )
            )  # fmt: skip
    return out


def _unlisted(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    """Plated holes no point mentions, where the netlist lists nearly all the others."""
    h = board.holes
    plated = np.flatnonzero((h.plated == 1) & (h.net >= 0))
    if len(plated) == 0:
        return []
    listed = np.zeros(len(h), dtype=np.bool_)
    listed[placed.hole[placed.hole >= 0]] = True
    # One point stands for all pieces of a slot, and for hits one over the other.
    listed |= np.isin(h.path, h.path[listed]) & _slotted(board)
    points = shapely.points(placed.x, placed.y)
    lost = plated[~listed[plated]]
    if len(lost) == 0:
        return []
    near = shapely.STRtree(points).query(
        shapely.points(h.x0[lost], h.y0[lost]), predicate="dwithin", distance=NEAR
    )[0]
    lost = np.delete(lost, np.unique(near))
    if len(lost) == 0 or len(lost) > 0.1 * len(plated):
        return []
    k = int(lost[0])
    return [
        Defect(
            "data.netlist-hole", Weight.QUERY,
            f"{len(lost)} plated holes are drilled that the netlist does not list, "
            f"among {len(plated)}; the first is {2 * h.r[k]:.3f} mm",
            "every plated hole in a netlist that lists the others",
            "Ask whether netlist and drill data are of one revision.",
            board.drill_files[int(h.file[k])], int(h.line[k]), "",
            float(h.x0[k] - board.origin[0]), float(h.y0[k] - board.origin[1]),
        )
    ]  # fmt: skip
