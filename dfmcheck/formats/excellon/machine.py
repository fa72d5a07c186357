"""Executes the rows of a drill file: says what each line means, and has it done.

Semantics: Excellon format 2 command set and the XNC Format Specification (values from
memory); where machines differ, the reading is noted beside the code.
"""

from __future__ import annotations

import re

import numpy as np

from dfmcheck.formats.excellon.comments import Attribute, Listed, Section, Span, read_comment
from dfmcheck.formats.excellon.lexer import NUMBER, Rows
from dfmcheck.formats.excellon.motion import Motion
from dfmcheck.formats.excellon.numbers import NumberFormat
from dfmcheck.formats.excellon.statements import (
    Fmat,
    Increments,
    ToolLine,
    Units,
    parse_statement,
)
from dfmcheck.formats.excellon.tools import ToolTable
from dfmcheck.formats.records import Hits
from dfmcheck.terms import Plating

_WORD = re.compile(rf"([A-Z])({NUMBER})")
_WORDS = re.compile(rf"(?:[A-Z]{NUMBER})+")
_REPEAT = re.compile(rf"R(\d{{1,9}})(M0?2)?(?:X({NUMBER}))?(?:Y({NUMBER}))?((?:M\d+)*)")
_CORNERS = (82, 83)  # patterns between two corners
# G82 and G83 of ISO 6983 drill one hole, with depth Z, retract R, peck Q.
_DRILL_CYCLE = re.compile(r"Z[+-]?[\d.]")
_TEXT = re.compile(r"([XY][^M]*)?(M9[78])\b,?(.*)|M(?:45|46|47|127)\b,?(.*)|\((.*)", re.I)


class Machine(Motion):
    """Reads the rows of one file once, and executes them."""

    def __init__(self, rows: Rows, form: NumberFormat, tools: ToolTable, file: str) -> None:
        super().__init__(rows, form, tools, file)
        self.attributes: dict[str, tuple[str, ...]] = {}
        self.comments: list[str] = []
        self.header_end, self.header_closed = _header_end(rows)
        self.header = self.header_end > 0
        self.event_rows = frozenset(rows.events)
        self.text_due = False  # M97 or M98 stands in the row before
        # Plating as stated: for the file, for the tools that follow, by section.
        self.file_plating = self.tool_plating = Plating.UNKNOWN
        self.section = self.body_section = Plating.UNKNOWN

    def run(self) -> Hits:
        """Execute everything; the hits in file order."""
        at = 0
        total = len(self.rows)
        for event in self.rows.events:
            if event > at:
                if self.header:
                    self._begin_body()
                self.plain(at, event)
            self._event(event, self.rows.texts[event].strip())
            at = event + 1
            if self.text_due:
                self.text_due = False
                if at < total and at not in self.event_rows and not self.ended:
                    # The row behind M97 or M98 says where the text begins; it is no hit.
                    self.x, self.y = self.target(float(self.xs[at]), float(self.ys[at]))
                    at += 1
        if at < total:
            if self.header:
                self._begin_body()
            self.plain(at, total)
        self.lift(total)
        if self.behind:
            self.notes.add("illegal", "statement behind the end of program, not read", self.behind)
        return self.sink.table()

    def _begin_body(self) -> None:
        self.header = False
        if not self.header_closed and self.tools.rows:
            self.tools.current = len(self.tools.rows) - 1

    def _event(self, row: int, text: str) -> None:
        line = row + 1
        if self.header and row >= self.header_end:
            self._begin_body()
        if not text:
            return
        code, semicolon, comment = text.partition(";")
        if semicolon:
            self._comment(comment, line)
            code = code.strip()
            if not code:
                return
        if self.ended:
            if code.strip("%* ") and not self.behind:
                self.behind = line
            return
        if message := _TEXT.match(code):
            words = (message[3] or message[4] or message[5] or "").strip()
            self.comments.append(words)
            if message[2]:
                self.text_due = not message[1]
                self.notes.add("unread", f"{message[2].upper()} text '{words[:40]}'", line)
            return
        code = code.replace(" ", "").replace("\t", "").upper()
        if code[0] == "/":
            self.notes.add("deprecated", "block-delete mark, the line is read", line)
            code = code[1:]
        if code[:1] == "N" and (number := re.match(r"N\d+", code)):
            code = code[number.end() :]
        if not code:
            return
        if code == "%" or code == "M95":
            pass  # the end of the header is known beforehand
        elif code[0] == "T":
            self._tool(code, line)
        elif code[:3] == "M99":
            self.notes.add("unread", "M99 stored pattern", line)
        elif code[0] == "R" and (repeat := _REPEAT.fullmatch(code)):
            self.repeat(repeat, line)
        elif _is_words(code):
            self._words(code, line)
        else:
            self._statement(code, line)

    def _statement(self, code: str, line: int) -> None:
        match parse_statement(code):
            case Units(unit=unit):
                self.form = self.form.with_unit(unit)
            case Increments(on=on):
                self.incremental = on
            case Fmat(version=1):
                self.notes.add("deprecated", "FMAT,1 command set, read as format 2", line)
            case None:
                word = re.match(r"[A-Z]+\d*", code)
                self.notes.add("unknown", word[0] if word else code[:12], line)

    def _comment(self, text: str, line: int) -> None:
        self.comments.append(text.strip())
        match read_comment(text):
            case Section(plating=plating):
                self.section = plating
                if not self.header:
                    self.body_section = plating
            case Listed() as listed:
                self.tools.list_tool(listed, line, self.form.unit == "inch")
            case Span(ends=ends):
                self._span(ends, line)
            case Attribute(command="TF", name=name, values=values):
                self.attributes[name] = values
                if name == "FileFunction" and values:
                    self.file_plating = _plating(values[0])
            case Attribute(command="TA", name="AperFunction", values=values) if values:
                self.tool_plating = _plating(values[0])
            case Attribute(command="TD"):
                self.tool_plating = Plating.UNKNOWN

    def _span(self, ends: tuple[str, str], line: int) -> None:
        """A comment that says which conductors the holes join."""
        stated = self.attributes.get("FileFunction", ())[1:3]
        known = self.attributes.setdefault("LayerSpan", ends)
        if known != ends or (len(stated) == 2 and stated != ends):
            other = " to ".join(stated if len(stated) == 2 else known)
            self.notes.add(
                "illegal", f"comment says layers {ends[0]} to {ends[1]} after {other}", line
            )

    def _tool(self, code: str, line: int) -> None:
        match = re.match(r"T(\d+)(?=[XYGM])", code)
        tail = code[match.end() :] if match else ""
        statement = parse_statement(match[0] if match else code)
        digits = statement.digits if isinstance(statement, ToolLine) else ""
        if not isinstance(statement, ToolLine) or not re.fullmatch(r"\d{1,7}", digits):
            self.notes.add("unknown", code[:12], line)
            return
        number = int(digits)
        if len(digits) == 4 and not self.tools.has(number) and "C" not in statement.parameters:
            number = int(digits[:2])  # tool and compensation index
        size = statement.parameters.get("C")
        if number == 0 and size is None:
            self.lift(line)
            return
        plating = next(
            (p for p in (self.tool_plating, self.section, self.file_plating) if p != "unknown"),
            Plating.UNKNOWN,
        )
        if size is not None or self.header:
            diameter = float(size) * self.form.scale if size is not None else None
            row = self.tools.define(number, diameter, plating, line)
        if not self.header:
            self.lift(line)
            if size is not None:
                self.tools.current = row
            else:
                self.tools.select(number, self.body_section, line)
        if tail:
            self._event_tail(tail, line)

    def _event_tail(self, tail: str, line: int) -> None:
        if _WORDS.fullmatch(tail):
            self._words(tail, line)
        else:
            self.notes.add("unknown", tail[:12], line)

    def _words(self, code: str, line: int) -> None:
        at: dict[str, str] = {}
        start: dict[str, str] | None = None
        canned = 0
        move = datum = copies = False
        known = True
        for letter, value in _WORD.findall(code):
            if letter in "XYIJA" and value:
                at[letter] = value
                move = True
            elif letter == "G" and value.isdigit():
                number = int(value)
                if number in (82, 83) and _DRILL_CYCLE.search(code):
                    self.notes.add("deprecated", f"G{number} drilling cycle with depth", line)
                elif number in (84, 85, 87) or (number in _CORNERS and not code.endswith(value)):
                    start, at, canned = at, {}, number
                elif number in (92, 93):
                    datum = True
                elif number in (32, 33):
                    canned = number
                elif number == 4:
                    return  # dwell
                else:
                    known &= self.set_g(number, line)
            elif letter == "M" and value.isdigit():
                if int(value) == 2:
                    copies = True
                elif not copies:  # behind M02 they say how the pattern is turned
                    self.set_m(int(value), line)
            elif letter not in "FSBHZCDQKU" and not (letter == "R" and "Z" in code):
                self.notes.add("unknown", f"{letter}{value}", line)
        if not known:
            pass
        elif copies:
            self.pattern_copy(1, at, code, line)
        elif datum:
            self.datum = (self.number(at, "X") or 0.0, self.number(at, "Y") or 0.0)
            if any(self.datum):
                self.notes.add("datum", f"{self.datum[0]:g}, {self.datum[1]:g} mm", line)
        elif canned in (85, 87) and start is not None:
            if canned == 87:
                self.notes.add("deprecated", "G87 slot, read as the slot its hits leave", line)
            self.slot(start, at, line)
        elif canned in (82, 83) and start is not None:
            self.canned(canned, start, at, line)
        elif canned:
            self.circle(canned, start, at, line)
        elif move and self.rout and self.gcode in (2, 3):
            self.arc(self.number(at, "X"), self.number(at, "Y"), at, line)
        elif "X" in at or "Y" in at:
            self.move(*self.target(self.number(at, "X"), self.number(at, "Y")), line)


def _header_end(rows: Rows) -> tuple[int, bool]:
    """Row on which the header ends (0: there is none), and whether % or M95 closes it."""
    plain = np.flatnonzero(~np.isnan(rows.x.values) | ~np.isnan(rows.y.values))
    first_plain = int(plain[0]) if len(plain) else len(rows)
    begun = -1
    for row in rows.events:
        if row > first_plain:
            break
        code = rows.texts[row].partition(";")[0].strip().upper()
        if code == "M48":
            begun = row
        elif code in ("%", "M95") and (begun >= 0 or not _begins_later(rows, row)):
            return row, True
    if begun < 0:
        return 0, False
    body = re.compile(r"\s*(?:T\d+\s*$|[XYG])", re.I)
    for row in rows.events:
        if begun < row <= first_plain and body.match(rows.texts[row]):
            return row, False
    return first_plain, False


def _begins_later(rows: Rows, row: int) -> bool:
    """A % in front of M48 is a tape mark, not the end of the header."""
    return any(t.strip() == "M48" for t in rows.texts[row : row + 20])


def _is_words(code: str) -> bool:
    """Lines of letter-number words; unit statements and longer names are header statements."""
    if code[0] in "MFSBHZ" and (not code[1:2].isdigit() or code[:3] in ("M71", "M72")):
        return False
    return code[0] in "GXYIJAMFSBHZ" and bool(_WORDS.fullmatch(code))


def _plating(value: str) -> Plating:
    """Plating of an attribute field: Plated, NonPlated or MixedPlating."""
    return {"plated": Plating.PLATED, "nonplated": Plating.UNPLATED}.get(
        value.lower(), Plating.UNKNOWN
    )
