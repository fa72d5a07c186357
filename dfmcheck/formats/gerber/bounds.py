"""Leaves out what lies beyond any board, so that no later stage has to reckon with it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dfmcheck.formats.gerber.image import Image
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.limits import MOST_MM
from dfmcheck.formats.records import Bools, Contours, Objects
from dfmcheck.terms import Weight


def within_bounds(image: Image, notes: Notes) -> Image:
    """The image without objects further from the origin, or of a longer arc, than any board is.

    A region goes as a whole. What is left out is recorded, with the line of the first.
    """
    c = image.contours
    lost = np.unique(c.region[_beyond(c)])
    tables = (image.objects, *image.blocks)
    outs = [_beyond(t) | ((t.region >= 0) & np.isin(t.region, lost)) for t in tables]
    count = sum(int(out.sum()) for out in outs)
    if not count and not len(lost):
        return image
    line = min((int(t.line[out].min()) for t, out in zip(tables, outs, strict=True) if out.any()),
               default=None)  # fmt: skip
    notes.illegal(
        Weight.HOLD,
        f"{max(count, len(lost)):,} objects reach further than {MOST_MM:,.0f} mm from the origin",
        "coordinates and arcs of one board",
        "They were left out; ask for the right format statement and unit.",
        line,
    )
    kept = [t.take(~out) for t, out in zip(tables, outs, strict=True)]
    return replace(
        image,
        objects=kept[0],
        blocks=tuple(kept[1:]),
        contours=c.take(~np.isin(c.region, lost)) if len(lost) else c,
    )


def _beyond(table: Objects | Contours) -> Bools:
    ends = np.stack([table.x0, table.y0, table.x1, table.y1])
    with np.errstate(invalid="ignore", over="ignore"):
        out: Bools = np.asarray(~(np.abs(ends) <= MOST_MM).all(axis=0))
        arc = np.flatnonzero(~np.isnan(table.cx) & ~out)
        if not len(arc):
            return out
        x0, y0 = table.x0[arc] - table.cx[arc], table.y0[arc] - table.cy[arc]
        x1, y1 = table.x1[arc] - table.cx[arc], table.y1[arc] - table.cy[arc]
        radius = np.maximum(np.hypot(x0, y0), np.hypot(x1, y1))
        turn = np.arctan2(x0 * y1 - y0 * x1, x0 * x1 + y0 * y1)
        turn = np.where(table.clockwise[arc], -turn, turn) % (2 * np.pi)
        turn[(table.x0[arc] == table.x1[arc]) & (table.y0[arc] == table.y1[arc])] = 2 * np.pi
        # a flat arc far from its centre is near its chord; a long one goes where no board is
        out[arc] |= ~(radius * turn <= 2 * np.pi * MOST_MM)
    return out
