"""Quantities of a whole layer or board: shares of copper, sizes. A file is drawn anew for them.

The board round the new layer makes no sense any more; every other finding goes with the plant.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import shapely
from numpy.random import Generator

from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.site import Site
from dfmcheck.measure.rule import rules

WINDOW, STEPS = 25.0, 5
"""The moving window of the share rules, mm, and the steps it moves in, as their pages tell."""

Box = tuple[float, float, float, float]


def others(rule: str, why: str) -> tuple[Companion, ...]:
    """Every finding but the rule's own goes with the plant."""
    return tuple(Companion(id_, None, why) for id_ in rules() if id_ != rule)


def blank(name: str, like: bytes = b"", function: str = "") -> GerberEdit:
    """An empty Gerber file in mm that keeps what ``like`` says the file is."""
    lines = [r for r in like.decode("latin-1").splitlines() if r.startswith("%TF.File")]
    if function:
        lines = [f"%TF.FileFunction,{function}*%", "%TF.FilePolarity,Positive*%"]
    text = "\n".join([*lines, "%FSLAX46Y46*%", "%MOMM*%", "%LPD*%", "M02*", ""])
    return GerberEdit(name, text.encode())


def region(edit: GerberEdit, box: Box) -> Any:
    """A rectangle of copper, and the shape the file says."""
    x0, y0, x1, y1 = (edit.round(v) for v in box)
    edit.region([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    return shapely.box(x0, y0, x1, y1)


def closed(site: Site) -> Any:
    profile = site.board.profile
    if profile is None or profile.area.is_empty:
        raise NoPlace("no closed profile")
    return profile.area


def share_of(shapes: list[Any], area: Any) -> float:
    return float(shapely.union_all(shapes).intersection(area).area / area.area)


def up_to(area: Any, share: float) -> Box:
    """A box over the lower part of the area that holds the given share of it."""
    x0, y0, x1, y1 = area.bounds
    low, high = y0, y1
    for _ in range(60):
        middle = (low + high) / 2
        part = area.intersection(shapely.box(x0 - 1, y0 - 1, x1 + 1, middle)).area / area.area
        low, high = (middle, high) if part < share else (low, middle)
    return x0 - 1, y0 - 1, x1 + 1, high


@planter("etch.copper-share")
def bare_layer(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor layer drawn anew: one rectangle of copper, too small for the board."""
    area = closed(site)
    layer = site.copper(rng)
    edit = blank(layer.image.file, site.files[layer.image.file])
    shape = region(edit, up_to(area, aim.at(rng)))
    truth = share_of([shape], area)
    return Plant({edit.name: edit.data()}, (Expect("etch.copper-share", layer.name, truth),),
                 others("etch.copper-share", "the layer is another one"))  # fmt: skip


def steps_of(area: Any) -> tuple[float, float, int, int]:
    """Step of the moving window across and up, mm, and how many the area has."""
    x0, y0, x1, y1 = area.bounds
    nx, ny = (max(2 * STEPS, math.ceil(round(size / (WINDOW / STEPS), 6)))
              for size in (x1 - x0, y1 - y0))  # fmt: skip
    return (x1 - x0) / nx, (y1 - y0) / ny, nx, ny


def half_striped(edit: GerberEdit, area: Any, share: float) -> tuple[float, bool]:
    """Copper over the left part, stripes of one share of it over the rest.

    The stripes are one to a step, so that every window over them holds the same share of
    copper. Hands back that share, and whether some window lies wholly inside the board over
    either part.
    """
    x0, y0, _, y1 = area.bounds
    dx, dy, nx, ny = steps_of(area)
    cut = x0 + (nx // 2) * dx
    region(edit, (x0 - 1, y0 - 1, cut, y1 + 1))
    wide = edit.round(share * dx)
    for n in range(nx // 2, nx):
        left = edit.round(x0 + n * dx + (dx - wide) / 2)
        region(edit, (left, y0 - 1, left + wide, y1 + 1))

    def some(first: int, last: int) -> bool:
        return any(
            area.covers(shapely.box(x0 + i * dx, y0 + j * dy, x0 + (i + STEPS) * dx,
                                    y0 + (j + STEPS) * dy).buffer(-1e-6))
            for i in range(first, last - STEPS + 1) for j in range(ny - STEPS + 1)
        )  # fmt: skip

    return wide / dx, some(0, nx // 2) and some(nx // 2, nx)


@planter("etch.local-share-spread")
def uneven_layer(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor layer drawn anew: full on one side, striped on the other."""
    area = closed(site)
    layer = site.copper(rng)
    edit = blank(layer.image.file, site.files[layer.image.file])
    share, sound = half_striped(edit, area, 1 - min(aim.at(rng), 0.97))
    if not sound:
        raise NoPlace("no window lies wholly inside the board on either side")
    return Plant({edit.name: edit.data()},
                 (Expect("etch.local-share-spread", layer.name, 1 - share),),
                 others("etch.local-share-spread", "the layer is another one"))  # fmt: skip


@planter("plate.isolation")
def lonely_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """One plated hole is all that is drilled, in a land that is all the copper of its layer."""
    area = closed(site)
    layer = site.copper(rng)
    if len(site.board.copper) < 2:
        raise NoPlace("one copper layer")
    number = site.drill_file(True)
    drill = site.edit_drill_file(number)
    h = site.board.holes
    inner = area.buffer(-6)
    rows = [k for k in range(len(h.r)) if h.file[k] == number and h.plated[k] == 1
            and drill.is_hit(int(h.line[k]))
            and inner.covers(shapely.Point(h.x0[k], h.y0[k]))]  # fmt: skip
    if not rows or any(not drill.is_hit(int(h.line[k])) for k in range(len(h.r))
                       if h.file[k] == number):  # fmt: skip
        raise NoPlace("no plain hit well inside, or slots beside it")
    keep = rows[int(rng.integers(len(rows)))]
    for k in range(len(h.r)):
        if h.file[k] == number and k != keep:
            drill.replace(int(h.line[k]), None)
    x, y = float(h.x0[keep]), float(h.y0[keep])
    half = WINDOW / 2
    window = area.intersection(shapely.box(x - half, y - half, x + half, y + half))
    side = math.sqrt(aim.at(rng) * window.area)
    if side / 2 < float(h.r[keep]) + 0.4 or side / 2 > 5.9:
        raise NoPlace("the land would be too small for its hole, or reach the edge")
    # On the other side copper all over, so that this one is the poorer.
    files: dict[str, bytes | None] = {drill.name: drill.data()}
    for one in (site.board.copper[0], site.board.copper[-1]):
        edit = blank(one.image.file, site.files[one.image.file])
        if one is layer:
            shape = region(edit, (x - side / 2, y - side / 2, x + side / 2, y + side / 2))
        else:
            region(edit, area.buffer(-0.5).bounds)
        files[edit.name] = edit.data()
    for n, name in enumerate(site.board.drill_files):
        if n != number:
            files[name] = None
    truth = float(shape.intersection(window).area / window.area)
    return Plant(files, (Expect("plate.isolation", layer.name, truth, shapely.Point(x, y)),),
                 others("plate.isolation", "most of the board is gone"))  # fmt: skip


def _board_of(site: Site, wide: float, high: float, rule: str, value: float) -> Plant:
    """The profile drawn anew as a rectangle round the board's middle."""
    area = closed(site)
    profile = site.board.profile
    assert profile is not None
    edit = blank(profile.file, site.files[profile.file], "")
    x0, y0, x1, y1 = area.bounds
    left, low = edit.round((x0 + x1 - wide) / 2), edit.round((y0 + y1 - high) / 2)
    right, top = edit.round(left + wide), edit.round(low + high)
    code = edit.aperture("C", 0.1)
    corners = [(left, low), (right, low), (right, top), (left, top), (left, low)]
    for (ax, ay), (bx, by) in pairwise(corners):
        edit.draw(code, ax, ay, bx, by)
    return Plant({edit.name: edit.data()}, (Expect(rule, "", value),),
                 others(rule, "the board is another one"), origin=(left, low))  # fmt: skip


@planter("rout.board-size-largest")
def large_board(site: Site, rng: Generator, aim: Aim) -> Plant:
    """The profile drawn anew, one side too long."""
    long = round(aim.at(rng), 4)
    sides = (long, 120.0) if rng.random() < 0.5 else (120.0, long)
    return _board_of(site, *sides, "rout.board-size-largest", long)


@planter("rout.board-size-smallest")
def small_board(site: Site, rng: Generator, aim: Aim) -> Plant:
    """The profile drawn anew, one side too short."""
    short = round(aim.at(rng), 4)
    sides = (short, 30.0) if rng.random() < 0.5 else (30.0, short)
    return _board_of(site, *sides, "rout.board-size-smallest", short)
