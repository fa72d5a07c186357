"""One part of the benchmark: a table, a chart, and what was aimed at."""

from __future__ import annotations

import gc
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
BOARDS = Path(os.environ.get("DFMCHECK_BOARDS", ROOT.parent / "shared" / "boards"))
ENVIRONMENT = {
    **{key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"},
    "PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "dfmcheck-compiled"),
}
"""Of processes whose start-up is told: an installation compiles its modules, once."""


@dataclass
class Section:
    """``chart`` rows are (label, [(kind, value)]); ``aims`` are (what, reached?)."""

    name: str
    title: str
    words: str
    columns: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    chart: list[tuple[str, list[tuple[str, float]]]] = field(default_factory=list)
    chart_words: str = ""
    aims: list[tuple[str, bool]] = field(default_factory=list)
    when: str = ""
    load: float = 0.0

    def add(self, *cells: object) -> None:
        self.rows.append([str(cell) for cell in cells])

    def show(self) -> None:
        print(f"\n{self.title}")
        lines = [self.columns, *self.rows]
        widths = [max(len(row[n]) for row in lines) for n in range(len(self.columns))]
        for row in lines:
            cells = list(zip(row, widths, strict=True))
            first = cells[0][0].ljust(cells[0][1])
            print("  ".join(["", first, *(cell.rjust(width) for cell, width in cells[1:])]))
        for what, reached in self.aims:
            print(f"  {'reached    ' if reached else 'NOT REACHED'}  {what}", flush=True)

    def to_json(self) -> str:
        return json.dumps(asdict(self))


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and CPU seconds (with children that ended) of one call."""
    gc.collect()
    before, start = _cpu(), time.perf_counter()
    work()
    return time.perf_counter() - start, _cpu() - before


def best(work: Callable[[], object], rounds: int) -> float:
    """Fewest CPU seconds of several calls."""
    return min(timed(work)[1] for _ in range(rounds))


def middle(values: list[float]) -> float:
    return statistics.median(values)


def _cpu() -> float:
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in used)


def apart(module: str, *arguments: object) -> dict[str, Any]:
    """Run a module in a process of its own; what it prints as JSON."""
    done = subprocess.run(
        [sys.executable, "-m", module, *map(str, arguments)], cwd=ROOT, env=ENVIRONMENT, check=True,
        capture_output=True, text=True,
    )  # fmt: skip
    read: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return read


def ms(seconds: float) -> str:
    return f"{seconds * 1000:.1f} ms" if seconds < 1 else f"{seconds:.2f} s"
