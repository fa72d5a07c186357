"""Brute-force reading of the sample boards' design: shapely polygons, nothing of dfmcheck.

The tests hold the generator to its promises with this, and dfmcheck to the generator.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import Any

import shapely
from shapely import LineString, Point, Polygon, affinity, box
from shapely.ops import unary_union

SAMPLES = Path(__file__).resolve().parents[1] / "sample_boards"
sys.path.insert(0, str(SAMPLES))

from drawing import Arc, Flash, Region, Shape  # noqa: E402
from tide_logger import SIZE, Design, rounded  # noqa: E402

QUARTER = 64  # chords per quarter circle: 0.15 µm sagitta at 1 mm radius


def shape_polygon(shape: Shape) -> Any:
    """A shape about the origin."""
    v = shape.values
    if shape.kind == "C":
        return Point(0, 0).buffer(v[0] / 2, QUARTER)
    if shape.kind == "T":
        ring = Point(0, 0).buffer(v[0] / 2, QUARTER) - Point(0, 0).buffer(v[1] / 2, QUARTER)
        bars = [box(-v[0], -v[2] / 2, v[0], v[2] / 2), box(-v[2] / 2, -v[0], v[2] / 2, v[0])]
        return affinity.rotate(ring - unary_union(bars), v[3], origin=(0, 0))
    r = {"R": 0.0, "O": min(v[:2]) / 2, "RR": v[-1]}[shape.kind]
    w, h = v[0] / 2 - r, v[1] / 2 - r
    core: Any = box(-w, -h, w, h) if w > 0 and h > 0 else LineString([(-w, -h), (w, h)])
    return core.buffer(r, QUARTER) if r else core


def chords(path: Any) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for step in path:
        if not isinstance(step, Arc):
            out.append(step)
            continue
        (cx, cy), start = step.centre, out[-1]
        a = math.atan2(start[1] - cy, start[0] - cx)
        b = math.atan2(step.end[1] - cy, step.end[0] - cx)
        turn = (b - a) % math.tau
        if step.clockwise:
            turn -= math.tau
        r = math.dist(start, step.centre)
        out += [
            (cx + r * math.cos(a + turn * k / QUARTER), cy + r * math.sin(a + turn * k / QUARTER))
            for k in range(1, QUARTER)
        ]
        out.append(step.end)
    return out


def item_polygon(item: Any) -> Any:
    if isinstance(item, Flash):
        return affinity.translate(shape_polygon(item.shape), *item.at)
    if isinstance(item, Region):
        return Polygon(chords(item.path))
    return LineString(chords(item.path)).buffer(item.width / 2, QUARTER)


class Copper:
    """One conductor layer: its polygons and the net names drawn on each."""

    def __init__(self, design: Design, layer: int) -> None:
        image: Any = Polygon()
        dark: list[tuple[str | None, Any]] = []
        for item in design.copper(layer):
            shape = item_polygon(item)
            if item.dark:
                image = image | shape
                dark.append((item.net, shape))
            else:
                image = image - shape
                dark = [(net, kept - shape) for net, kept in dark]
        self.image = image
        self.parts = list(shapely.get_parts(image))
        self.names: list[set[str]] = [set() for _ in self.parts]
        tree = shapely.STRtree(self.parts)
        for net, shape in dark:
            for n in tree.query(shape, predicate="intersects"):
                if (self.parts[n] & shape).area > 1e-6 and net is not None:
                    self.names[n].add(net)


def hole_polygon(hole: Any) -> Any:
    core: Any = Point(hole.at) if hole.to is None else LineString([hole.at, hole.to])
    return core.buffer(hole.diameter / 2, QUARTER)


def profile_ring() -> Any:
    return Polygon(chords(rounded((0.0, 0.0), SIZE, 2.0))).exterior


def closest_pair(shapes: list[Any], reach: float) -> float:
    """Smallest distance between any two of the shapes, inf beyond ``reach``."""
    tree = shapely.STRtree(shapes)
    a, b = tree.query(shapes, predicate="dwithin", distance=reach)
    far = [shapely.distance(shapes[i], shapes[j]) for i, j in zip(a, b, strict=True) if i < j]
    return min(far, default=math.inf)


def necks(image: Any, width: float) -> list[Any]:
    """Pieces of the image that a disc of ``width`` cannot reach; corner crumbs left out.

    The crumb of a right-angled corner spans 0.71 of the disc's diameter; a piece that spans
    more than the diameter lies in a neck, or in a corner far sharper than that. Films thinner
    than 0.01 mm are where two curves nearly touch along a tangent: no neck either.
    """
    opened = image.buffer(-width / 2, QUARTER).buffer(width / 2, QUARTER)
    pieces = shapely.get_parts(image - opened.buffer(1e-4))
    large = [p for p in pieces if span(p) > width]
    return [p for p in large if shapely.maximum_inscribed_circle(p, 1e-4).length > 0.005]


def span(piece: Any) -> float:
    """Diagonal of the bounding box."""
    x0, y0, x1, y1 = piece.bounds
    return math.hypot(x1 - x0, y1 - y0)
