"""Writes small packages for tests: shapes given in mm, turned, in either unit."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Sheet:
    """One Gerber layer drawn in mm, turned about the origin by ``angle`` degrees."""

    unit: str = "mm"
    angle: float = 0.0
    apertures: list[str] = field(default_factory=list)
    body: list[str] = field(default_factory=list)
    attributes: list[str] = field(default_factory=list)

    def _n(self, mm: float) -> str:
        return f"{mm / (25.4 if self.unit == 'inch' else 1.0):.9f}"

    def _at(self, x: float, y: float) -> str:
        t = math.radians(self.angle)
        u, v = x * math.cos(t) - y * math.sin(t), x * math.sin(t) + y * math.cos(t)
        # 1 nm steps in mm, 2.54 nm in inch: far below what is tested.
        scale = 1e6 if self.unit == "mm" else 1e7 / 25.4
        return f"X{round(u * scale)}Y{round(v * scale)}"

    def circle(self, diameter: float) -> int:
        self.apertures.append(f"C,{self._n(diameter)}")
        return 9 + len(self.apertures)

    def rectangle(self, width: float, height: float) -> int:
        """Along the axes, however the sheet is turned."""
        self.apertures.append(f"R,{self._n(width)}X{self._n(height)}")
        return 9 + len(self.apertures)

    def flash(self, code: int, x: float, y: float) -> None:
        self.body.append(f"D{code}*\n{self._at(x, y)}D03*")

    def draw(self, code: int, x0: float, y0: float, x1: float, y1: float) -> None:
        self.body.append(f"D{code}*\n{self._at(x0, y0)}D02*\n{self._at(x1, y1)}D01*")

    def region(self, points: list[tuple[float, float]]) -> None:
        first, *rest = [*points, points[0]]
        lines = [f"{self._at(*first)}D02*"] + [f"{self._at(*p)}D01*" for p in rest]
        self.body.append("G36*\n" + "\n".join(lines) + "\nG37*")

    def text(self, function: str) -> str:
        fmt = "%FSLAX46Y46*%\n%MOMM*%" if self.unit == "mm" else "%FSLAX27Y27*%\n%MOIN*%"
        tools = "\n".join(f"%ADD{10 + i}{a}*%" for i, a in enumerate(self.apertures))
        head = f"%TF.FileFunction,{function}*%\n{fmt}\n{tools}\n%LPD*%\nG01*\nG75*"
        return "\n".join([head, *self.body, "M02*", ""])


def drill_text(holes: list[tuple[float, float, float]], plated: bool, sheet: Sheet) -> str:
    """XNC text of (x, y, diameter) holes, turned and in the unit of ``sheet``."""
    sizes = sorted({d for _, _, d in holes})
    t = math.radians(sheet.angle)
    k = 25.4 if sheet.unit == "inch" else 1.0
    kind = "Plated,1,2,PTH" if plated else "NonPlated,1,2,NPTH"
    lines = ["M48", f"; #@! TF.FileFunction,{kind}", "INCH" if sheet.unit == "inch" else "METRIC"]
    lines += [f"T{i}C{d / k:.9f}" for i, d in enumerate(sizes, start=1)]
    lines += ["%", "G05"]
    for i, size in enumerate(sizes, start=1):
        lines.append(f"T{i}")
        for x, y, d in holes:
            if d == size:
                u, v = x * math.cos(t) - y * math.sin(t), x * math.sin(t) + y * math.cos(t)
                lines.append(f"X{u / k:.9f}Y{v / k:.9f}")
    return "\n".join([*lines, "M30", ""])


def write_board(folder: Path, files: dict[str, str]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder
