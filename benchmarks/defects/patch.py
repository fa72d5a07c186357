"""Draws small patterns into a board's files: lands with openings, conductors, holes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import shapely
from numpy.random import Generator

from benchmarks.defects.drill_edit import DrillEdit
from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.plant import Companion, Expect, NoPlace, Plant, Shift
from benchmarks.defects.site import Site, Spot
from dfmcheck.board.model import Layer
from dfmcheck.board.voltages import Voltages

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Frame:
    """A pattern's own coordinates: origin at x, y of the file, turned by ``angle``."""

    x: float
    y: float
    angle: float = 0.0

    def at(self, u: float, v: float) -> Point:
        c, s = math.cos(self.angle), math.sin(self.angle)
        return self.x + c * u - s * v, self.y + s * u + c * v


def turned(rng: Generator, spot: Spot, skew: bool = True) -> Frame:
    """A frame in the middle of the spot, turned by a quarter or, half of the time, by any
    angle; the spot must be a square."""
    quarter = float(rng.integers(4)) * math.pi / 2
    odd = float(rng.uniform(0, math.pi / 2)) if skew and rng.random() < 0.5 else 0.0
    return Frame(spot.x, spot.y, quarter + odd)


@dataclass(slots=True)
class Patch:
    """Editors of the files a plant changes, opened when needed."""

    site: Site
    gerbers: dict[str, GerberEdit] = field(default_factory=dict)
    drills: dict[int, DrillEdit] = field(default_factory=dict)
    codes: dict[tuple[str, str, tuple[float, ...]], int] = field(default_factory=dict)

    def on(self, layer: Layer) -> GerberEdit:
        file = layer.image.file
        if file not in self.gerbers:
            self.gerbers[file] = self.site.edit(layer)
        return self.gerbers[file]

    def profile(self) -> GerberEdit:
        edit = self.site.edit_profile()
        return self.gerbers.setdefault(edit.name, edit)

    def drill(self, plated: bool) -> DrillEdit:
        return self.drill_file(self.site.drill_file(plated))

    def drill_file(self, number: int) -> DrillEdit:
        if number not in self.drills:
            self.drills[number] = self.site.edit_drill_file(number)
        return self.drills[number]

    def slack(self, *layers: Layer) -> float:
        return sum(self.on(layer).slack for layer in layers)

    def code(self, layer: Layer, template: str, *sizes: float) -> int:
        key = (layer.image.file, template, sizes)
        if key not in self.codes:
            self.codes[key] = self.on(layer).aperture(template, *sizes)
        return self.codes[key]

    # -- what is drawn -----------------------------------------------------------------------

    def window(self, layer: Layer, spot: Spot) -> None:
        """Cut a window into the pour where the spot lies in one."""
        if layer.name not in spot.pours:
            return
        edit = self.on(layer)
        edit.clear()
        x, y, half = spot.x, spot.y, spot.side / 2
        edit.region(
            [(x - half, y - half), (x + half, y - half), (x + half, y + half), (x - half, y + half)]
        )
        edit.dark()

    def windows(self, spot: Spot) -> None:
        for layer in self.site.board.copper:
            self.window(layer, spot)

    def line(self, layer: Layer, width: float, *points: Point) -> list[Point]:
        """Draws of one width through the points; the points as the file says them."""
        edit = self.on(layer)
        code = self.code(layer, "C", width)
        told = [(edit.round(x), edit.round(y)) for x, y in points]
        for (x0, y0), (x1, y1) in pairwise(told):
            edit.draw(code, x0, y0, x1, y1)
        return told

    def disc(self, layer: Layer, diameter: float, at: Point) -> Point:
        edit = self.on(layer)
        edit.flash(self.code(layer, "C", diameter), *at)
        return edit.round(at[0]), edit.round(at[1])

    def land(self, layer: Layer, diameter: float, at: Point, clearance: float = 0.1) -> Point:
        """A round land, its mask opened; without mask data on that side just the land."""
        told = self.disc(layer, diameter, at)
        mask = self.site.mask_over(layer)
        if mask is not None:
            self.disc(mask, diameter + 2 * clearance, told)
        return told

    def hole(self, plated: bool, diameter: float, at: Point) -> Point:
        drill = self.drill(plated)
        drill.hit(drill.tool(diameter), *at)
        return drill.round(at[0]), drill.round(at[1])

    # -- result ------------------------------------------------------------------------------

    def plant(
        self,
        *expect: Expect,
        companions: tuple[Companion, ...] = (),
        shifts: tuple[Shift, ...] = (),
        voltages: Voltages | None = None,
        beside: Mapping[str, bytes] | None = None,
    ) -> Plant:
        """The plant, unless the board's own findings of its kind are too near to tell apart.

        ``beside`` are files the package gets besides those that are changed.
        """
        for one in expect:
            if one.where is not None and not self.site.lonely(one.rule, one.layer, one.where):
                raise NoPlace("the board has findings of its own there")
        companions = (*companions, *self._close_tools(), *self._alone())
        files: dict[str, bytes | None] = {one.name: one.data() for one in self.gerbers.values()}
        files |= {one.name: one.data() for one in self.drills.values()}
        files |= beside or {}
        return Plant(files, expect, companions, shifts=shifts, voltages=voltages)

    def _alone(self) -> tuple[Companion, ...]:
        """A new hole may stand where hardly any copper is."""
        points = [at for drill in self.drills.values() for at in drill.new_places]
        if not points:
            return ()
        return (Companion("plate.isolation", shapely.MultiPoint(points), "it stands alone"),)

    def _close_tools(self) -> tuple[Companion, ...]:
        """A new tool may happen to be nearly as large as one the file has."""
        step = self.site.shop.limits.get("drill.tool-spacing")
        if step is None:
            return ()
        least = max(step.values.values())
        holes = self.site.board.holes
        for number, drill in self.drills.items():
            sizes = [2 * float(r) for r in {*holes.r[holes.file == number].tolist()}]
            new = drill.new_sizes
            for n, size in enumerate(new):
                if any(1e-6 < abs(size - other) < least for other in (*sizes, *new[:n])):
                    return (Companion("drill.tool-spacing", None, "two tools of nearly one size"),)
        return ()


def along(*points: Point) -> Any:
    return shapely.LineString(points)


def middle(a: list[Point], b: list[Point]) -> Any:
    """The line half way between two strokes."""
    return along(*(((p[0] + q[0]) / 2, (p[1] + q[1]) / 2) for p, q in zip(a, b, strict=True)))
