"""Random boards for checks from outside: objects that can be drawn, moved, and made polygons.

The polygons are plain shapely buffers of the same objects; none of our reading, painting or
measuring takes part in them. Every board is kept clear of doubt: no two pieces of copper come
within 2 µm of touching without touching, so that rounding cannot join or part nets.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import LineString, Point, Polygon

from tests.rewrite import Change

QUAD = 96
"""Chords per quarter circle: 0.04 µm off a circle of 1 mm diameter."""
DOUBT = 0.002
Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Draw:
    width: float
    ends: Points
    dark: bool = True

    def shape(self) -> Any:
        return LineString(self.ends).buffer(self.width / 2, QUAD)

    def moved(self, change: Change) -> Draw:
        return replace(self, ends=tuple(change.at(*p) for p in self.ends))

    def halves(self) -> tuple[Draw, Draw]:
        (x0, y0), (x1, y1) = self.ends
        middle = ((x0 + x1) / 2, (y0 + y1) / 2)
        return replace(self, ends=((x0, y0), middle)), replace(self, ends=(middle, (x1, y1)))


@dataclass(frozen=True)
class Flash:
    """``template`` C, R, O or P with the values of the Gerber template, angles in degrees."""

    template: str
    values: tuple[float, ...]
    at: tuple[float, float]
    dark: bool = True

    def shape(self) -> Any:
        x, y = self.at
        v = self.values
        if self.template == "C":
            return Point(x, y).buffer(v[0] / 2, QUAD)
        if self.template == "R":
            return shapely.box(x - v[0] / 2, y - v[1] / 2, x + v[0] / 2, y + v[1] / 2)
        if self.template == "O":
            r = min(v) / 2
            a, b = v[0] / 2 - r, v[1] / 2 - r
            return LineString([(x - a, y - b), (x + a, y + b)]).buffer(r, QUAD)
        turns = [math.radians(v[2]) + math.tau * k / v[1] for k in range(int(v[1]))]
        return Polygon([(x + v[0] / 2 * math.cos(t), y + v[0] / 2 * math.sin(t)) for t in turns])

    def moved(self, change: Change) -> Flash:
        values = self.values
        if self.template in "RO" and round(change.a) == 0:
            values = values[::-1]
        if self.template == "P":
            turn = math.radians(values[2])
            u, v = change.at(math.cos(turn), math.sin(turn), shift=False)
            values = (values[0], values[1], math.degrees(math.atan2(v, u)) % 360)
        return replace(self, values=values, at=change.at(*self.at))


@dataclass(frozen=True)
class Region:
    corners: Points
    dark: bool = True

    def shape(self) -> Any:
        return Polygon(self.corners)

    def moved(self, change: Change) -> Region:
        return replace(self, corners=tuple(change.at(*p) for p in self.corners))


@dataclass(frozen=True)
class Hole:
    diameter: float
    ends: Points  # one point, or the two ends of a slot
    plated: bool

    def shape(self) -> Any:
        line = LineString(self.ends) if len(self.ends) > 1 else Point(self.ends[0])
        return line.buffer(self.diameter / 2, QUAD)

    def moved(self, change: Change) -> Hole:
        return replace(self, ends=tuple(change.at(*p) for p in self.ends))


Drawn = Draw | Flash | Region


@dataclass(frozen=True)
class Plan:
    """A two-layer board: what is drawn on each layer, in painting order, and its holes."""

    profile: Points
    top: tuple[Drawn, ...] = ()
    bottom: tuple[Drawn, ...] = ()
    mask: tuple[Drawn, ...] = ()
    holes: tuple[Hole, ...] = ()
    inch: bool = False

    def moved(self, change: Change) -> Plan:
        return Plan(
            profile=tuple(change.at(*p) for p in self.profile),
            top=tuple(one.moved(change) for one in self.top),
            bottom=tuple(one.moved(change) for one in self.bottom),
            mask=tuple(one.moved(change) for one in self.mask),
            holes=tuple(hole.moved(change) for hole in self.holes),
            inch=change.inch,
        )

    @property
    def origin(self) -> tuple[float, float]:
        return min(x for x, _ in self.profile), min(y for _, y in self.profile)

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        ring = [*self.profile, self.profile[0]]
        line = tuple(Draw(0.1, pair) for pair in pairwise(ring))
        files = {
            "top.gbr": _gerber("Copper,L1,Top", self.top, self.inch),
            "bottom.gbr": _gerber("Copper,L2,Bot", self.bottom, self.inch),
            "mask.gbr": _gerber("Soldermask,Top", self.mask, self.inch),
            "profile.gbr": _gerber("Profile,NP", line, self.inch),
            "plated.drl": _drill([h for h in self.holes if h.plated], True, self.inch),
            "unplated.drl": _drill([h for h in self.holes if not h.plated], False, self.inch),
        }
        for name, text in files.items():
            if text:
                (folder / name).write_text(text)
        return folder


def painted(objects: Sequence[Drawn]) -> Any:
    """The final image: dark adds, clear takes away, in order."""
    image: Any = Polygon()
    for one in objects:
        image = image | one.shape() if one.dark else image - one.shape()
    return image


def parts(image: Any) -> list[Any]:
    return [p for p in shapely.get_parts([image]).tolist() if p.area > 0]


def nets(plan: Plan) -> tuple[list[Any], list[Any], list[int], list[int], list[int]]:
    """Copper parts of top and bottom, the net of each, and the net of every hole (-1: none)."""
    top, bottom = parts(painted(plan.top)), parts(painted(plan.bottom))
    label = list(range(len(top) + len(bottom) + len(plan.holes)))

    def root(n: int) -> int:
        while label[n] != n:
            n = label[n]
        return n

    first = len(top) + len(bottom)
    plated = [k for k, hole in enumerate(plan.holes) if hole.plated]
    for k in plated:
        disc = plan.holes[k].shape()
        for n, part in enumerate([*top, *bottom]):
            if part.intersects(disc):
                label[root(n)] = root(first + k)
        for other in plated:
            if other < k and disc.intersects(plan.holes[other].shape()):
                label[root(first + other)] = root(first + k)
    net = [root(n) for n in range(len(label))]
    holes = [net[first + k] if hole.plated else -1 for k, hole in enumerate(plan.holes)]
    return top, bottom, net[: len(top)], net[len(top) : first], holes


# -- files ------------------------------------------------------------------------------


def _gerber(function: str, objects: Sequence[Drawn], inch: bool) -> str:
    unit, step = (25.4, 25.4e-7) if inch else (1.0, 1e-6)
    codes: dict[str, int] = {}
    body: list[str] = []
    dark = True

    def code(definition: str) -> str:
        return f"D{codes.setdefault(definition, 10 + len(codes))}*"

    def at(p: tuple[float, float]) -> str:
        return f"X{round(p[0] / step)}Y{round(p[1] / step)}"

    for one in objects:
        if one.dark != dark:
            dark = one.dark
            body.append("%LPD*%" if dark else "%LPC*%")
        if isinstance(one, Draw):
            body += [code(f"C,{one.width / unit:.9f}")]
            body += [f"{at(one.ends[0])}D02*", f"{at(one.ends[1])}D01*"]
        elif isinstance(one, Flash):
            body += [code(_definition(one, unit)), f"{at(one.at)}D03*"]
        else:
            body += ["G36*", f"{at(one.corners[0])}D02*"]
            body += [f"{at(p)}D01*" for p in (*one.corners[1:], one.corners[0])]
            body.append("G37*")
    form = "%FSLAX37Y37*%\n%MOIN*%" if inch else "%FSLAX46Y46*%\n%MOMM*%"
    tools = [f"%ADD{number}{definition}*%" for definition, number in codes.items()]
    head = [f"%TF.FileFunction,{function}*%", "%TF.FilePolarity,Positive*%", form, *tools]
    return "\n".join([*head, "%LPD*%", "G01*", "G75*", *body, "M02*", ""])


def _definition(flash: Flash, unit: float) -> str:
    v = flash.values
    if flash.template == "P":
        return f"P,{v[0] / unit:.9f}X{int(v[1])}X{v[2]:.6f}"
    return f"{flash.template}," + "X".join(f"{n / unit:.9f}" for n in v)


def _drill(holes: Sequence[Hole], plated: bool, inch: bool) -> str:
    if not holes:
        return ""
    unit = 25.4 if inch else 1.0
    sizes = sorted({hole.diameter for hole in holes})
    kind = "Plated,1,2,PTH" if plated else "NonPlated,1,2,NPTH"
    lines = ["M48", f"; #@! TF.FileFunction,{kind}", "INCH" if inch else "METRIC"]
    lines += [f"T{n}C{size / unit:.9f}" for n, size in enumerate(sizes, start=1)]
    lines += ["%", "G05"]
    for n, size in enumerate(sizes, start=1):
        lines.append(f"T{n}")
        for hole in holes:
            if hole.diameter == size:
                ends = [f"X{x / unit:.9f}Y{y / unit:.9f}" for x, y in hole.ends]
                lines.append("G85".join(ends))
    return "\n".join([*lines, "M30", ""])


@dataclass
class Boards:
    """Folders for one test, one per board."""

    folder: Path
    count: int = field(default=0)

    def write(self, plan: Plan) -> Path:
        self.count += 1
        return plan.write(self.folder / str(self.count))


def pairs(n: int) -> Iterator[tuple[int, int]]:
    for i in range(n):
        for j in range(i + 1, n):
            yield i, j


def nearest(shapes: Sequence[Any], x: float, y: float) -> int:
    """Number of the shape nearest to a point."""
    return int(np.argmin(shapely.distance(np.array(shapes), Point(x, y))))
