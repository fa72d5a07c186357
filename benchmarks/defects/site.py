"""An open board to plant defects in: its files, where things are on it, and its own findings."""

from __future__ import annotations

import math
import os
import tempfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.drill_edit import DrillEdit
from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.plant import NoPlace
from benchmarks.defects.score import sightings
from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board, Layer
from dfmcheck.board.voltages import Voltages
from dfmcheck.capability import Shop, load_shop
from dfmcheck.intake import open_package, select_board
from dfmcheck.judge.finding import Finding, Judgement
from dfmcheck.judge.judging import judge
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen

HERE = Path(__file__).parent
THICKNESS = 1.6
"""Stated for every board, mm, as a user would."""

LEFT_OUT = {"rfid-station": ("design_export.xln",)}
"""Files left out beforehand: the second of two drill files that hold the same hits."""

BOARDS = (
    "rfid-station", "school-board", "stepper-lights:driver", "usb-tool:keyboard",
    "usb-tool:panel", "x2-attributes",
)  # fmt: skip
"""Those the page is about; any other board of the folder can be asked for by name."""


def boards_folder() -> Path:
    stated = os.environ.get("DFMCHECK_BOARDS")
    return Path(stated) if stated else HERE.parents[2] / "shared" / "boards"


def plants_shop() -> Shop:
    return load_shop(HERE / "shop.toml")


def look(files: dict[str, bytes], shop: Shop, voltages: Voltages | None = None) -> Judgement:
    """One whole screen of a package, as a user would run it, and its judgement."""
    with tempfile.TemporaryDirectory(prefix="plant-") as folder:
        for name, data in files.items():
            path = Path(folder, name)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        screening = screen(
            Path(folder), thickness=THICKNESS, reach=shop.limit_reach(), workers=1,
            voltages=voltages,
        )  # fmt: skip
    return judge(screening, shop, rules=rules())


@dataclass(frozen=True, slots=True)
class Spot:
    """A free square, mm; on the layers named in ``pours`` one pour covers it instead."""

    x: float
    y: float
    side: float
    pours: frozenset[str]


class Site:
    """One board, read once. Coordinates are those of its files, mm."""

    def __init__(self, name: str, shop: Shop) -> None:
        self.name, self.shop = name, shop
        folder, _, prefix = name.partition(":")
        package = open_package(boards_folder() / folder, roles={})
        if prefix:
            package = select_board(package, prefix)
        skip = LEFT_OUT.get(folder, ())
        self.files = {f.name: f.data for f in package.files if f.name not in skip}
        with tempfile.TemporaryDirectory(prefix="plant-") as place:
            for file, data in self.files.items():
                path = Path(place, file)
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
            self.package = open_package(Path(place), roles={})
        self.board: Board = assemble(self.package, thickness=THICKNESS, workers=1)
        self.origin = self.board.origin
        self._spots: dict[Any, list[Spot]] = {}

    @cached_property
    def base(self) -> tuple[Finding, ...]:
        """What the board itself is found to have."""
        return look(self.files, self.shop).findings

    def limit(self, rule: str) -> float:
        """The limit the plants' shop sets (each rule one value, no variants)."""
        limit = self.shop.limits.get(rule)
        if limit is None:
            raise NoPlace(f"the shop sets no limit for {rule}")
        return limit.values[self.shop.default_tier]

    # -- files -------------------------------------------------------------------------------

    def copper(self, rng: Generator, outer: bool = True) -> Layer:
        layers = self.board.copper
        if outer and len(layers) > 1:
            layers = (layers[0], layers[-1])
        if not layers:
            raise NoPlace("no copper")
        return layers[int(rng.integers(len(layers)))]

    def mask_over(self, layer: Layer) -> Layer | None:
        """The mask on an outer copper layer's side."""
        if layer is self.board.copper[0] and layer is not self.board.copper[-1]:
            side = "mask-top"
        elif layer is self.board.copper[-1] and len(self.board.copper) > 1:
            side = "mask-bottom"
        else:
            only = [m for m in self.board.masks if layer.role.side in (None, m.role.side)]
            return only[0] if len(only) == 1 else None
        return next((m for m in self.board.masks if m.name == side), None)

    def edit(self, layer: Layer) -> GerberEdit:
        return GerberEdit(layer.image.file, self.files[layer.image.file])

    def edit_profile(self) -> GerberEdit:
        if self.board.profile is None or self.board.profile.area.is_empty:
            raise NoPlace("no closed profile")
        file = self.board.profile.file
        return GerberEdit(file, self.files[file])

    def drill_file(self, plated: bool) -> int:
        holes = self.board.holes
        wanted = holes.plated == (1 if plated else 0)
        other = holes.plated == (0 if plated else 1)
        best, most = -1, 0
        for n in range(len(self.board.drill_files)):
            mine = holes.file == n
            count = int((wanted & mine).sum())
            # a file of one plating only, so that what is added is of that plating too
            if count > most and not (other & mine).any():
                best, most = n, count
        if best < 0 and plated and len(self.board.drill_files) == 1 and wanted.any():
            return 0
        if best < 0:
            raise NoPlace("no drill file of that plating")
        return best

    def edit_drill(self, plated: bool) -> DrillEdit:
        return self.edit_drill_file(self.drill_file(plated))

    def edit_drill_file(self, number: int) -> DrillEdit:
        holes = self.board.holes
        mine = np.flatnonzero((holes.file == number) & (holes.x0 == holes.x1))
        name = self.board.drill_files[number]
        rows = [(int(holes.line[k]), float(holes.x0[k]), float(holes.y0[k])) for k in mine]
        return DrillEdit(name, self.files[name], rows)

    # -- places ------------------------------------------------------------------------------

    @cached_property
    def area(self) -> Any:
        """Where the board is: its profile's area, or the box of its copper."""
        profile = self.board.profile
        if profile is not None and not profile.area.is_empty:
            return profile.area
        parts = np.concatenate([layer.image.parts for layer in self.board.copper])
        return shapely.box(*shapely.total_bounds(parts))

    @cached_property
    def holes(self) -> Any:
        h = self.board.holes
        lines = shapely.linestrings(
            np.stack([np.stack([h.x0, h.y0], -1), np.stack([h.x1, h.y1], -1)], axis=1)
        )
        return shapely.buffer(lines, h.r)

    @cached_property
    def hole_tree(self) -> shapely.STRtree:
        return shapely.STRtree(self.holes)

    @cached_property
    def trees(self) -> dict[str, shapely.STRtree]:
        """Merged image of every layer by name; legend and paste where the board has them."""
        b = self.board
        layers = [*b.copper, *b.masks, *getattr(b, "legends", ()), *getattr(b, "pastes", ())]
        return {layer.name: shapely.STRtree(layer.image.parts) for layer in layers}

    @cached_property
    def own_places(self) -> dict[tuple[str, str], Any]:
        """Where the board's own findings are, by rule and layer, so that plants keep away."""
        out: dict[tuple[str, str], list[Any]] = {}
        for one in sightings(self.base, self.origin):
            if one.at is not None:
                for layer in one.layers:
                    out.setdefault((one.rule, layer), []).append(shapely.Point(one.at))
        return {key: shapely.union_all(value) for key, value in out.items()}

    def free(
        self,
        rng: Generator,
        layers: tuple[Layer, ...],
        side: float,
        *,
        clear_of: tuple[str, ...] = (),
        pour: bool | None = None,
        rim: float = 1.0,
    ) -> Spot:
        """One of the squares without holes and without anything on the layers named in
        ``clear_of``, on each of ``layers`` either empty or wholly inside one pour.

        ``pour`` True or False asks for the one or the other on every layer. ``rim`` is how far
        from the board's edge they stay. Squares are looked for once and kept.
        """
        key = (tuple(layer.name for layer in layers), side, clear_of, pour, rim)
        if key not in self._spots:
            self._spots[key] = self._search(*key)
        spots = self._spots[key]
        if not spots:
            raise NoPlace(f"no free place of {side:.1f} mm")
        return spots[int(rng.integers(len(spots)))]

    def _search(
        self, names: tuple[str, ...], side: float, clear_of: tuple[str, ...], pour: bool | None,
        rim: float,
    ) -> list[Spot]:  # fmt: skip
        rng = np.random.default_rng(11)
        half = side / 2
        x0, y0, x1, y1 = self.area.bounds
        if min(x1 - x0, y1 - y0) <= side:
            return []
        tries = 30_000
        cx, cy = rng.uniform(x0 + half, x1 - half, tries), rng.uniform(y0 + half, y1 - half, tries)
        boxes = shapely.box(cx - half, cy - half, cx + half, cy + half)
        inner = self.area.buffer(-rim)
        shapely.prepare(inner)
        rows = np.flatnonzero(shapely.covers(inner, boxes))
        rows = rows[~self._hits(self.hole_tree, boxes[rows])]
        for name in clear_of:
            if name in self.trees:
                rows = rows[~self._hits(self.trees[name], boxes[rows])]
        inside = {name: np.zeros(tries, dtype=bool) for name in names}
        for name in names:
            touched = self._hits(self.trees[name], boxes[rows])
            poured = np.zeros(len(rows), dtype=bool)
            todo = np.flatnonzero(touched)
            if pour is not False and len(todo):
                wide = shapely.buffer(boxes[rows[todo]], 1.0, join_style="mitre")
                box, _ = self.trees[name].query(wide, predicate="covered_by")
                poured[todo[box]] = True
            inside[name][rows] = poured
            keep = poured if pour else ~touched if pour is False else ~touched | poured
            rows = rows[keep]
        return [
            Spot(float(cx[k]), float(cy[k]), side,
                 frozenset(name for name in names if inside[name][k]))
            for k in rows[:400].tolist()
        ]  # fmt: skip

    @staticmethod
    def _hits(tree: shapely.STRtree, boxes: Any) -> Any:
        out = np.zeros(len(boxes), dtype=bool)
        if len(tree.geometries):
            out[tree.query(boxes, predicate="intersects")[0]] = True
        return out

    def lonely(self, rule: str, layer: str, where: Any, far: float = 1.5) -> bool:
        """Whether none of the board's own findings of that kind is near."""
        own = self.own_places.get((rule, layer))
        return own is None or not math.isfinite(own.distance(where)) or own.distance(where) > far
