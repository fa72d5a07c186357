"""Circular draws among the operations: which they are, and their centres.

Gerber Layer Format Specification: 4.7.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.arcs import (
    RADIUS_SLACK,
    assume_quadrant,
    radius_slip,
    single_quadrant,
)
from dfmcheck.formats.gerber.modes import Operations, hold
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.scan import Scan
from dfmcheck.formats.gerber.words import Numbers, Positions, Words
from dfmcheck.terms import Weight


@dataclass(frozen=True, slots=True)
class Arcs:
    """Circular draws among the operations: row, centre, direction."""

    row: Positions
    cx: Numbers
    cy: Numbers
    clockwise: npt.NDArray[np.bool_]


def read_arcs(
    words: Words, operations: Operations, i: Numbers, j: Numbers, scan: Scan, notes: Notes
) -> Arcs:
    """The circular draws of one file; ``i`` and ``j`` (mm) are those of ``words``."""
    n = len(words.ends)
    modes = words.g.where(words.g.value <= 3)
    mode = hold(n, modes.command, modes.value.astype(np.int8), -1)[operations.command]
    draws = operations.code == 1
    if (draws & (mode == -1)).any():
        notes.assume("interpolation", "straight", "draws come before any G01, G02 or G03", 0.95)
    row = np.flatnonzero(draws & (mode >= 2))
    clockwise = mode[row] == 2
    if not len(row):
        return Arcs(row, np.empty(0), np.empty(0), clockwise)
    command = operations.command[row]
    offset = np.zeros((2, n))
    offset[0, words.i.command], offset[1, words.j.command] = i, j
    di, dj = offset[:, command]
    x0, y0, x1, y1 = (c[row] for c in (operations.x0, operations.y0, operations.x1, operations.y1))
    cx, cy = x0 + di, y0 + dj

    flat = (di == 0) & (dj == 0)
    same = (x0 == x1) & (y0 == y1)
    quadrants = words.g.where((words.g.value == 74) | (words.g.value == 75))

    def complain(found: str, which: Positions) -> None:
        if len(which):
            k = which[0]
            notes.illegal(
                Weight.QUERY,
                found,
                "a circular arc from start to end about its centre "
                "(Gerber Layer Format Specification, 4.7.2)",
                "It was taken as near as it can be; check the image there.",
                scan.line(int(words.ends[command[k]])),
                count=len(which),
                at=(float(x1[k]), float(y1[k])),
            )

    single = hold(n, quadrants.command, (quadrants.value == 74).astype(np.int8), -1)[command]
    unsaid = (single == -1) & ~flat
    if unsaid.any():
        single[single == -1] = assume_quadrant(
            unsaid,
            radius_slip(x0, y0, x1, y1, cx, cy),
            di,
            dj,
            scan.line(int(words.ends[command[unsaid][0]])),
            notes,
        )
    quarter = np.flatnonzero((single == 1) & ~flat & ~same)
    if len(quarter):
        ends = (x0[quarter], y0[quarter], x1[quarter], y1[quarter])
        cx[quarter], cy[quarter], fits = single_quadrant(
            *ends, di[quarter], dj[quarter], clockwise[quarter]
        )
        complain("an arc of more than 90° in single quadrant mode (G74)", quarter[~fits])
    slip = radius_slip(x0, y0, x1, y1, cx, cy)
    wrong = np.flatnonzero((slip > RADIUS_SLACK) & ~flat)
    complain("an arc whose ends lie at different radii", wrong)
    complain("an arc without I and J", np.flatnonzero(flat & ~same))
    # without a centre, or without length under G74, it is a straight draw
    round_ = ~flat & ~(same & (single == 1))
    return Arcs(row[round_], cx[round_], cy[round_], clockwise[round_])
