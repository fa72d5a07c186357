"""Edits a drill file as text: another tool for one hit, another place, more hits, fewer.

How the file writes numbers is not taken from its header but found by trying which reading of
its hits gives the places the board's holes really have.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchmarks.defects.plant import NoPlace

_HIT = re.compile(r"^X([+-]?[\d.]+)Y([+-]?[\d.]+)$")
_TOOL = re.compile(r"^T0*(\d+)C([\d.]+)")
_TOOL_NOTE = re.compile(r"^;T0*(\d+) Holesize \d+\. = ([\d.]+) (.*)$")


class DrillEdit:
    """One drill file under the knife.

    Parameters
    ----------
    holes : sequence of (line, x, y)
        Hits the board has from this file, mm; they settle how numbers are written.
    """

    def __init__(self, name: str, data: bytes, holes: Sequence[tuple[int, float, float]]) -> None:
        self.name = name
        self.text = data.decode("latin-1")
        self.newline = "\r\n" if "\r\n" in self.text else "\n"
        self.lines = self.text.split(self.newline)
        self.unit = self.decimals = 0.0
        self.leading = self.point = False
        self._find_numbers(holes)
        self.tools = {int(m[1]): n for n, row in enumerate(self.lines) if (m := _TOOL.match(row))}
        self.notes = {
            int(m[1]): n for n, row in enumerate(self.lines) if (m := _TOOL_NOTE.match(row))
        }
        if not self.tools and not self.notes:
            raise NoPlace(f"{name}: states no tool sizes")
        self.number = max([*self.tools, *self.notes])
        self.defined: list[str] = []
        self.new_sizes: list[float] = []
        self.new_places: list[tuple[float, float]] = []
        self.tail: list[str] = []
        self.before: dict[int, list[str]] = {}
        self.after: dict[int, list[str]] = {}
        self.instead: dict[int, str | None] = {}

    def _find_numbers(self, holes: Sequence[tuple[int, float, float]]) -> None:
        known = [
            (m[1], m[2], x, y)
            for line, x, y in holes
            if 0 < line <= len(self.lines) and (m := _HIT.match(self.lines[line - 1].strip()))
        ]
        if not known:
            raise NoPlace(f"{self.name}: no hit stands on a line of its own")
        self.point = any("." in word for row in known for word in row[:2])
        self.width = max(len(word.lstrip("+-")) for row in known for word in row[:2])
        for unit in (1.0, 25.4):
            for decimals in (2, 3, 4, 5, 6):
                for leading in (False, True):
                    self.unit, self.decimals, self.leading = unit, decimals, leading
                    if all(
                        abs(self.read(w) - v) < 2e-4
                        for wx, wy, x, y in known
                        for w, v in ((wx, x), (wy, y))
                    ):
                        return
        raise NoPlace(f"{self.name}: its numbers are written in no plain way")

    def read(self, word: str) -> float:
        if "." in word:
            return float(word) * self.unit
        sign = -1 if word.startswith("-") else 1
        digits = word.lstrip("+-")
        if self.leading:  # leading zeros are kept, trailing ones may be left out
            digits = digits.ljust(self.width, "0")
        return sign * int(digits) / 10**self.decimals * self.unit

    @property
    def step(self) -> float:
        return 1e-4 * self.unit if self.point else float(self.unit / 10**self.decimals)

    @property
    def slack(self) -> float:
        """As the coarsest coordinate of the file: half a step, where a step is coarse."""
        if not self.point:
            return self.step / 2 if self.step > 0.0015 else 0.0
        places = max(
            (len(word.partition(".")[2]) for row in self.lines for word in self._words(row)),
            default=4,
        )
        step = self.unit / 10**places
        return float(step / 2) if step > 0.0015 else 0.0

    @staticmethod
    def _words(row: str) -> tuple[str, ...]:
        match = _HIT.match(row.strip())
        return match.groups() if match else ()

    def round(self, value: float) -> float:
        return float(round(value / self.step) * self.step)

    def word(self, value: float) -> str:
        steps = round(value / self.step)
        if self.point:
            return f"{steps * self.step / self.unit:.4f}"
        digits = f"{abs(steps):0{self.width}d}"
        if len(digits) > self.width and self.leading:
            raise NoPlace(f"{self.name}: the coordinate format has too few digits")
        return ("-" if steps < 0 else "") + digits

    def at(self, x: float, y: float) -> str:
        return f"X{self.word(x)}Y{self.word(y)}"

    def is_hit(self, line: int) -> bool:
        return 0 < line <= len(self.lines) and bool(_HIT.match(self.lines[line - 1].strip()))

    def tool(self, diameter: float) -> int:
        """Define a tool; the size is exact to 1e-9 of the file's unit."""
        self.number += 1
        self.new_sizes.append(diameter)
        if self.tools:
            wide = max(len(re.match(r"T(\d+)", self.lines[n])[1]) for n in self.tools.values())  # type: ignore[index]
            self.defined.append(f"T{self.number:0{wide}d}C{diameter / self.unit:.9f}")
        else:
            row = self.lines[max(self.notes.values())]
            rest = _TOOL_NOTE.match(row)[3]  # type: ignore[index]
            per = 0.0254 if "MILS" in rest else 1.0
            if "PLATED" in rest:
                rest = rest.replace("NON_PLATED", "PLATED")
            self.defined.append(
                f";T{self.number:02d} Holesize {self.number}. = {diameter / per:.9f} {rest}"
            )
        return self.number

    def resize(self, tool: int, diameter: float) -> None:
        """Another size for a tool that is there."""
        if tool not in self.tools:
            raise NoPlace(f"{self.name}: tool {tool} has no size in its header")
        n = self.tools[tool]
        self.new_sizes.append(diameter)
        self.lines[n] = re.sub(r"C[\d.]+", f"C{diameter / self.unit:.9f}", self.lines[n], count=1)

    def hit(self, tool: int, x: float, y: float) -> None:
        self.tail += [f"T{tool:02d}", self.at(x, y)]
        self.new_places.append((x, y))

    def slot(self, tool: int, a: tuple[float, float], b: tuple[float, float]) -> None:
        self.tail += [f"T{tool:02d}", f"{self.at(*a)}G85{self.at(*b)}"]
        self.new_places.append(((a[0] + b[0]) / 2, (a[1] + b[1]) / 2))

    def recode(self, line: int, was: int, diameter: float) -> None:
        tool = self.tool(diameter)
        self.before.setdefault(line, []).append(f"T{tool:02d}")
        self.after.setdefault(line, []).append(f"T{was:02d}")

    def replace(self, line: int, text: str | None) -> None:
        self.instead[line] = text

    def data(self) -> bytes:
        rows: list[str] = []
        last = max([*self.tools.values(), *self.notes.values()]) + 1
        ends = [n for n, row in enumerate(self.lines, start=1) if row.strip() in ("M30", "M00")]
        for number, row in enumerate(self.lines, start=1):
            if ends and number == ends[-1] and self.tail:
                rows += self.tail
            rows += self.before.get(number, [])
            new = self.instead.get(number, row)
            if new is not None:
                rows.append(new)
            rows += self.after.get(number, [])
            if number == last:
                rows += self.defined
        if self.tail and not ends:
            raise NoPlace(f"{self.name}: has no end")
        return self.newline.join(rows).encode("latin-1")
