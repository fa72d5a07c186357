"""Bounds on the work one layer may ask for, checked before it is done.

Painting takes memory by the outline points drawn, merging takes time by the shapes that lie over
each other, measuring by the outlines near each other. All three are counted, or estimated from a
sample, first; a layer beyond them is refused as a whole, in words. docs/limits.md gives the
figures and what they come to in memory and time.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.formats.limits import MOST_MM, MOST_OBJECTS, too_much
from dfmcheck.formats.records import Aperture, Artwork, HitKind, Hits, Kind, Objects
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.flatten import flatten
from dfmcheck.geometry.index import BoxIndex
from dfmcheck.geometry.segments import chord_counts

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.intp]
Boxes = tuple[Floats, Floats, Floats, Floats]
"""Low x and y, high x and y, (n,) each."""

MOST_POINTS = 10_000_000
"""Outline points of one layer as drawn, before merging; published boards: 1.4 million as merged."""
MOST_POINTS_IN_ALL = 60_000_000
"""The same of all layers of a package, as merged."""
OVERLAPS, OVERLAPS_EACH = 500_000, 40
"""Pairs of shapes whose boxes overlap: so many, and so many more for each shape."""
CUTS, CUTS_EACH = 200_000, 10
"""Pairs of a dark shape and a later clear one over it."""
CROSSINGS, CROSSINGS_EACH = 50_000, 20
"""Places where the outline of one region crosses itself."""
HOLE_OVERLAPS, HOLE_OVERLAPS_EACH = 500_000, 60
MOST_CHORDS = 500_000  # of the routed arcs of one file
MOST_LINES = 100_000  # of a profile, arcs as chords
MEETINGS, MEETINGS_EACH = 100_000, 10  # of lines of a profile
NEAR = 0.25  # mm, the least distance rules search
MOST_NEAR = 600_000_000
"""Pairs of outline edges within ``NEAR`` of each other; published boards: 30 million."""
_SAMPLE = 1_000
_GOLDEN = 0.6180339887498949
_PARTS, _SURE = 20, 5.0  # parts of a sample, and standard errors of it, that leave no doubt
_STEP, _BATCH = 1_000, 1_000_000  # shapes, and pairs, looked at in one go


def check_objects(objects: Objects, artwork: Artwork) -> None:
    """Raise FormatError where painting would take too much memory, or go beyond any board."""
    if len(objects) > MOST_OBJECTS:
        raise too_much(
            f"the layer draws {len(objects):,} objects", f"at most {MOST_OBJECTS:,}", artwork.file
        )
    reach = np.zeros(len(objects))
    drawn = np.flatnonzero(objects.aperture >= 0)
    flash, stroke, size = (
        (
            np.array(c, np.float64)
            for c in zip(*(_points(a) for a in artwork.apertures), (0, 0, 0), strict=True)
        )
        if artwork.apertures
        else (np.zeros(1),) * 3
    )
    row = objects.aperture[drawn]
    with np.errstate(invalid="ignore", over="ignore"):
        reach[drawn] = size[row] * np.abs(objects.scale[drawn])
        ends = (objects.x0, objects.y0, objects.x1, objects.y1)
        far = np.maximum.reduce([np.abs(v) for v in ends]) + reach
    beyond = np.flatnonzero(~(far <= 3 * MOST_MM))
    if len(beyond):
        raise too_much(
            f"{len(beyond):,} objects, as scaled and placed, reach {float(far[beyond[0]]):.3g} mm "
            "from the origin",
            f"at most {3 * MOST_MM:,.0f} mm",
            artwork.file,
            int(objects.line[beyond[0]]),
        )
    count = np.zeros(len(objects))
    count[drawn] = np.where(objects.kind[drawn] == Kind.FLASH, flash[row], stroke[row])
    arcs = np.flatnonzero(objects.kind == Kind.ARC)
    count[arcs] *= _chords(objects, arcs)
    region = np.flatnonzero(objects.kind == Kind.REGION)
    c = artwork.contours
    if len(region) and len(c):
        points = np.ones(len(c))
        bent = np.flatnonzero(~np.isnan(c.cx))
        points[bent] = _chords(c, bent)
        of_region = np.bincount(c.region, points, minlength=int(objects.region.max()) + 1)
        count[region] = of_region[objects.region[region]]
    total = float(count.sum())
    if total > MOST_POINTS:
        worst = int(np.argmax(count))
        raise too_much(
            f"the layer's outlines have {total:,.0f} points (the object in line "
            f"{int(objects.line[worst])} alone {float(count[worst]):,.0f})",
            f"at most {MOST_POINTS:,}",
            artwork.file,
        )


def _chords(table: Any, rows: npt.NDArray[np.intp]) -> Floats:
    x0, y0, x1, y1, cx, cy, clockwise = (
        getattr(table, n)[rows] for n in ("x0", "y0", "x1", "y1", "cx", "cy", "clockwise")
    )
    count = chord_counts(x0, y0, x1, y1, cx, cy, clockwise, CHORD_ERROR)[0]
    return np.asarray(count, np.float64)


def _round(diameter: float) -> float:
    """About the points of a circle."""
    return 8.0 + math.pi * math.sqrt(max(diameter, 0.0) / CHORD_ERROR)


def _points(aperture: Aperture) -> tuple[float, float, float]:
    """Points of a flash and of a straight draw, and the size, mm."""
    v = aperture.values
    hole = v[-1] if len(v) > {"C": 1, "R": 2, "O": 2, "P": 3}.get(aperture.template, 9) else 0.0
    match aperture.template:
        case "C":
            points, size = _round(v[0]), v[0]
        case "R":
            points, size = 5.0, max(v[0], v[1])
        case "O":
            points, size = _round(min(v[0], v[1])), max(v[0], v[1])
        case "P":
            points, size = v[1] + 1, v[0]
        case "macro":
            points = size = 0.0
            for p in aperture.primitives:
                w = p.values
                match p.code:
                    case 1:
                        points += _round(w[0])
                    case 4:
                        points += w[0] + 1
                    case 6:
                        points += 2 * w[5] * _round(w[2]) + 20
                    case 7:
                        points += 2 * _round(w[2]) + 20
                    case _:
                        points += 12
                size = max(size, *map(abs, w[1:-1] if p.code in (4, 5) else w[:-1]))
        case _:
            return 0.0, 0.0, 0.0
    if hole:
        points += _round(hole)
    return points, 2 * points if aperture.template != "C" else points + 3, size


def count_boxes(boxes: Boxes, others: Boxes, most: float) -> float:
    """About how many boxes and others lie over each other, each taken with each."""
    n, m = len(boxes[0]), len(others[0])
    if n == 0 or m == 0 or n * m <= most:
        return 0.0
    index = BoxIndex(*others)

    def met(rows: Rows) -> int:
        asked: Boxes = (boxes[0][rows], boxes[1][rows], boxes[2][rows], boxes[3][rows])
        a, b = index.query(*asked)
        low, high = (asked[k].take(a) <= others[k + 2].take(b) for k in (0, 1))
        low &= asked[2].take(a) >= others[0].take(b)
        high &= asked[3].take(a) >= others[1].take(b)
        return int(np.count_nonzero(low & high))

    return _sampled(met, n, most)


def count_meeting(lines: npt.NDArray[Any], most: float) -> float:
    """About how many lines meet, each taken with each."""
    if len(lines) ** 2 <= most:
        return 0.0
    tree = shapely.STRtree(lines)
    return _sampled(
        lambda rows: len(tree.query(lines[rows], predicate="intersects")[0]), len(lines), most
    )


def _sampled(met: Callable[[Rows], int], count: int, most: float) -> float:
    """About how many things all rows together meet, where ``met`` tells it of some.

    Rows are asked for in mixed order, so that those met so far speak for the rest. It ends
    once the answer is beyond doubt, on either side of ``most``.
    """
    # the golden ratio mixes any order well, and needs no random numbers to be loaded
    order = np.argsort(np.arange(count) * _GOLDEN % 1.0)
    found, done, step, parts, squares = 0, 0, 10, 0, 0.0
    while done < len(order):
        rows = order[done : done + step]
        here = met(rows)
        found, done, parts = found + here, done + len(rows), parts + 1
        squares += here**2 / len(rows)
        all_ = found * len(order) / done
        if found > most or (done >= 200 and all_ > 4 * most):
            return all_
        if done >= _SAMPLE and all_ < most / 4:
            return all_
        if parts >= _PARTS and all_ > most:
            spread = (squares - found**2 / done) / (parts - 1)  # variance of one row's count
            if all_ - _SURE * len(order) * max(spread / done, 0.0) ** 0.5 > most:
                return all_
        step = int(min(_STEP, max(_BATCH * done / max(found, 1), 1)))
    return found


def check_overlaps(boxes: Boxes, file: str) -> None:
    """Raise FormatError where more shapes lie over each other than can be merged in time."""
    count = len(boxes[0])
    most = OVERLAPS + OVERLAPS_EACH * count
    found = count_boxes(boxes, boxes, most)
    if found > most:
        raise too_much(
            f"{count:,} shapes lie over each other about {found:,.0f} times",
            f"at most {most:,} times",
            file,
        )


def check_cuts(dark: Boxes, clear: Boxes, file: str) -> None:
    """Raise FormatError where clear shapes lie over dark ones too often."""
    most = CUTS + CUTS_EACH * (len(dark[0]) + len(clear[0]))
    found = count_boxes(dark, clear, most)
    if found > most:
        raise too_much(
            f"clear objects lie over dark ones about {found:,.0f} times", f"at most {most:,}", file
        )


def check_crossings(polygons: npt.NDArray[Any], file: str) -> None:
    """Raise FormatError where the outlines of polygons cross themselves without end."""
    for ring in shapely.get_rings(polygons):
        points = shapely.get_coordinates(ring)
        if len(points) < 300:
            continue
        lines = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
        most = CROSSINGS + CROSSINGS_EACH * len(lines)
        found = count_meeting(lines, most)
        if found > most:
            raise too_much(
                f"an outline of {len(lines):,} segments crosses itself about {found / 2:,.0f} "
                "times",
                f"outlines that do not cross themselves, at most {most // 2:,} times",
                file,
            )


def check_paths(hits: Hits, file: str) -> None:
    """Raise FormatError where the arcs of routed paths take too many chords."""
    arcs = np.flatnonzero(hits.kind == HitKind.ROUT_ARC)
    total = float(_chords(hits, arcs).sum())
    if total > MOST_CHORDS:
        raise too_much(
            f"the routed arcs take {total:,.0f} chords", f"at most {MOST_CHORDS:,}", file
        )


def check_holes(ends: Floats, radius: Floats, file: str) -> None:
    """Raise FormatError where holes, slots and paths lie over each other without end.

    ``ends`` (n, 4) are x0 y0 x1 y1, ``radius`` (n,), mm.
    """
    r = np.nan_to_num(radius)
    boxes = (
        np.minimum(ends[:, 0], ends[:, 2]) - r, np.minimum(ends[:, 1], ends[:, 3]) - r,
        np.maximum(ends[:, 0], ends[:, 2]) + r, np.maximum(ends[:, 1], ends[:, 3]) + r,
    )  # fmt: skip
    most = HOLE_OVERLAPS + HOLE_OVERLAPS_EACH * len(r)
    found = count_boxes(boxes, boxes, most)
    if found > most:
        raise too_much(
            f"{len(r):,} holes lie over each other about {found:,.0f} times",
            f"at most {most:,} times",
            file,
        )


def check_lines(artwork: Artwork) -> None:
    """Raise FormatError where the lines of a profile are, or cross, beyond all number."""
    objects, c = flatten(artwork)[0], artwork.contours
    count, lines = 0.0, []
    for table in (objects.take(objects.kind <= Kind.ARC), c):
        arc = ~np.isnan(table.cx)
        count += float(np.count_nonzero(~arc)) + float(_chords(table, np.flatnonzero(arc)).sum())
        lines.append(np.stack([table.x0, table.y0, table.x1, table.y1], axis=-1))
    if count > MOST_LINES:
        raise too_much(
            f"the outline is drawn by {count:,.0f} lines", f"at most {MOST_LINES:,}", artwork.file
        )
    drawn = shapely.linestrings(np.concatenate(lines).reshape(-1, 2, 2))
    most = MEETINGS + MEETINGS_EACH * len(drawn)
    found = count_meeting(drawn, most)
    if found > most:
        raise too_much(
            f"{len(drawn):,} lines of the outline meet about {found:,.0f} times",
            f"at most {most:,} times",
            artwork.file,
        )


def check_density(edges: Edges, file: str) -> None:
    """Raise FormatError where outlines stand so close that no rule could measure them in time."""
    if len(edges) ** 2 <= MOST_NEAR or _thinned_density(edges) < MOST_NEAR / 8:
        return
    found = count_boxes(edges.bounds(NEAR), edges.bounds(), MOST_NEAR)
    if found > MOST_NEAR:
        raise too_much(
            f"about {found:,.0f} pairs of outline edges lie within {NEAR} mm of each other, "
            "which no plotter of the trade resolves",
            f"at most {MOST_NEAR:,}",
            file,
        )


def _thinned_density(edges: Edges) -> float:
    """About how many pairs of edges lie near each other, from some thousands of them."""
    some = edges.take((np.arange(5_000) * _GOLDEN % 1.0 * len(edges)).astype(np.intp))
    asked = some.take(np.arange(500))
    found = len(BoxIndex(*some.bounds()).query(*asked.bounds(NEAR))[0])
    return found * len(edges) / len(asked) * len(edges) / len(some)
