"""A small board laid out in mm, turned, in either unit, and what was measured on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.screen import screen
from tests.measure.packages import Sheet, drill_text, write_board

TURNS = [(unit, angle) for unit in ("mm", "inch") for angle in (0.0, 45.0, 33.3)]
SQUARE = [(-20.0, -20.0), (20.0, -20.0), (20.0, 20.0), (-20.0, 20.0)]


@dataclass
class Laid:
    """Sheets of a two-layer board 40 mm square about the origin."""

    unit: str = "mm"
    angle: float = 0.0
    top: Sheet = field(init=False)
    mask: Sheet = field(init=False)
    legend: Sheet = field(init=False)
    paste: Sheet = field(init=False)
    holes: str = ""

    def __post_init__(self) -> None:
        for name in ("top", "mask", "legend", "paste"):
            setattr(self, name, Sheet(self.unit, self.angle))

    def drill(self, holes: list[tuple[float, float, float]], plated: bool = True) -> None:
        self.holes = drill_text(holes, plated, self.top)

    def files(self) -> dict[str, str]:
        profile, bottom = Sheet(self.unit, self.angle), Sheet(self.unit, self.angle)
        pen = profile.circle(0.1)
        for a, b in zip(SQUARE, SQUARE[1:] + SQUARE[:1], strict=True):
            profile.draw(pen, *a, *b)
        bottom.flash(bottom.circle(1.0), 15.0, 15.0)
        out = {
            "profile.gbr": profile.text("Profile,NP"),
            "t.gbr": self.top.text("Copper,L1,Top"),
            "b.gbr": bottom.text("Copper,L2,Bot"),
        }
        for name, function in (("mask", "Soldermask"), ("legend", "Legend"), ("paste", "Paste")):
            sheet: Sheet = getattr(self, name)
            if sheet.body:
                out[f"{name}.gbr"] = sheet.text(f"{function},Top")
        if self.holes:
            out["d.drl"] = self.holes
        return out

    def at(self, found: dict[str, npt.NDArray[Any]], row: int) -> tuple[float, float]:
        """First point of a row in the board's own coordinates, turned back."""
        t = math.radians(self.angle)
        reach = 20.0 * (math.cos(t % (math.pi / 2)) + math.sin(t % (math.pi / 2)))
        u, v = float(found["x"][row]) - reach, float(found["y"][row]) - reach
        return u * math.cos(t) + v * math.sin(t), v * math.cos(t) - u * math.sin(t)


def rows(
    board: Laid, folder: Path, rule: str, layer: str, reach: float = 0.25
) -> dict[str, npt.NDArray[Any]]:
    """Columns of the places of one rule on one layer, smallest value first."""
    package = write_board(folder / "job", board.files())
    p = screen(package, workers=1, thickness=1.6, reach={rule: reach}).places
    keep = np.flatnonzero((p["rule"] == rule) & (p["layer"] == layer))
    keep = keep[np.argsort(p["value"][keep], kind="stable")]
    return {name: column[keep] for name, column in p.columns.items()}
