"""Writes the two sample packages and a manifest of each beside this file.

    python sample_boards/make_samples.py [folder]

Needs only the standard library. Running it twice gives identical bytes.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from drawing import Item, excellon, gerber, job_file
from plants import Plant, planted
from tide_logger import CORNER, SIZE, THICKNESS, Design, build, moved

NAME = "tide-logger"
PROJECT = "tide-logger,7a1d1e10-66e7-4c0b-9a3e-0f7e11e7b0a2,B"


def package(design: Design) -> dict[str, str]:
    """File name to content."""
    layers: list[tuple[str, str, str, list[Item]]] = [
        ("copper-1", "Copper,L1,Top", "Positive", design.copper(1)),
        ("copper-2", "Copper,L2,Inr", "Positive", design.copper(2)),
        ("copper-3", "Copper,L3,Inr", "Positive", design.copper(3)),
        ("copper-4", "Copper,L4,Bot", "Positive", design.copper(4)),
        ("mask-top", "Soldermask,Top", "Negative", design.mask(1)),
        ("mask-bottom", "Soldermask,Bot", "Negative", design.mask(4)),
        ("legend-top", "Legend,Top", "Positive", list(design.ink[1])),
        ("legend-bottom", "Legend,Bot", "Positive", list(design.ink[4])),
        ("paste-top", "Paste,Top", "Positive", design.paste(1)),
        ("paste-bottom", "Paste,Bot", "Positive", design.paste(4)),
        ("profile", "Profile,NP", "", design.profile()),
    ]
    common = [f"ProjectId,{PROJECT}", "Part,Single", "SameCoordinates,TL-B"]
    files: dict[str, str] = {}
    listed: list[tuple[str, str, str]] = []
    for stem, function, polarity, items in layers:
        name = f"{NAME}-{stem}.gbr"
        attributes = [*common, f"FileFunction,{function}"]
        if polarity:
            attributes.append(f"FilePolarity,{polarity}")
        files[name] = gerber((moved(i) for i in items), attributes)
        listed.append((name, function, polarity))
    for stem, plated, function in (
        ("drill-plated", True, "Plated,1,4,PTH"),
        ("drill-unplated", False, "NonPlated,1,4,NPTH"),
    ):
        name = f"{NAME}-{stem}.drl"
        hits = [
            type(h)(h.diameter, _moved(h.at), h.function, _moved(h.to) if h.to else None)
            for h in design.hits(plated)
        ]
        files[name] = excellon(hits, [f"FileFunction,{function}", *common])
        listed.append((name, function, "Positive"))
    files[f"{NAME}.gbrjob"] = job_file(NAME, SIZE, THICKNESS, 4, listed)
    return files


def _moved(point: tuple[float, float]) -> tuple[float, float]:
    return (point[0] + CORNER[0], point[1] + CORNER[1])


def manifest(plants: list[Plant]) -> str:
    """The manifest as TOML; places in the coordinates of the files."""
    lines = [
        "# What a screening must find in this package, and nothing else.",
        "# Written by make_samples.py. Lengths mm, coordinates as in the files; a place that is",
        "# equally bad along a stretch has its other end in x2, y2.",
        f"corner = [{CORNER[0]:.4f}, {CORNER[1]:.4f}]  # lower-left corner of the profile",
        f"count = {len(plants)}",
    ]
    for p in plants:
        x, y = _moved(p.at)
        lines += ["", "[[plant]]", f'rule = "{p.rule}"', f'layer = "{p.layer}"']
        lines += [f"value = {p.value:.4f}", f"x = {x:.4f}", f"y = {y:.4f}"]
        if p.to is not None:
            x2, y2 = _moved(p.to)
            lines += [f"x2 = {x2:.4f}", f"y2 = {y2:.4f}"]
        lines.append(f'how = "{p.how}"')
    return "\n".join([*lines, ""])


def write(folder: Path) -> None:
    """Write both packages below ``folder``."""
    bad = build()
    plants = planted(bad)
    for name, design, entries in (
        (f"{NAME}-clean", build(), []),
        (f"{NAME}-planted", bad, plants),
    ):
        target = folder / name
        target.mkdir(parents=True, exist_ok=True)
        for file, content in package(design).items():
            (target / file).write_bytes(content.encode("ascii"))
        (folder / f"{name}.manifest.toml").write_bytes(manifest(entries).encode("ascii"))


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
