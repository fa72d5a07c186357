"""A package as recognised, on a terminal."""

from __future__ import annotations

from collections import Counter

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.measure.screening import FileEntry, Screening
from dfmcheck.report.look import Heading, hanging, inset, mark
from dfmcheck.report.terminal import print_assumptions
from dfmcheck.report.text import plain, plural
from dfmcheck.terms import Role, Weight

_WIDE = 110  # from here on there is room for the evidence beside the file


def render_inspect(screening: Screening, console: Console) -> None:
    """Print how each file of the package was recognised, then defects and assumptions."""
    files = sorted(screening.files, key=_file_order)
    unknown = sum(entry.role == "unknown" for entry in files)
    remark = f"{unknown} unknown" if unknown else ""
    console.print(Heading(f"{plain(screening.package)}: {plural(len(files), 'file')}", remark))
    wide = console.width >= _WIDE
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("")
    table.add_column("role", no_wrap=True)
    table.add_column("file", overflow="fold", ratio=None if wide else 1)
    table.add_column("format", no_wrap=True)
    table.add_column("sure", justify="right", no_wrap=True)
    if wide:
        table.add_column("evidence", overflow="fold", ratio=1, style="dim")
    for entry in files:
        state = "hold" if not entry.read else "query" if _doubtful(entry) else "fits"
        evidence = "; ".join(plain(line) for line in entry.evidence)
        if not entry.read:
            evidence = "; ".join(filter(None, ("could not be read", evidence)))
        name = Text(plain(entry.name))
        if not wide and evidence:
            name.append(f"\n{evidence}", "dim")
        table.add_row(
            mark(state, console),
            Text(plain(entry.role)),
            name,
            Text(plain(entry.format)),
            f"{entry.confidence:.0%}",
            *([Text(evidence)] if wide else []),
        )
    console.print(inset(table))
    _defects(screening, console)
    roles = {(entry.name, entry.role) for entry in files}  # their grounds stand in the table
    rest = [item for item in screening.assumptions if (item.file, item.value) not in roles]
    print_assumptions(rest, console, None)


def _defects(screening: Screening, console: Console) -> None:
    if not screening.defects:
        return
    console.print()
    counts = Counter(defect.weight for defect in screening.defects)
    remark = ", ".join(
        f"{counts[weight]} {weight.name.lower()}" for weight in reversed(Weight) if counts[weight]
    )
    console.print(Heading("wrong in the data", remark))
    for defect in sorted(screening.defects, key=lambda item: -item.weight):
        text = Text(plain(defect.sentence))
        text.append(f"  {defect.rule}", "dim")
        console.print(hanging(mark(defect.weight.name.lower(), console), text))


def _doubtful(entry: FileEntry) -> bool:
    return entry.role == "unknown" or entry.confidence < 0.8


def _file_order(entry: FileEntry) -> tuple[int, int, str]:
    """Profile and copper first, in stack order; what is unknown last."""
    order = ("profile", "conductor", "plane", "mask", "legend", "paste", "drill", "rout", "score")
    try:
        role = Role.parse(entry.role)
    except ValueError:
        return len(order) + 2, 0, entry.name
    name = str(role.function)
    if role.is_copper:
        return 1, role.layer or 0, entry.name
    if name in order:
        return order.index(name), 0 if role.side != "bottom" else 1, entry.name
    return len(order) + (name == "unknown"), 0, entry.name
