"""Rewrites the coordinates of a Gerber or drill file in its text, line by line.

Made for the sample boards' own form: both coordinates on every line, Gerber in 4.6 mm, drill
files in decimal mm. The number of lines stays, so that a feature keeps its line.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

from tests.sample_polygons import SAMPLES

CLEAN = SAMPLES / "tide-logger-clean"
INCH = 25.4
_XY = re.compile(r"^X(-?\d+)Y(-?\d+)(?:I(-?\d+)J(-?\d+))?(D0[123]\*)$", re.M)
_HIT = re.compile(r"^(G0[01])?X(-?[\d.]+)Y(-?[\d.]+)$", re.M)
_TOOL = re.compile(r"^(T\d+)C([\d.]+)$", re.M)
_APERTURE = re.compile(r"^%ADD(\d+)(\w+),([\d.X]+)\*%$", re.M)


@dataclass(frozen=True)
class Change:
    """x' = a·x + b·y + dx, y' = c·x + d·y + dy, in mm.

    ``shapes`` turns and mirrors the apertures and the sense of arcs too, as a true copy
    needs; a slip of coordinates alone leaves them. ``inch`` writes the file in inch.
    """

    a: float = 1.0
    b: float = 0.0
    c: float = 0.0
    d: float = 1.0
    dx: float = 0.0
    dy: float = 0.0
    shapes: bool = False
    inch: bool = False

    def at(self, x: float, y: float, shift: bool = True) -> tuple[float, float]:
        x, y = self.a * x + self.b * y, self.c * x + self.d * y
        return (x + self.dx, y + self.dy) if shift else (x, y)

    @property
    def mirrors(self) -> bool:
        return self.a * self.d - self.b * self.c < 0


def offset(dx: float, dy: float) -> Change:
    return Change(dx=dx, dy=dy)


def scaled(by: float) -> Change:
    return Change(a=by, d=by)


SQUARE = {
    "mirror about y": Change(a=-1.0),
    "mirror about x": Change(d=-1.0),
    "turn by 90": Change(a=0.0, b=-1.0, c=1.0, d=0.0),
    "turn by 180": Change(a=-1.0, d=-1.0),
    "turn by 270": Change(a=0.0, b=1.0, c=-1.0, d=0.0),
}


def gerber(text: str, change: Change) -> str:
    step = 1e-7 * INCH if change.inch else 1e-6  # mm

    def moved(match: re.Match[str]) -> str:
        x, y, i, j, code = match.groups()
        u, v = change.at(int(x) * 1e-6, int(y) * 1e-6)
        out = f"X{round(u / step)}Y{round(v / step)}"
        if i is not None:
            u, v = change.at(int(i) * 1e-6, int(j) * 1e-6, shift=False)
            out += f"I{round(u / step)}J{round(v / step)}"
        return out + code

    text, count = _XY.subn(moved, text)
    assert count and "\nX" in text
    if change.inch:
        text = text.replace("%FSLAX46Y46*%", "%FSLAX37Y37*%").replace("%MOMM*%", "%MOIN*%")
        text = _APERTURE.sub(
            lambda m: (
                f"%ADD{m[1]}{m[2]},{'X'.join(f'{float(v) / INCH:.10f}' for v in m[3].split('X'))}*%"
            ),
            text,
        )
    if change.shapes:
        mirror = change.mirrors
        # Mirrored left to right first (LM X), then turned (LR), as the format does.
        a, c = (-change.a, -change.c) if mirror else (change.a, change.c)
        degrees = {(1, 0): 0, (0, 1): 90, (-1, 0): 180, (0, -1): 270}[round(a), round(c)]
        loads = ("%LMX*%" if mirror else "") + (f"%LR{degrees}*%" if degrees else "")
        text = text.replace("%LPD*%\nG01*", f"%LPD*%{loads}\nG01*", 1)
        if mirror:
            swap = {"G02*": "G03*", "G03*": "G02*"}
            text = re.sub(r"^G0[23]\*$", lambda m: swap[m[0]], text, flags=re.M)
    return text


def drill(text: str, change: Change) -> str:
    k = INCH if change.inch else 1.0

    def moved(match: re.Match[str]) -> str:
        u, v = change.at(float(match[2]), float(match[3]))
        return f"{match[1] or ''}X{u / k:.9f}Y{v / k:.9f}"

    text, count = _HIT.subn(moved, text)
    assert count
    if change.inch:
        text = text.replace("METRIC", "INCH")
        text = _TOOL.sub(lambda m: f"{m[1]}C{float(m[2]) / INCH:.9f}", text)
    return text


def rewritten(text: str, name: str, change: Change) -> str:
    return drill(text, change) if name.endswith(".drl") else gerber(text, change)


def package(folder: Path, changes: dict[str, Change], source: Path = CLEAN) -> Path:
    """A copy of a sample package; files whose name holds a key of ``changes`` are changed."""
    target = folder / source.name
    shutil.copytree(source, target)
    for part, change in changes.items():
        files = [f for f in target.iterdir() if part in f.name and f.suffix in (".gbr", ".drl")]
        assert files, part
        for file in files:
            file.write_text(rewritten(file.read_text(), file.name, change))
    return target
