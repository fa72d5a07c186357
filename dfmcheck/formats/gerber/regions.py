"""Regions (G36, G37): Gerber Layer Format Specification, 4.10."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.modes import Operations, hold
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.scan import Scan
from dfmcheck.formats.gerber.words import Numbers, Positions, Words
from dfmcheck.formats.records import Contours
from dfmcheck.terms import Weight

ROUNDING = 0.01  # mm; a smaller gap comes from rounding of coordinates (common practice)


@dataclass(frozen=True, slots=True)
class Regions:
    """Which operations lie inside G36 … G37, in which region, and where each region ends."""

    inside: npt.NDArray[np.bool_]
    number: npt.NDArray[np.int32]  # by operation, -1 outside
    ends: Positions  # by region: the command that ends it


def read_regions(words: Words, operations: Operations, scan: Scan, notes: Notes) -> Regions:
    """Pair G36 with G37."""
    n = len(words.ends)
    marks = words.g.where((words.g.value == 36) | (words.g.value == 37))
    opens = marks.value == 36
    before = np.concatenate([[False], opens[:-1]])[: len(opens)]
    inside = hold(n, marks.command, opens, False)[operations.command]
    count = np.cumsum(opens)
    number = hold(n, marks.command, np.where(opens, count - 1, -1), -1)[operations.command]
    following = np.concatenate([marks.command[1:], [n - 1]])[: len(opens)]
    ends = following[opens]
    if (opens & before).any():
        at = marks.command[np.argmax(opens & before)]
        notes.illegal(
            Weight.QUERY,
            "G36 inside a region",
            "G37 before the next G36",
            "The region before was closed there; check the image.",
            scan.line(int(words.ends[at])),
            count=int((opens & before).sum()),
        )
    if (~opens & ~before).any():
        at = marks.command[np.argmax(~opens & ~before)]
        notes.illegal(
            Weight.NOTE,
            "G37 without G36",
            "G36 before G37",
            "It has no effect.",
            scan.line(int(words.ends[at])),
            count=int((~opens & ~before).sum()),
        )
    if len(opens) and opens[-1]:
        notes.illegal(
            Weight.QUERY,
            "a region is still open at the end of the file",
            "G37 to close it",
            "It was closed at the end of the file; check that the file is complete.",
            scan.line(int(words.ends[marks.command[-1]])),
        )
    flashes = inside & (operations.code == 3)
    if flashes.any():
        notes.illegal(
            Weight.QUERY,
            "a flash (D03) inside a region",
            "D01 and D02 only between G36 and G37",
            "It was left out; ask what it is to be.",
            scan.line(int(words.ends[operations.command[np.argmax(flashes)]])),
            count=int(flashes.sum()),
        )
    return Regions(inside, number.astype(np.int32), ends)


def contour_table(
    words: Words,
    operations: Operations,
    regions: Regions,
    arc_row: Positions,
    cx: Numbers,
    cy: Numbers,
    clockwise: npt.NDArray[np.bool_],
    scan: Scan,
    notes: Notes,
) -> Contours:
    """Segments of all regions, open contours closed by a straight segment.

    Parameters
    ----------
    arc_row, cx, cy, clockwise
        Circular draws: row among the operations, centre in mm, direction.
    """
    segment = np.flatnonzero(regions.inside & (operations.code == 1))
    if not len(segment):
        return Contours.empty()
    # a D02, or a new region, starts a new contour
    breaks = regions.inside & (operations.code == 2)
    breaks[1:] |= regions.number[1:] != regions.number[:-1]
    group = np.cumsum(breaks)[segment]
    contour = np.cumsum(np.diff(group, prepend=group[0]) != 0).astype(np.int32)

    centre = np.full((2, len(operations.command)), np.nan)
    turns = np.zeros(len(operations.command), np.bool_)
    centre[0, arc_row], centre[1, arc_row], turns[arc_row] = cx, cy, clockwise
    table = Contours(
        regions.number[segment],
        contour,
        operations.x0[segment],
        operations.y0[segment],
        operations.x1[segment],
        operations.y1[segment],
        centre[0, segment],
        centre[1, segment],
        turns[segment],
        scan.lines(words.ends[operations.command[segment]]),
    )
    return _closed(table, notes)


def _closed(table: Contours, notes: Notes) -> Contours:
    first = np.flatnonzero(np.diff(table.contour, prepend=-1))
    last = np.concatenate([first[1:], [len(table)]]) - 1
    gap = np.hypot(table.x1[last] - table.x0[first], table.y1[last] - table.y0[first])
    open_ = np.flatnonzero(gap > 0)
    if not len(open_):
        return table
    begin, end = first[open_], last[open_]
    worst = open_[np.argmax(gap[open_])]
    at = (float(table.x1[last[worst]]), float(table.y1[last[worst]]))
    notes.illegal(
        Weight.QUERY if gap[worst] > ROUNDING else Weight.NOTE,
        f"{len(open_)} open contours in regions, the widest gap {gap[worst]:.4f} mm"
        if len(open_) > 1
        else f"an open contour in a region, a gap of {gap[worst]:.4f} mm",
        "contours that end where they start (Gerber Layer Format Specification, 4.10)",
        "Each was closed by a straight line; check the image there.",
        int(table.line[last[worst]]),
        at=at,
    )
    nothing = np.full(len(open_), np.nan)
    closing = Contours(
        table.region[end],
        table.contour[end],
        table.x1[end],
        table.y1[end],
        table.x0[begin],
        table.y0[begin],
        nothing,
        nothing,
        np.zeros(len(open_), np.bool_),
        table.line[end],
    )
    order = np.argsort(np.concatenate([np.arange(len(table)), end]), kind="stable")
    return Contours.concat([table, closing]).take(order)
