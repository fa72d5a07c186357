"""The tool table: definitions, listings and sections brought together."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

from dfmcheck.formats.excellon.comments import Listed
from dfmcheck.formats.excellon.companions import CompanionTool
from dfmcheck.formats.limits import MOST_TOOL_MM, MOST_TOOLS, too_much
from dfmcheck.formats.records import Tool
from dfmcheck.terms import Assumption, Defect, Plating, Weight

_HUGE = 50.0  # mm; a drill or cutter beyond this is no tool of the trade (common practice)
_SAME = 0.002  # mm; two statements of one size may differ by rounding


@dataclass(slots=True)
class ToolTable:
    """Rows of ``Drilling.tools`` under construction; ``current`` is the selected row."""

    file: str
    companions: dict[int, CompanionTool]
    rows: list[Tool] = field(default_factory=list)
    current: int = -1
    defects: list[Defect] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    quantities: dict[int, int] = field(default_factory=dict)
    _by_number: dict[int, int] = field(default_factory=dict)
    _indexed: dict[int, Listed] = field(default_factory=dict)
    _listed: dict[int, float] = field(default_factory=dict)
    _used: set[int] = field(default_factory=set)

    def list_tool(self, listed: Listed, line: int, mil: bool) -> None:
        """A tool listing comment. A size without unit counts in mil or mm as the file does."""
        if listed.diameter is None:
            listed = replace(listed, diameter=listed.size * (0.0254 if mil else 1.0))
        if listed.indexed:
            self._indexed[listed.number] = listed
            return
        assert listed.diameter is not None
        if listed.quantity is not None:
            self.quantities[listed.number] = listed.quantity
        self._listed[listed.number] = listed.diameter
        row = self._by_number.get(listed.number)
        if row is None:
            self._add(listed.number, listed.diameter, listed.plating, line)
            return
        tool = self.rows[row]
        if tool.diameter is None:  # the table stands behind the hits
            tool = self.rows[row] = replace(tool, diameter=listed.diameter)
        self._compare(tool, listed.diameter, line)
        if tool.plating == Plating.UNKNOWN and listed.plating != Plating.UNKNOWN:
            self.rows[row] = replace(tool, plating=str(listed.plating))

    def define(self, number: int, diameter: float | None, plating: Plating, line: int) -> int:
        """A tool definition (T..C..)."""
        if diameter is not None and diameter > MOST_TOOL_MM:
            self.defects.append(
                Defect(
                    "data.tool-size",
                    Weight.HOLD,
                    f"tool T{number:02d} of {diameter:.4g} mm",
                    f"a diameter above 0 and up to {MOST_TOOL_MM:g} mm",
                    "Its size was left out; ask for the size and its unit.",
                    self.file,
                    line,
                )
            )
            diameter = None
        row = self._by_number.get(number)
        if row is None:
            return self._add(number, diameter, plating, line)
        tool = self.rows[row]
        if diameter is None or tool.diameter == diameter:
            return row
        if number in self._listed and tool.diameter == self._listed[number]:
            self._compare(replace(tool, diameter=diameter), self._listed[number], line)
        elif tool.diameter is not None:
            self.defects.append(
                Defect(
                    "data.illegal-construct",
                    Weight.QUERY,
                    f"tool T{number:02d} defined again with {diameter:.4g} mm after "
                    f"{tool.diameter:.4g} mm",
                    "one size for one tool",
                    "Ask which size counts; from here on the new one is used.",
                    self.file,
                    line,
                )
            )
            if row in self._used:
                return self._add(number, diameter, Plating(tool.plating), line)
        known = plating if plating != Plating.UNKNOWN else Plating(tool.plating)
        self.rows[row] = Tool(number, diameter, str(known), line)
        return row

    def select(self, number: int, section: Plating, line: int) -> None:
        """Take a tool; a size nobody defines is looked up in the listings."""
        row = self._by_number.get(number)
        if row is None:
            row = self._look_up(number, line)
        tool = self.rows[row]
        if section != Plating.UNKNOWN and tool.plating != section:
            if tool.plating == Plating.UNKNOWN and row not in self._used:
                self.rows[row] = replace(tool, plating=str(section))
            else:
                row = self._add(number, tool.diameter, section, tool.line)
        elif tool.diameter is None and number in self._indexed:
            self.rows[row] = replace(tool, diameter=self._indexed[number].diameter)
        self.current = row

    def in_use(self, line: int) -> int:
        """Row of the selected tool for a hit; a nameless tool 0 when none is selected."""
        if self.current < 0:
            self.current = self._add(0, None, Plating.UNKNOWN, line)
        self._used.add(self.current)
        return self.current

    def has(self, number: int) -> bool:
        return number in self._by_number

    def _add(self, number: int, diameter: float | None, plating: Plating, line: int) -> int:
        if len(self.rows) >= MOST_TOOLS:
            raise too_much(
                f"more than {MOST_TOOLS:,} tools", f"at most {MOST_TOOLS:,}", self.file, line
            )
        self.rows.append(Tool(number, diameter, str(plating), line))
        self._by_number[number] = len(self.rows) - 1
        return len(self.rows) - 1

    def _look_up(self, number: int, line: int) -> int:
        if listed := self._indexed.get(number):
            return self._add(number, listed.diameter, listed.plating, line)
        if companion := self.companions.get(number):
            self.assumptions.append(
                Assumption(
                    f"size of tool T{number:02d}",
                    f"{companion.diameter:.4g} mm",
                    f"the drill file gives none; a tool listing beside it says {companion.note}",
                    self.file,
                    companion.trust,
                )
            )
            return self._add(number, companion.diameter, companion.plating, line)
        return self._add(number, None, Plating.UNKNOWN, line)

    def _compare(self, tool: Tool, listed: float, line: int) -> None:
        if tool.diameter is not None and abs(tool.diameter - listed) > _SAME:
            self.defects.append(
                Defect(
                    "data.tool-size",
                    Weight.QUERY,
                    f"tool T{tool.number:02d} is {tool.diameter:.4g} mm in its definition and "
                    f"{listed:.4g} mm in the tool listing",
                    "one size for one tool",
                    "Ask which size counts; the definition is used.",
                    self.file,
                    line,
                )
            )

    def check(self, hits: list[int], routed: list[int]) -> None:
        """Defects of the finished table; hits and routed pieces per row."""
        rows_of = Counter(tool.number for tool in self.rows)
        for tool, drilled, cut in zip(self.rows, hits, routed, strict=True):
            self._check_size(tool, drilled, cut)
            quantity = self.quantities.get(tool.number)
            if (
                quantity is not None
                and rows_of[tool.number] == 1
                and not cut
                and drilled != quantity
            ):
                self.defects.append(
                    Defect(
                        "data.job-contradiction",
                        Weight.QUERY,
                        f"{drilled} hits of tool T{tool.number:02d}",
                        f"{quantity} as the tool listing in the same file says",
                        "Ask for a complete drill file and listing.",
                        self.file,
                        tool.line,
                    )
                )

    def _check_size(self, tool: Tool, drilled: int, cut: int) -> None:
        name = f"tool T{tool.number:02d}" if tool.number else "hits before any tool is selected"
        where = (self.file, tool.line or None)
        if tool.diameter is None:
            if drilled or cut:
                what = f"{drilled} hits" if drilled else f"{cut} routed pieces"
                self.defects.append(
                    Defect(
                        "data.tool-size",
                        Weight.HOLD if drilled else Weight.QUERY,
                        f"{name}: no size anywhere, {what}",
                        "a diameter for every tool that is used",
                        "Ask for the tool sizes.",
                        *where,
                    )
                )
        elif tool.diameter <= 0.0 or tool.diameter > _HUGE:
            self.defects.append(
                Defect(
                    "data.tool-size",
                    Weight.QUERY if drilled or cut else Weight.NOTE,
                    f"{name} of {tool.diameter:.4g} mm",
                    f"a diameter above 0 and up to {_HUGE:g} mm",
                    "Ask whether the size or its unit is meant; it is read as stated.",
                    *where,
                )
            )
