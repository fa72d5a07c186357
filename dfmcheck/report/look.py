"""How reports look on a terminal: marks, colours, headings.

Colours are from the palette of Okabe and Ito (2008), told apart with any colour vision; every
colour comes with a mark of its own shape and a word, so nothing is lost without colour.
"""

from __future__ import annotations

from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.padding import Padding
from rich.text import Text

VERMILION, ORANGE, SKY = "#d55e00", "#e69f00", "#56b4e9"

STYLES = {
    "hold": f"bold {VERMILION}",
    "query": ORANGE,
    "note": SKY,
    "release": f"bold {SKY}",
    "fits": SKY,
    "part": SKY,
    "limit": SKY,
    "waived": "dim",
    "none": "dim",
}
_MARKS = {
    "hold": "■",
    "query": "▲",
    "note": "○",
    "release": "●",
    "fits": "●",
    "part": "◐",
    "limit": "◆",
    "waived": "◇",
    "none": "–",
}
_ASCII_MARKS = {
    "hold": "#",
    "query": "!",
    "note": "o",
    "release": "*",
    "fits": "*",
    "part": "+",
    "limit": "=",
    "waived": "~",
    "none": "-",
}

INDENT = 2


def inset(body: RenderableType, by: int = INDENT) -> RenderableType:
    """``body`` moved in from the left, no wider than it needs to be."""
    if isinstance(body, Text):
        return _Beside(Text(" " * by), body)
    return Padding(body, (0, 0, 0, by), expand=False)


def mark(kind: str, console: Console) -> Text:
    """The mark of a severity or state, in its colour."""
    marks = _ASCII_MARKS if ascii_only(console) else _MARKS
    return Text.assemble((marks[kind], STYLES[kind]))


def ascii_only(console: Console) -> bool:
    return not console.encoding.lower().startswith("utf")


@dataclass(frozen=True, slots=True)
class Heading:
    """A section heading: its words between a short and a long stroke, a remark at the right."""

    title: str
    remark: str = ""
    kind: str = "none"

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        stroke = "-" if ascii_only(console) else "─"
        style = STYLES[self.kind] if self.kind != "none" else "bold"
        line = Text.assemble((stroke * 2 + " ", "dim"))
        line.append(self.title, style)
        line.append(" ")
        tail = Text(f" {self.remark}", "dim") if self.remark else Text()
        gap = options.max_width - line.cell_len - tail.cell_len
        if gap < 2:
            yield line
            if self.remark:
                yield inset(Text(self.remark, "dim"))
            return
        line.append(stroke * gap, "dim")
        line.append_text(tail)
        yield line


def hanging(
    lead: Text | str, body: Text | str, indent: int = INDENT, width: int = 0
) -> RenderableType:
    """``lead`` in a column of its own, ``body`` wrapping beside it."""
    first = Text(" " * indent)
    first.append_text(lead if isinstance(lead, Text) else Text(lead, "dim"))
    first.pad_right(indent + width - first.cell_len)
    first.append(" ")
    return _Beside(first, body if isinstance(body, Text) else Text(body))


@dataclass(frozen=True, slots=True)
class _Beside:
    """Text that wraps beside the start of its first line. A report has hundreds of them, and a
    table for each would take four times as long."""

    start: Text
    body: Text

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        room = max(options.max_width - self.start.cell_len, 1)
        start = self.start
        for line in self.body.split("\n", allow_blank=True):
            fits = options.no_wrap or cell_len(line.plain) <= room
            for part in (line,) if fits else line.wrap(console, room, overflow="fold"):
                out = start.copy()
                out.append_text(part)
                yield from out.render(console, end="\n")
                start = Text(" " * self.start.cell_len)
