"""What the drilling machine does: positions, hits, slots, routed paths, repeats.

Semantics: Excellon format 2 command set and the XNC Format Specification (values from
memory); where machines differ, the reading is noted beside the code.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from dfmcheck.formats.excellon.arcs import arc_centre
from dfmcheck.formats.excellon.canned import dual_in_line, eight_pins
from dfmcheck.formats.excellon.lexer import Rows
from dfmcheck.formats.excellon.notes import Notes
from dfmcheck.formats.excellon.numbers import NumberFormat
from dfmcheck.formats.excellon.sink import Sink, shift, turn
from dfmcheck.formats.excellon.tools import ToolTable
from dfmcheck.formats.limits import MOST_HITS
from dfmcheck.formats.records import Floats, HitKind, Hits

_CANNED = {
    82: ("G82 dual in-line pattern", "two rows of holes 2.54 mm apart between opposite corners"),
    83: ("G83 eight-pin pattern", "eight holes evenly on a circle through two opposite pins"),
}
_DOWN = "G00 with the tool down; read as a move without cut"
_BULK = 24  # rows from which numpy is quicker than a loop
_POWERLESS_M = {6, 9, 18, 40, 48, 50, 51, 60, 95}
_POWERLESS_G = {4, 7, 17, 40}


class Motion:
    """State of the drilling machine and what changes it; the words are read elsewhere."""

    def __init__(self, rows: Rows, form: NumberFormat, tools: ToolTable, file: str) -> None:
        self.rows, self.form, self.tools = rows, form, tools
        self.xs, self.ys = rows.columns(form)
        self.sink = Sink()
        self.notes = Notes(file)
        self.x = self.y = 0.0
        self.datum = (0.0, 0.0)
        self.incremental = False
        self.rout = False
        self.gcode = 5
        self.down = False
        self.path = -1
        self.radius: float | None = None
        self.cut = 0  # pieces of the path under the tool
        self.patterns: list[int] = []  # where open patterns start
        self.pattern: tuple[int, int] | None = None
        self.pattern_offset = (0.0, 0.0)
        self.body: Hits | None = None  # rows of the pattern once asked for
        self.most = MOST_HITS  # hits repeats may still make
        self.ended = 0
        self.behind = 0

    def plain(self, first: int, last: int) -> None:
        """Rows with coordinates only, possibly after G00 or G01."""
        if self.ended:
            self.behind = self.behind or first + 1
            return
        gcodes = self.rows.gcode
        while first < last:
            code = gcodes[first]
            end = first + 1
            while end < last and gcodes[end] == code:
                end += 1
            if code:
                self.set_g(int(code[1:]), first + 1)
            if self.rout and self.gcode in (2, 3):
                for row in range(first, end):
                    x, y = self.xs[row], self.ys[row]
                    self.arc(x, y, {}, row + 1)
            elif end - first < _BULK:
                self._few(first, end)
            else:
                self._many(first, end)
            first = end

    def _few(self, first: int, last: int) -> None:
        xs, ys = self.xs[first:last].tolist(), self.ys[first:last].tolist()
        for row, (x, y) in enumerate(zip(xs, ys, strict=True), first + 1):
            self.move(*self.target(x, y), row)

    def _many(self, first: int, last: int) -> None:
        x = _carry(self.xs[first:last], self.x, self.datum[0], self.incremental)
        y = _carry(self.ys[first:last], self.y, self.datum[1], self.incremental)
        lines = np.arange(first + 1, last + 1, dtype=np.int32)
        if not self.rout:
            self.sink.many(HitKind.HIT, (x, y, x, y), self.tools.in_use(first + 1), -1, lines)
        elif self.gcode == 1 and self.down:
            x0, y0 = np.concatenate([[self.x], x[:-1]]), np.concatenate([[self.y], y[:-1]])
            tool = self.tools.in_use(first + 1)
            self.sink.many(HitKind.ROUT, (x0, y0, x, y), tool, self.path, lines)
            self.cut += len(lines)
        elif self.gcode == 1:
            for line in lines.tolist():
                self.notes.add("illegal", "G01 with the tool up cuts nothing", line)
        elif self.down:
            for line in lines.tolist():
                self.notes.add("illegal", _DOWN, line)
        self.x, self.y = float(x[-1]), float(y[-1])

    def target(self, x: float | None, y: float | None) -> tuple[float, float]:
        """Where a row leads; None or NaN: the letter is missing."""
        if self.incremental:
            return (
                self.x + (x if x is not None and x == x else 0.0),
                self.y + (y if y is not None and y == y else 0.0),
            )
        return (
            x + self.datum[0] if x is not None and x == x else self.x,
            y + self.datum[1] if y is not None and y == y else self.y,
        )

    def move(self, x: float, y: float, line: int) -> None:
        """A hit, a positioning move or a straight cut to x y."""
        if not self.rout:
            self.sink.hit(x, y, self.tools.in_use(line), line)
        elif self.gcode == 1 and self.down:
            ends = (self.x, self.y, x, y)
            self.sink.piece(HitKind.ROUT, ends, self.tools.in_use(line), self.path, line)
            self.cut += 1
        elif self.gcode == 1:
            self.notes.add("illegal", "G01 with the tool up cuts nothing", line)
        elif self.down:
            self.notes.add("illegal", _DOWN, line)
        self.x, self.y = x, y

    def number(self, at: dict[str, str], letter: str) -> float | None:
        return self.form.decode(at[letter]) if letter in at else None

    def set_g(self, number: int, line: int) -> bool:
        """Take a G code; False when nothing is known of it, nor of the coordinates behind it."""
        if number in (0, 1, 2, 3):
            self.rout = True
            self.gcode = number
        elif number in (5, 81):
            self.lift(line)
            self.rout = False
            self.gcode = 5
        elif number in (90, 91):
            self.incremental = number == 91
        elif number in (41, 42):
            self.notes.add("compensation", f"G{number}", line)
        elif number in _CANNED:
            self.notes.add("unread", f"{_CANNED[number][0]} without its two corners", line)
        elif number not in _POWERLESS_G:
            self.notes.add("unknown", f"G{number:02d}", line)
            return False
        return True

    def set_m(self, number: int, line: int) -> None:
        if number in (14, 15):
            self.lift(line)
            self.down, self.cut = True, 0
            self.path += 1
        elif number in (16, 17):
            self.lift(line)
        elif number in (0, 30):
            self.lift(line)
            self.ended = line
        elif number == 25:
            self.patterns.append(self.sink.count)
            self.pattern = None
        elif number == 1:
            if self.patterns:
                self._close_pattern()
            else:
                self.notes.add("illegal", "M01 without the M25 that begins its pattern", line)
        elif number == 8:
            self.pattern = None
        elif number in (70, 80, 90) or number not in _POWERLESS_M:
            self.notes.add("unknown", f"M{number:02d}", line)

    def lift(self, line: int) -> None:
        """Tool up. A plunge without a cut is a drilled hole."""
        if self.down and not self.cut:
            self.sink.hit(self.x, self.y, self.tools.in_use(line), line)
        self.down = False

    def slot(self, start: dict[str, str], end: dict[str, str], line: int) -> None:
        x0, y0 = self.target(self.number(start, "X"), self.number(start, "Y"))
        self.x, self.y = x0, y0
        x1, y1 = self.target(self.number(end, "X"), self.number(end, "Y"))
        self.sink.piece(HitKind.SLOT, (x0, y0, x1, y1), self.tools.in_use(line), -1, line)
        self.x, self.y = x1, y1

    def canned(self, number: int, start: dict[str, str], end: dict[str, str], line: int) -> None:
        """G82 dual in-line and G83 eight-pin pattern between two opposite pins."""
        name, reading = _CANNED[number]
        first = self.target(self.number(start, "X"), self.number(start, "Y"))
        self.x, self.y = first
        last = self.target(self.number(end, "X"), self.number(end, "Y"))
        points = (dual_in_line if number == 82 else eight_pins)(first, last) if end else None
        if points is None:
            self.notes.add("unread", f"{name} without usable corners", line)
        else:
            self.notes.add("canned", f"{name}, read as {reading}", line)
            tool = self.tools.in_use(line)
            for x, y in points:
                self.sink.hit(x, y, tool, line)
        self.x, self.y = last

    def circle(
        self, number: int, start: dict[str, str] | None, at: dict[str, str], line: int
    ) -> None:
        """G84 nibbled circle of a diameter, G32 and G33 routed circle of a radius."""
        tool = self.tools.in_use(line)
        if number == 84:
            x, y = self.target(*(self.number(start or {}, k) for k in "XY"))
            wide = self.number(at, "X")
            size = self.tools.rows[tool].diameter
            radius = None if wide is None or size is None else (wide - size) / 2
        else:
            x, y = self.target(self.number(at, "X"), self.number(at, "Y"))
            radius = self.number(at, "A")
        if radius is None or radius <= 0.0:
            self.notes.add("illegal", f"G{number} circle without a usable size", line)
            self.sink.hit(x, y, tool, line)
        else:
            self.path += 1
            ends = (x + radius, y, x + radius, y)
            self.sink.piece(
                HitKind.ROUT_ARC, ends, tool, self.path, line, (x, y), clockwise=number == 32
            )
        self.x, self.y = x, y

    def arc(self, x: float | None, y: float | None, at: dict[str, str], line: int) -> None:
        x1, y1 = self.target(x, y)
        clockwise = self.gcode == 2
        if "A" in at:
            self.radius = self.number(at, "A")
        offset = (
            (self.number(at, "I") or 0.0, self.number(at, "J") or 0.0)
            if "I" in at or "J" in at
            else None
        )
        if not self.down:
            self.notes.add("illegal", f"G0{self.gcode} with the tool up cuts nothing", line)
        else:
            ends = (self.x, self.y, x1, y1)
            centre, fault = arc_centre(ends, clockwise, self.radius, offset)
            tool = self.tools.in_use(line)
            if fault:
                self.notes.add("illegal", fault, line)
            if centre is None:
                self.sink.piece(HitKind.ROUT, ends, tool, self.path, line)
            else:
                self.sink.piece(HitKind.ROUT_ARC, ends, tool, self.path, line, centre, clockwise)
            self.cut += 1
        self.x, self.y = x1, y1

    def repeat(self, match: re.Match[str], line: int) -> None:
        count = int(match[1])
        step = {k: v for k, v in (("X", match[3]), ("Y", match[4])) if v}
        if match[2]:
            self.pattern_copy(count, step, match[5], line)
            return
        dx, dy = self.number(step, "X") or 0.0, self.number(step, "Y") or 0.0
        if self.rout or not self.sink.count:
            self.notes.add("illegal", "R repeat without a hit to repeat", line)
            return
        if not self._room(count):
            self.notes.add("illegal", f"R repeat of {count} times, not carried out", line)
            return
        self.sink.repeat_last(count, dx, dy, line)
        self.x, self.y = self.x + count * dx, self.y + count * dy

    def pattern_copy(self, count: int, step: dict[str, str], code: str, line: int) -> None:
        """M02: copy the pattern, each copy offset from the one before; alone it ends a file."""
        if self.pattern is None and self.patterns:  # M01 left out
            self._close_pattern()
        if self.pattern is None:
            if step:
                self.notes.add("illegal", "M02 without the M25 that begins its pattern", line)
            else:
                self.notes.add("deprecated", "M02 as end of program", line)
                self.lift(line)
                self.ended = line
            return
        dx, dy = self.number(step, "X") or 0.0, self.number(step, "Y") or 0.0
        if not step and not re.search("M[789]0", code):
            self.pattern = None  # M02 without offset closes the repeat
            return
        size = self.pattern[1] - self.pattern[0]
        if not size:
            self.notes.add("illegal", "repeat of a pattern without a hit", line)
            return
        if not self._room(count * size):
            self.notes.add("illegal", f"pattern repeat of {count} times, not carried out", line)
            return
        if self.body is None:
            self.body = self.sink.table().take(slice(*self.pattern))
        body = self.body
        for letter, name in (("M70", "axes swapped"), ("M80", "x mirrored"), ("M90", "y mirrored")):
            if letter in code:
                body = turn(body, letter)
                self.notes.add("mirrored", f"pattern repeat with {name} ({letter})", line)
        if not count:
            return
        number: Floats = np.repeat(np.arange(1.0, count + 1.0), len(body))
        routed = body.path >= 0
        names, ranks = np.unique(body.path[routed], return_inverse=True)
        copies = body.take(np.tile(np.arange(len(body)), count))
        ox, oy = self.pattern_offset
        copies = shift(copies, ox + number * dx, oy + number * dy)
        self.pattern_offset = (ox + count * dx, oy + count * dy)
        if len(names):  # copies are paths of their own
            path = np.full(len(body), -1)
            path[routed] = ranks
            paths = np.tile(path, count) + self.path + 1 + (number - 1) * len(names)
            copies = replace(copies, path=np.where(copies.path >= 0, paths, -1).astype(np.int32))
            self.path += count * len(names)
        self.sink.append(copies)

    def _close_pattern(self) -> None:
        """M01: the rows since the last M25 are the pattern."""
        self.pattern = (self.patterns.pop(), self.sink.count)
        self.pattern_offset = (0.0, 0.0)
        self.body = None

    def _room(self, count: int) -> bool:
        """Whether repeats may make so many hits more; counts them."""
        if count > self.most:
            return False
        self.most -= count
        return True


def _carry(values: Floats, before: float, datum: float, incremental: bool) -> Floats:
    """Positions from one letter's column; a missing letter keeps the last position."""
    missing = np.isnan(values)
    if incremental:
        return before + np.cumsum(np.where(missing, 0.0, values))
    if not missing.any():
        return values + datum
    index = np.where(missing, -1, np.arange(len(values)))
    np.maximum.accumulate(index, out=index)
    return np.where(index < 0, before, values[index] + datum)
