"""Builds the object, contour and block tables from operations and what is in force.

Gerber Layer Format Specification: objects 2.3, regions 4.10, arcs 4.7.2. Everything runs on whole
columns; Python loops run over apertures, blocks and repeats only.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.formats.gerber.arc_draws import Arcs, read_arcs
from dfmcheck.formats.gerber.blocks import too_deep, too_many
from dfmcheck.formats.gerber.modes import Operations, aperture_rows, hold
from dfmcheck.formats.gerber.notes import Notes
from dfmcheck.formats.gerber.regions import Regions, contour_table, read_regions
from dfmcheck.formats.gerber.scan import Scan
from dfmcheck.formats.gerber.setup import Setup
from dfmcheck.formats.gerber.words import Numbers, Positions, Words
from dfmcheck.formats.limits import MOST_NESTING, MOST_OBJECTS
from dfmcheck.formats.records import Aperture, Contours, Kind, Objects
from dfmcheck.terms import Weight

MOST_LISTED = 50  # apertures named one by one


@dataclass(frozen=True, slots=True)
class Image:
    objects: Objects
    contours: Contours
    blocks: tuple[Objects, ...]


def build_image(
    words: Words,
    operations: Operations,
    i: Numbers,
    j: Numbers,
    setup: Setup,
    scan: Scan,
    notes: Notes,
) -> Image:
    """Tables of one file.

    Parameters
    ----------
    i, j : float64, mm
        Numbers of ``words.i`` and ``words.j``.
    """
    n = len(words.ends)
    arcs = read_arcs(words, operations, i, j, scan, notes)
    regions = read_regions(words, operations, scan, notes)
    contours = contour_table(
        words, operations, regions, arcs.row, arcs.cx, arcs.cy, arcs.clockwise, scan, notes
    )

    changes = setup.changes
    table = _state_columns(changes)
    at = np.minimum(np.array([c[0] for c in changes], np.int64), n)
    epoch = hold(n + 1, at, np.arange(1, len(changes) + 1), 0)

    shown = np.flatnonzero(~regions.inside & (operations.code != 2))
    command = operations.command[shown]
    aperture = _apertures(words, setup, command, scan, notes)[command]
    arc_row = np.full(len(operations.command), -1, np.int32)
    arc_row[arcs.row] = np.arange(len(arcs.row))
    drawn = _drawn(operations, shown, aperture, arcs, arc_row, scan.lines(words.ends[command]))
    parts = [_with_state(drawn, table, epoch[command])]
    blocks = [table["block"][epoch[command]]]
    keys = [command * 2]
    if len(contours):
        areas, ends = _areas(contours, regions, words, scan)
        parts.append(_with_state(areas, table, epoch[ends]))
        blocks.append(table["block"][epoch[ends]])
        keys.append(ends * 2)
    for repeat in setup.repeats:
        count = repeat.nx * repeat.ny
        # first in y, then in x: specification 4.12
        x = np.repeat(np.arange(repeat.nx) * repeat.dx, repeat.ny)
        y = np.tile(np.arange(repeat.ny) * repeat.dy, repeat.nx)
        parts.append(_flashes(x, y, repeat.aperture, repeat.line))
        blocks.append(np.full(count, repeat.parent, np.int32))
        keys.append(np.full(count, repeat.command * 2 - 1, np.int64))
    if len(parts) > 1:
        order = np.argsort(np.concatenate(keys), kind="stable")
        objects, block = Objects.concat(parts).take(order), np.concatenate(blocks)[order]
    else:
        objects, block = parts[0], blocks[0]
    _check_blocks(objects, setup.apertures, notes)
    if not setup.blocks:
        return Image(objects, contours, ())
    order = np.argsort(block, kind="stable")
    cuts = np.searchsorted(block[order], np.arange(-1, setup.blocks + 1))
    tables = [objects.take(order[a:b]) for a, b in itertools.pairwise(cuts.tolist())]
    return _limited(tables, contours, setup, notes)


def _state_columns(
    changes: list[tuple[int, bool, int, float, float, int, int, int]],
) -> dict[str, npt.NDArray[Any]]:
    rows = [(0, True, 0, 0.0, 1.0, -1, -1, -1), *changes]
    columns = list(zip(*rows, strict=True))
    kinds = {
        "dark": np.bool_,
        "mirror": np.uint8,
        "rotation": np.float64,
        "scale": np.float64,
        "net": np.int32,
        "pin": np.int32,
        "block": np.int32,
    }
    return {
        name: np.array(column, kind)
        for (name, kind), column in zip(kinds.items(), columns[1:], strict=True)
    }


def _with_state(
    objects: dict[str, npt.NDArray[Any]], table: dict[str, npt.NDArray[Any]], epoch: Positions
) -> Objects:
    names = ("dark", "mirror", "rotation", "scale", "net", "pin")
    return Objects(**objects, **{name: table[name][epoch] for name in names})


def _apertures(
    words: Words, setup: Setup, command: Positions, scan: Scan, notes: Notes
) -> npt.NDArray[np.int32]:
    """Aperture row by command; objects without a defined aperture are counted and named."""
    defined = len(setup.apertures)
    rows = aperture_rows(words, setup.apertures, setup.defined, scan, notes)
    used = rows[command]
    missing = np.flatnonzero((used < 0) | (used >= defined))
    if not len(missing):
        return rows
    if (used < 0).any():
        rows[rows < 0] = len(setup.apertures)
        setup.apertures.append(Aperture(0, "C", (0.0,)))
        used = rows[command]
    found, at, count = np.unique(used[missing], return_index=True, return_counts=True)
    for k, row in enumerate(found.tolist()):
        if k == MOST_LISTED:
            notes.add(
                "data.aperture-undefined",
                Weight.HOLD,
                "further apertures are used but not defined",
                "AD for each aperture and its selection before use",
                "What they draw has no size; ask for a complete file or the aperture list.",
                scan.line(int(words.ends[command[missing[at[k]]]])),
                count=int(count[k:].sum()),
            )
            break
        code = setup.apertures[row].code
        first = command[missing[at[k]]]
        notes.add(
            "data.aperture-undefined",
            Weight.HOLD,
            f"aperture D{code} is used but not defined" if code else "no aperture is selected",
            "AD for each aperture and its selection before use",
            "What it draws has no size; ask for a complete file or the aperture list.",
            scan.line(int(words.ends[first])),
            count=int(count[k]),
        )
    return rows


def _drawn(
    operations: Operations,
    shown: Positions,
    aperture: npt.NDArray[np.int32],
    arcs: Arcs,
    arc_row: npt.NDArray[np.int32],
    lines: npt.NDArray[np.int32],
) -> dict[str, npt.NDArray[Any]]:
    """Draws, arcs and flashes outside regions."""
    count = len(shown)
    flash = operations.code[shown] == 3
    x1, y1 = operations.x1[shown], operations.y1[shown]
    kind = np.where(flash, np.uint8(Kind.FLASH), np.uint8(Kind.DRAW))
    cx, cy = np.full(count, np.nan), np.full(count, np.nan)
    clockwise = np.zeros(count, np.bool_)
    if len(arcs.row):
        which = arc_row[shown]
        here = np.flatnonzero(which >= 0)
        kind[here] = Kind.ARC
        cx[here], cy[here] = arcs.cx[which[here]], arcs.cy[which[here]]
        clockwise[here] = arcs.clockwise[which[here]]
    return {
        "kind": kind,
        "x0": np.where(flash, x1, operations.x0[shown]),
        "y0": np.where(flash, y1, operations.y0[shown]),
        "x1": x1,
        "y1": y1,
        "cx": cx,
        "cy": cy,
        "clockwise": clockwise,
        "aperture": aperture,
        "region": np.full(count, -1, np.int32),
        "line": lines,
    }


def _areas(
    contours: Contours, regions: Regions, words: Words, scan: Scan
) -> tuple[dict[str, npt.NDArray[Any]], Positions]:
    """One row per region that has contours, and the command that ends it."""
    first = np.flatnonzero(np.diff(contours.region, prepend=-1))
    number = contours.region[first]
    ends = regions.ends[number]
    count = len(number)
    nothing = np.full(count, np.nan)
    x, y = contours.x0[first], contours.y0[first]
    return {
        "kind": np.full(count, Kind.REGION, np.uint8),
        "x0": x,
        "y0": y,
        "x1": x,
        "y1": y,
        "cx": nothing,
        "cy": nothing,
        "clockwise": np.zeros(count, np.bool_),
        "aperture": np.full(count, -1, np.int32),
        "region": number,
        "line": scan.lines(words.ends[np.minimum(ends, len(words.ends) - 1)]),
    }, ends


def _flashes(x: Numbers, y: Numbers, aperture: int, line: int) -> Objects:
    """The repeats of a step and repeat."""
    count = len(x)
    return Objects(
        np.full(count, Kind.FLASH, np.uint8),
        x,
        y,
        x,
        y,
        np.full(count, np.nan),
        np.full(count, np.nan),
        np.zeros(count, np.bool_),
        np.full(count, aperture, np.int32),
        np.ones(count, np.bool_),
        np.zeros(count, np.uint8),
        np.zeros(count),
        np.ones(count),
        np.full(count, -1, np.int32),
        np.full(count, -1, np.int32),
        np.full(count, -1, np.int32),
        np.full(count, line, np.int32),
    )


def _check_blocks(objects: Objects, apertures: list[Aperture], notes: Notes) -> None:
    """Block apertures are for flashing only."""
    block = np.array([a.template == "block" for a in apertures] or [False])
    if not block.any():
        return
    drawn = (objects.aperture >= 0) & block[objects.aperture] & (objects.kind != Kind.FLASH)
    if drawn.any():
        notes.illegal(
            Weight.HOLD,
            "a draw with a block aperture",
            "block apertures flashed only (Gerber Layer Format Specification, 4.8.2)",
            "Ask what is to be drawn.",
            int(objects.line[np.argmax(drawn)]),
            count=int(drawn.sum()),
        )


def _limited(tables: list[Objects], contours: Contours, setup: Setup, notes: Notes) -> Image:
    """Leave out block flashes beyond what can be expanded; the blocks come inner first."""
    inner = np.array([a.block for a in setup.apertures], np.int64)
    sizes = np.zeros(setup.blocks, np.float64)
    depths = np.ones(setup.blocks, np.int64)
    order = [a.block for a in setup.apertures if a.block >= 0]  # an inner block closes first
    for b in [*order, -1]:
        objects = tables[b + 1]
        called = np.where(objects.aperture >= 0, inner[objects.aperture], -1)
        deep = (called >= 0) & (depths[called] > MOST_NESTING)
        if deep.any():
            too_deep(notes, int(objects.line[np.argmax(deep)]))
            objects, called = objects.take(~deep), called[~deep]
            tables[b + 1] = objects
        if b >= 0:
            depths[b] = 1 + depths[called[called >= 0]].max(initial=0)
        weight = np.where(called >= 0, sizes[called], 1.0)
        total = weight.sum()
        if total > MOST_OBJECTS:
            kept = (called < 0) | (np.cumsum(weight) <= MOST_OBJECTS)
            too_many(notes, int(total), int(objects.line[np.argmin(kept)]))
            tables[b + 1], total = objects.take(kept), weight[kept].sum()
        if b >= 0:
            sizes[b] = total
    return Image(tables[0], contours, tuple(tables[1:]))
