"""docs/performance.md and its charts, from the sections measured so far."""

from __future__ import annotations

import platform
import re
from pathlib import Path

from benchmarks.performance.section import ROOT, Section
from dfmcheck.fleet.charts import bars

DOCS = ROOT / "docs"
STYLE = (
    "<style>text{font:12px system-ui,sans-serif;fill:#262626}.label{text-anchor:end}"
    ".in{text-anchor:middle;fill:#fff}.total{fill:#5e5e5e}.release{fill:#1f6c99}"
    ".none{fill:#b9b4a8}rect.page{fill:#faf8f2}</style>"
)


def machine() -> str:
    """Processor, cores, memory, system."""
    cpu = platform.processor() or platform.machine()
    cores, memory = 0, 0.0
    info = Path("/proc/cpuinfo")
    if info.is_file():
        text = info.read_text()
        cores = len(re.findall(r"(?m)^processor\s*:", text))
        named = re.search(r"(?m)^model name\s*:\s*(.+)$", text)
        cpu = named[1] if named else cpu
    total = Path("/proc/meminfo")
    if total.is_file() and (found := re.search(r"MemTotal:\s+(\d+)", total.read_text())):
        memory = int(found[1]) / 1e6
    return (
        f"{cpu}, {cores} cores, {memory:.0f} GB, {platform.system()} {platform.release()}, "
        f"Python {platform.python_version()}"
    )


def write(sections: list[Section]) -> Path:
    """Write the page and the charts; the page's path."""
    images = DOCS / "images"
    images.mkdir(parents=True, exist_ok=True)
    lines = [
        "# Performance",
        "",
        "Written by `python -m benchmarks.performance`; every table was measured in one run, side "
        "by side, on one machine:",
        "",
        f"{machine()}.",
        "",
        "Each section says when it was measured and how many other processes ran then (load of "
        "the last minute). CPU seconds are user and system time, of all processes taking part.",
        "",
    ]
    for section in sections:
        lines += [f"## {section.title}", "", section.words, "", *_table(section), ""]
        if section.chart:
            name = f"performance-{section.name}.svg"
            (images / name).write_text(_picture(section), encoding="utf-8")
            lines += [f"![{section.title}: {section.chart_words}](images/{name})", ""]
        for what, reached in section.aims:
            lines.append(f"- {'Reached' if reached else '**Not reached**'}: {what}.")
        lines += ["", f"*{section.when}, load {section.load:.1f}.*", ""]
    page = DOCS / "performance.md"
    page.write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")
    return page


def _table(section: Section) -> list[str]:
    rule = ["---", *["---:"] * (len(section.columns) - 1)]
    return [f"| {' | '.join(row)} |" for row in (section.columns, rule, *section.rows)]


def _picture(section: Section) -> str:
    svg = bars(section.chart, section.title)
    svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    head, _, body = svg.partition(">")
    found = re.search(r'viewBox="0 0 (\S+) (\S+)"', head)
    assert found is not None
    height = float(found[2])
    head = head.replace(found[0], f'viewBox="0 -22 {found[1]} {height + 24:g}"')
    ground = f'<rect class="page" x="0" y="-22" width="{found[1]}" height="{height + 24:g}"/>'
    words = f'<text class="total" x="230" y="-7">{section.chart_words}</text>'
    return f"{head}>{STYLE}{ground}{words}{body}\n"
