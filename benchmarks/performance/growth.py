"""How the whole screen grows with the number of copies of a board on a panel."""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from benchmarks.performance.section import ROOT, Section, apart

sys.path.insert(0, str(ROOT / "sample_boards"))

from drawing import Flash, Hit, Item, Stroke, excellon, gerber
from tide_logger import SIZE, Design, build, moved

COPIES = (1, 4, 16, 64)
MOST = 80.0
GAP = 2.0


def panel(folder: Path, copies: int) -> None:
    """The sample board side by side, all objects written out; nets numbered by copy."""
    design = build()
    side = round(copies**0.5)
    steps = [(n % side, n // side) for n in range(copies)]
    pitch = SIZE[0] + GAP, SIZE[1] + GAP
    w, h = side * pitch[0] - GAP, side * pitch[1] - GAP
    frame: list[Item] = [Stroke(0.1, [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h), (0.0, 0.0)],
                                "Profile")]  # fmt: skip
    layers: list[tuple[str, str, list[Item]]] = [
        ("copper-1", "Copper,L1,Top", design.copper(1)),
        ("copper-2", "Copper,L2,Inr", design.copper(2)),
        ("copper-3", "Copper,L3,Inr", design.copper(3)),
        ("copper-4", "Copper,L4,Bot", design.copper(4)),
        ("mask-top", "Soldermask,Top", design.mask(1)),
        ("mask-bottom", "Soldermask,Bot", design.mask(4)),
        ("legend-top", "Legend,Top", list(design.ink[1])),
        ("paste-top", "Paste,Top", design.paste(1)),
    ]
    for name, function, items in layers:
        # dark and clear objects must keep their order, so copy goes by copy
        laid = [
            _renamed(moved(item, (i * pitch[0], j * pitch[1])), f"{i}-{j}")
            for i, j in steps
            for item in items
        ]
        (folder / f"{name}.gbr").write_text(gerber(laid, [f"FileFunction,{function}"]))
    (folder / "profile.gbr").write_text(gerber(frame, ["FileFunction,Profile,NP"]))
    for name, plated, function in (("plated", True, "Plated,1,4,PTH"),
                                   ("unplated", False, "NonPlated,1,4,NPTH")):  # fmt: skip
        text = excellon(_hits(design, plated, steps, pitch), [f"FileFunction,{function}"])
        (folder / f"{name}.drl").write_text(text)


def _renamed(item: Item, copy: str) -> Item:
    if item.net is None:
        return item
    pin = (f"{item.pin[0]}-{copy}", item.pin[1]) if isinstance(item, Flash) and item.pin else None
    new = replace(item, net=f"{item.net}-{copy}")
    return replace(new, pin=pin) if isinstance(new, Flash) else new


def _hits(
    design: Design, plated: bool, steps: list[tuple[int, int]], pitch: tuple[float, float]
) -> list[Hit]:
    def at(point: tuple[float, float], i: int, j: int) -> tuple[float, float]:
        return (round(point[0] + i * pitch[0], 4), round(point[1] + j * pitch[1], 4))

    return [
        Hit(hit.diameter, at(hit.at, i, j), hit.function, at(hit.to, i, j) if hit.to else None)
        for i, j in steps
        for hit in design.hits(plated)
    ]


def growth(copies: tuple[int, ...] = COPIES) -> Section:
    """CPU seconds of the screen of 1, 4, 16, 64 copies."""
    out = Section(
        "growth", "Growth with the number of copies",
        "The sample board laid side by side on one panel, every object of every copy written out, "
        "screened with one process. CPU seconds without the start-up of the process (that of a "
        "screen of nothing is taken off), and peak memory.",
        ["copies", "places", "CPU", "÷ one copy", "per copy ÷ one copy", "peak memory"],
    )  # fmt: skip
    first = 0.0
    idle = apart("benchmarks.performance.idle")["cpu"]
    for count in copies:
        with tempfile.TemporaryDirectory() as folder:
            panel(Path(folder), count)
            told = apart("benchmarks.performance.one", folder, 1)
        seconds = told["cpu"] - idle
        first = first or seconds
        out.add(count, f"{told['places']:,}", f"{seconds:.2f} s", f"{seconds / first:.1f}",
                f"{seconds / first / count:.2f}", f"{told['memory_mb']:.0f} MB")  # fmt: skip
        out.chart.append((f"{count} copies", [("release", round(seconds / count * 1000))]))
        if count == 64:
            out.aims.append((f"64 copies within {MOST:g} times one: {seconds / first:.1f}",
                             seconds / first <= MOST))  # fmt: skip
    out.chart_words = "CPU milliseconds per copy"
    return out
