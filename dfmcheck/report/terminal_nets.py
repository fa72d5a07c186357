"""Nets on a terminal: the list, and one net at length."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.board.model import Board
from dfmcheck.board.net_table import NetRow
from dfmcheck.report.look import Heading, hanging, inset, mark
from dfmcheck.report.text import number, plain, plural
from dfmcheck.terms import Defect

_PINS = 60  # characters of the pins of a net in the list
_HOLES = 12  # holes of one net that are told one by one


def render_nets(
    board: Board,
    rows: Sequence[NetRow],
    problems: Sequence[Defect],
    console: Console,
    *,
    all_: bool,
) -> None:
    """Print one line a net, then what net names and copper disagree on.

    Nets without a land or a plated hole (letters, fill) are only counted unless ``all_``.
    """
    shown = [row for row in rows if all_ or row.joined or not row.generated]
    named = sum(not row.generated for row in shown)
    console.print(Heading(f"{plain(board.name)}: {plural(len(shown), 'net')}", f"{named} by name"))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("net", overflow="fold")
    table.add_column("pins", justify="right", no_wrap=True)
    table.add_column("holes", justify="right", no_wrap=True)
    table.add_column("copper mm² by conductor", overflow="fold")
    table.add_column("narrowest", no_wrap=True)
    table.add_column("at", no_wrap=True)
    wide = console.width >= 110
    if wide:
        table.add_column("", overflow="fold", style="dim")
    for row in shown:
        name = Text(plain(row.name), "dim" if row.generated else "")
        if row.others:
            name.append(f" also {', '.join(map(plain, row.others))}", "dim")
        if row.pieces > 1:
            name.append(f" ({row.pieces} pieces)", "dim")
        place = row.narrowest
        cells: list[Text | str] = [
            name,
            str(len(row.pins) or ""),
            str(len(row.holes) or ""),
            _copper(row),
            number(place.width, "mm") if place else f"over {row.reach:g} mm",
            f"({place.x:.2f}, {place.y:.2f}) {place.layer}" if place else "",
        ]
        table.add_row(*cells, *([Text(_pins(row.pins))] if wide else []))
    console.print(inset(table))
    if len(shown) < len(rows):
        rest = plural(len(rows) - len(shown), "piece")
        console.print(
            inset(Text(f"{rest} of copper without land or plated hole not listed (--all)", "dim"))
        )
    _problems(problems, console)


def render_net(board: Board, row: NetRow, problems: Sequence[Defect], console: Console) -> None:
    """Print all that is known of one net."""
    remark = plural(row.pieces, "piece") if row.pieces > 1 else ""
    console.print(Heading(f"net {plain(row.name)}", remark))
    if row.generated:
        console.print(hanging("name", Text("made up: the data names no net here"), width=10))
    if row.others:
        console.print(hanging("also", Text(", ".join(map(plain, row.others))), width=10))
    pins = ", ".join(map(plain, row.pins)) or "none stated"
    console.print(hanging("pins", Text(pins), width=10))
    sizes = Counter((hole.diameter, hole.first, hole.last) for hole in row.holes)
    told = ", ".join(
        f"{count} of {size:.3f} mm through {first}–{last}"
        for (size, first, last), count in sorted(sizes.items())
    )
    console.print(hanging("holes", Text(told or "none"), width=10))
    for hole in row.holes[:_HOLES]:
        end = (
            f" to ({hole.x1:.3f}, {hole.y1:.3f})" if (hole.x, hole.y) != (hole.x1, hole.y1) else ""
        )
        text = f"({hole.x:.3f}, {hole.y:.3f}){end}  {hole.diameter:.3f} mm  {plain(hole.file)}"
        console.print(inset(Text(f"{text} line {hole.line}", "dim"), 13))
    if len(row.holes) > _HOLES:
        console.print(inset(Text(f"{len(row.holes) - _HOLES} more", "dim"), 13))
    for layer, area in zip(board.copper, row.area, strict=True):
        if area > 0:
            copper = Text(f"{layer.name:<14} {area:10.3f} mm²")
            console.print(hanging("copper", copper, width=10))
    place = row.narrowest
    narrowest = Text(
        f"{number(place.width, 'mm')} at ({place.x:.3f}, {place.y:.3f}) on {place.layer}"
        if place
        else "no place with two sides facing each other was found"
    )
    console.print(hanging("narrowest", narrowest, width=10))
    _problems(problems, console)


def _pins(pins: Sequence[str]) -> str:
    text = ""
    for k, pin in enumerate(map(plain, pins)):
        if len(text) + len(pin) > _PINS:
            return f"{text} + {len(pins) - k}"
        text += f" {pin}" if text else pin
    return text


def _copper(row: NetRow) -> str:
    """``1:12.30  4:0.20``, only layers where it has some."""
    # without a space between them, a layer and its area stay on one line
    return "  ".join(f"{n}:{a:.2f}" for n, a in enumerate(row.area, start=1) if a > 0)


def _problems(problems: Sequence[Defect], console: Console) -> None:
    if not problems:
        return
    console.print()
    console.print(Heading("names and copper disagree", plural(len(problems), "place")))
    for defect in sorted(problems, key=lambda item: -item.weight):
        text = Text(plain(defect.sentence))
        text.append(f"  {defect.rule}", "dim")
        console.print(hanging(mark(defect.weight.name.lower(), console), text))
