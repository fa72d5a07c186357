"""The whole screen of each open board: time with one process and with all, peak memory."""

from __future__ import annotations

import os
from pathlib import Path

from benchmarks.performance.section import BOARDS, ROOT, Section, apart

AIMS = {"radio-14-layer": 8.0, "sbc-10-layer": 5.0}
"""Seconds of wall clock with all cores."""


def boards(folder: Path = BOARDS, only: tuple[str, ...] = ()) -> Section:
    """Each board in processes of their own."""
    cores = os.cpu_count() or 1
    out = Section(
        "boards", "Whole screens of open boards",
        "From the folder to all measurements, in a process of its own, start-up included in CPU. "
        "A package of several boards is screened board by board. Memory is the peak of the one "
        "process where one does all.",
        ["board", "bytes", "conductors", "places", "CPU, 1 process", "wall, 1 process",
         f"wall, {cores} processes", "speed-up", "peak memory"],
    )  # fmt: skip
    packages = sorted(path for path in folder.iterdir() if path.is_dir()) if folder.is_dir() else []
    packages += [ROOT / "sample_boards" / "tide-logger-clean"]
    for path in packages:
        if only and path.name not in only:
            continue
        size = sum(file.stat().st_size for file in path.rglob("*") if file.is_file())
        one = apart("benchmarks.performance.one", path, 1)
        all_ = apart("benchmarks.performance.one", path, cores)
        out.add(
            path.name, f"{size:,}", "+".join(map(str, one["conductors"])), f"{one['places']:,}",
            f"{one['cpu']:.2f} s", f"{one['wall']:.2f} s", f"{all_['wall']:.2f} s",
            f"{one['wall'] / all_['wall']:.2f}", f"{one['memory_mb']:.0f} MB",
        )  # fmt: skip
        out.chart.append((path.name, [("release", round(one["cpu"], 2))]))
        if path.name in AIMS:
            aim, wall = AIMS[path.name], all_["wall"]
            words = f"{path.name} with {cores} processes within {aim:g} s: {wall:.1f} s"
            out.aims.append((words, wall <= aim))
    out.chart_words = "CPU seconds, one process"
    return out
