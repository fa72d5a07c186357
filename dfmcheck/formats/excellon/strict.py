"""Where a drill file departs from the XNC Format Specification (2021; all values from memory).

XNC is the subset of Excellon format 2 that describes an image and nothing else: a header
``M48``, one of ``METRIC`` and ``INCH``, tools ``TxxCsize``, ``%``; a body of tool selections,
``G05`` with hits and ``G85`` slots, ``G00``, ``M15``, ``G01``, ``G02``, ``G03``, ``M16``
routs; ``M30``. Coordinates are absolute and decimal. Attributes stand in comments.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from dfmcheck.formats.excellon.lexer import Rows
from dfmcheck.terms import Defect, Weight

_DECIMAL = r"[+-]?(?:\d+\.\d*|\.\d+)"
_XY = rf"(?:X{_DECIMAL}(?:Y{_DECIMAL})?|Y{_DECIMAL})"
_SLOT = re.compile(rf"{_XY}G85{_XY}")
_ROUT = re.compile(rf"G00{_XY}|G01{_XY}|G0[23]{_XY}A{_DECIMAL}")
_TOOL = re.compile(r"T(\d+)C(\d+\.?\d*|\.\d+)")
_SELECT = re.compile(r"T(\d+)")
_FIRST_WORD = re.compile(r"[A-Z]+\d*|.")
_BARE_NUMBER = re.compile(r"[XYAIJ][+-]?\d+(?![\d.])")
_SHOWN = 8  # line numbers shown of each deviation


@dataclass(slots=True)
class _Check:
    """State of the walk through the file; ``found`` has the lines of each deviation."""

    rows: Rows
    found: dict[str, list[int]] = field(default_factory=dict)
    begun: bool = False
    header: bool = True
    ended: bool = False
    unit: str = ""
    mode: str = ""  # "drill" or "rout"
    down: bool = False
    selected: bool = False
    tools: set[int] = field(default_factory=set)

    def add(self, what: str, *lines: int) -> None:
        self.found.setdefault(what, []).extend(lines)

    def plain(self, first: int, last: int) -> None:
        """Rows of coordinates, perhaps behind G00 or G01."""
        if first >= last:
            return
        if self._out_of_place(first + 1):
            return
        bare = np.zeros(last - first, dtype=np.bool_)
        for column in (self.rows.x, self.rows.y):
            there = ~np.isnan(column.values[first:last]) & ~column.pointed[first:last]
            bare |= there
        if bare.any():
            lines = (np.flatnonzero(bare) + first + 1).tolist()
            self.add("coordinate without decimal point", *lines)
        for row in range(first, last):
            if code := self.rows.gcode[row]:
                self._rout(code, row + 1)
            elif not self.mode:
                self.add("coordinates before G05 or G00 sets the mode", row + 1)
            elif self.mode == "rout":
                self.add("coordinates without G00 or G01 while routing", row + 1)
            if not self.selected:
                self.add("coordinates before a tool is selected", row + 1)

    def _rout(self, code: str, line: int) -> None:
        if len(code) == 2:
            self.add(f"{code} written with one digit", line)
        if code[-1] != "0" and not self.down:
            self.add("cut with the tool up", line)
        self.mode = "rout"

    def _out_of_place(self, line: int) -> bool:
        if self.ended:
            self.add("statement behind M30", line)
        elif self.header:
            self.add("statement of the body in the header", line)
        return self.ended

    def event(self, row: int) -> None:
        line, text = row + 1, self.rows.texts[row]
        code, semicolon, _ = text.partition(";")
        if text != text.strip() or " " in code.strip() or "\t" in code:
            self.add("blank in a statement", line)
        code = code.replace(" ", "").replace("\t", "")
        if not code:
            return
        if semicolon:
            self.add("comment behind a statement", line)
        if code != code.upper():
            self.add("small letter in a statement", line)
            code = code.upper()
        if self.ended:
            self.add("statement behind M30", line)
        elif not self.begun and code != "M48":
            self.begun = True
            self.add("statement before M48", line)
            self._statement(code, line)
        else:
            self._statement(code, line)

    def _statement(self, code: str, line: int) -> None:
        if code == "M48":
            if self.begun:
                self.add("M48 that is not the first statement", line)
            self.begun = True
        elif code == "%":
            if not self.header:
                self.add("% in the body", line)
            self.header = False
        elif code == "M30":
            self.ended = True
            if self.down:
                self.add("end of file with the tool down", line)
        elif code in ("METRIC", "INCH"):
            if self.unit or not self.header or self.tools:
                self.add("unit that is not stated once, before the tools", line)
            self.unit = code
        elif match := _TOOL.fullmatch(code):
            number = int(match[1])
            if not self.header:
                self.add("tool defined in the body", line)
            if not self.unit:
                self.add("tool defined before the unit", line)
            if number in self.tools:
                self.add("tool defined twice", line)
            if not number or float(match[2]) <= 0.0:
                self.add("tool number or size of 0", line)
            self.tools.add(number)
        else:
            self._body(code, line)

    def _body(self, code: str, line: int) -> None:
        if match := _SELECT.fullmatch(code):
            self._out_of_place(line)
            if int(match[1]) not in self.tools:
                self.add("tool that is not defined in the header", line)
            self.selected = True
        elif code == "G05":
            self._out_of_place(line)
            self.mode = "drill"
        elif code in ("M15", "M16"):
            self._out_of_place(line)
            if self.mode != "rout" or self.down == (code == "M15"):
                self.add(f"{code} out of turn", line)
            self.down = code == "M15"
        elif _SLOT.fullmatch(code):
            self._out_of_place(line)
            if self.mode != "drill":
                self.add("slot outside drill mode", line)
        elif _ROUT.fullmatch(code):
            self._out_of_place(line)
            self._rout(code[:3], line)
        elif code[0] in "GXY" and _BARE_NUMBER.search(code):
            self.add("coordinate without decimal point", line)
            self._rest(_BARE_NUMBER.sub(lambda m: f"{m[0]}.", code), line)
        else:
            self._rest(code, line)

    def _rest(self, code: str, line: int) -> None:
        """What no statement of XNC matches, or matches once its numbers are written out."""
        if _SLOT.fullmatch(code) or _ROUT.fullmatch(code):
            if code[0] == "G":
                self._rout(code[:3], line)
            return
        word = _FIRST_WORD.match(code)
        canned = re.search(r"G(?!0[0-5])\d+", code)
        name = canned[0] if canned else word[0] if word else code[:8]
        if name in ("METRIC", "INCH", "T") or re.fullmatch(r"T\d+", name):
            self.add(
                f"{'unit' if name in ('METRIC', 'INCH') else 'tool'} with further fields", line
            )
            if name in ("METRIC", "INCH"):
                self.unit = self.unit or name
            else:
                self.tools.add(int(name[1:8] or 0))
        elif not canned and (name in ("G00", "G01", "G02", "G03") or name[0] in "XY"):
            self.add(f"{name if name[0] == 'G' else 'coordinates'} in a form of its own", line)
        else:
            self.add(f"{name[:20]}, which is no command of XNC", line)
            if name in ("M71", "M72"):
                self.unit = self.unit or name
            elif name == "M95":
                self.header = False


def xnc_deviations(rows: Rows, file: str) -> list[Defect]:
    """Every kind of deviation from XNC, with its count and first lines.

    Parameters
    ----------
    rows : Rows
        The file as cut by :func:`~dfmcheck.formats.excellon.lexer.read_rows`.
    file : str

    Returns
    -------
    list of Defect
        Notes of rule ``data.illegal-construct``; empty for a file that holds to XNC.

    Examples
    --------
    >>> from dfmcheck.formats.excellon.lexer import read_rows
    >>> text = "M48\\nMETRIC,TZ\\nT1C0.8\\n%\\nG05\\nT1\\nX1.0Y2\\nM30\\n"
    >>> [d.found for d in xnc_deviations(read_rows(text), "a.drl")]
    ['XNC: unit with further fields (line 2)', 'XNC: coordinate without decimal point (line 7)']
    """
    check = _Check(rows)
    at = 0
    for event in rows.events:
        check.plain(at, event)
        check.event(event)
        at = event + 1
    check.plain(at, len(rows))
    last = len(rows)
    for there, what in (
        (check.begun, "no M48"),
        (check.unit, "no unit"),
        (not check.header, "no % behind the header"),
        (check.ended, "no M30"),
    ):
        if not there:
            check.add(what, last)
    defects = []
    for what, lines in check.found.items():
        shown = ", ".join(str(n) for n in lines[:_SHOWN]) + (" …" if len(lines) > _SHOWN else "")
        count = f"{len(lines)}× " if len(lines) > 1 else ""
        found = f"XNC: {count}{what} ({'lines' if len(lines) > 1 else 'line'} {shown})"
        defects.append(
            Defect(
                "data.illegal-construct",
                Weight.NOTE,
                found,
                "a file that holds to the XNC Format Specification",
                "Ask for XNC data if the file shall be strict; it was read as it is.",
                file,
                lines[0],
            )
        )
    return defects
