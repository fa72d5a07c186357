"""Conductor spacing by our search and by plain shapely over all pairs of nets."""

from __future__ import annotations

import itertools
import random
import sys
import tempfile
from pathlib import Path

import numpy as np
import shapely
from shapely import LineString

from benchmarks.performance.section import ROOT, Section, ms, timed

sys.path.insert(0, str(ROOT / "sample_boards"))

from drawing import Item, Stroke, gerber

REACH = 0.25
COUNTS = (100, 200, 400, 800, 1600)
Track = list[tuple[float, float]]


def tracks(count: int) -> tuple[list[Track], float]:
    """Tracks of three legs on a grid, 0.1 mm to 0.4 mm apart; the side of the board in mm."""
    dice = random.Random(count)
    columns = int(count**0.5) + 1
    out = []
    for n in range(count):
        x, y = (n % columns) * 4.0 + 2.0, (n // columns) * 0.5 + 2.0
        lift = dice.uniform(0.0, 0.1)
        out.append([(x, y), (x + 1.2, y), (x + 1.3, y + lift), (x + 3.5, y + lift)])
    return out, columns * 4.0 + 4.0


def spacing(counts: tuple[int, ...] = COUNTS) -> Section:
    """Both give the smallest spacing; they must agree."""
    from dfmcheck.board.assemble import assemble
    from dfmcheck.intake import open_package
    from dfmcheck.measure.rule import measure_functions

    out = Section(
        "spacing", "Spacing search against all pairs",
        "A layer of made-up tracks, every one a net. Ours is the measuring function of "
        "`etch.conductor-spacing` on the assembled board, with its positions, sources and kinds; "
        "the others give distances alone: `shapely.distance` over all pairs of polygons, and over "
        "the pairs that its `STRtree` finds within reach. All list what is nearer than 0.25 mm; "
        "the smallest must agree within 1 µm. CPU seconds.",
        ["nets", "pairs", "ours", "all pairs", "with STRtree", "all pairs ÷ ours",
         "STRtree ÷ ours", "smallest, ours", "smallest"],
    )  # fmt: skip
    function = measure_functions()["etch.conductor-spacing"]
    for count in counts:
        lines, side = tracks(count)
        with tempfile.TemporaryDirectory() as folder:
            _write(Path(folder), lines, side)
            board = assemble(open_package(Path(folder)), thickness=1.6)
        function(board, REACH)  # modules loaded, compiled
        found = []
        mine = timed(lambda found=found, board=board: found.append(function(board, REACH)))[1]
        shapes = np.array([LineString(line).buffer(0.1, 16) for line in lines])
        brute: list[float] = []

        def all_pairs(shapes: np.ndarray = shapes, brute: list[float] = brute) -> None:
            first, second = np.array(list(itertools.combinations(range(len(shapes)), 2))).T
            apart = shapely.distance(shapes[first], shapes[second])
            brute.append(float(apart[apart < REACH].min()))

        def with_tree(shapes: np.ndarray = shapes, brute: list[float] = brute) -> None:
            pairs = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=REACH)
            first, second = pairs[:, pairs[0] < pairs[1]]
            brute.append(float(shapely.distance(shapes[first], shapes[second]).min()))

        theirs, tree = timed(all_pairs)[1], timed(with_tree)[1]
        places = found[0]
        keep = places["rule"] == "etch.conductor-spacing"
        smallest = float(places["value"][keep].min())
        out.add(count, f"{count * (count - 1) // 2:,}", ms(mine), ms(theirs), ms(tree),
                f"{theirs / mine:.1f}", f"{tree / mine:.1f}", f"{smallest:.4f} mm",
                f"{brute[0]:.4f} mm")  # fmt: skip
        out.chart.append((f"{count} nets, ours", [("release", round(mine * 1000, 1))]))
        out.chart.append((f"{count} nets, STRtree", [("none", round(tree * 1000, 1))]))
        if max(abs(smallest - one) for one in brute) > 0.001:
            out.aims.append((f"the same smallest spacing with {count} nets", False))
    out.chart_words = "CPU milliseconds"
    ratio = float(out.rows[-1][5])
    out.aims.append((f"faster than all pairs with {counts[-1]} nets: {ratio:.1f} times", ratio > 1))
    return out


def _write(folder: Path, lines: list[Track], side: float) -> None:
    items: list[Item] = [
        Stroke(0.2, line, "Conductor", f"N{n}") for n, line in enumerate(lines)
    ]  # fmt: skip
    frame: list[Item] = [
        Stroke(0.1, [(0.0, 0.0), (side, 0.0), (side, side), (0.0, side), (0.0, 0.0)], "Profile")
    ]
    for name, function, content in (
        ("top", "Copper,L1,Top", items),
        ("bottom", "Copper,L2,Bot", items[:1]),
        ("profile", "Profile,NP", frame),
    ):
        text = gerber(content, [f"FileFunction,{function}"])
        (folder / f"{name}.gbr").write_text(text)
