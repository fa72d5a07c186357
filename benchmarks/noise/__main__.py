"""Draws random findings of every rule over the open boards, a sheet of each.

    python -m benchmarks.noise OUT [--boards FOLDER] [--board NAME...] [--shop volume]
                                   [--only RULE] [--most 20] [--seed 4]

A person looks at the sheets and counts what a sceptical engineer would call noise; the words
stand in drawn.txt as well. The screens are kept in OUT, so that a second run after a change of
limits only judges.
"""

from __future__ import annotations

import argparse
import os
import textwrap
from collections import defaultdict
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw

from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Finding
from dfmcheck.measure import store
from dfmcheck.measure.rule import rules
from dfmcheck.measure.screening import Screening
from dfmcheck.report.pictures import Pictures
from dfmcheck.screen import screen

COLUMNS = 5
LINES = 58


def kept(folder: Path, out: Path, reach: dict[str, float]) -> Screening:
    """The screening of a board, made once."""
    file = out / f"{folder.name}.screening"
    if not file.exists():
        store.save(screen(folder, thickness=1.6, reach=reach, drawing=True), file)
    return store.load(file)


def sheet(findings: list[tuple[str, Finding, Pictures]], path: Path) -> None:
    """Pictures in rows, each with the board's name and the finding's sentence."""
    tiles = []
    for board, finding, pictures in findings:
        picture = pictures.of(finding)
        assert picture is not None
        tile = Image.new("RGB", (picture.width + 6, picture.height + LINES), "white")
        tile.paste(picture, (0, 0))
        words = textwrap.fill(f"{board}: {finding.message}", 62)
        ImageDraw.Draw(tile).text((2, picture.height + 2), words, fill="black", spacing=1)
        tiles.append(tile)
    w, h = tiles[0].size
    rows = -(-len(tiles) // COLUMNS)
    whole = Image.new("RGB", (w * min(COLUMNS, len(tiles)), h * rows), "white")
    for n, tile in enumerate(tiles):
        whole.paste(tile, (n % COLUMNS * w, n // COLUMNS * h))
    whole.save(path)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--boards", type=Path, default=os.environ.get("DFMCHECK_BOARDS"))
    parser.add_argument("--board", nargs="*", default=[], help="only these; all")
    parser.add_argument("--shop", default="volume")
    parser.add_argument("--only", default="", help="rules whose id starts with this")
    parser.add_argument("--most", type=int, default=20, help="findings drawn of each rule")
    parser.add_argument("--seed", type=int, default=4)
    given = parser.parse_args()
    boards = Path(given.boards or Path(__file__).parents[2] / "../shared/boards")
    given.out.mkdir(parents=True, exist_ok=True)
    shop = load_shop(given.shop)
    found: dict[str, list[tuple[str, Finding, Pictures]]] = defaultdict(list)
    for folder in sorted(path for path in boards.iterdir() if path.is_dir()):
        if given.board and folder.name not in given.board:
            continue
        screening = kept(folder, given.out, shop.limit_reach())
        if screening.drawing is None:
            continue
        pictures = Pictures(screening.drawing)
        for finding in judge(screening, shop, rules=rules()).findings:
            if finding.x is not None and finding.rule.startswith(given.only):
                found[finding.rule].append((folder.name, finding, pictures))
    rng = np.random.default_rng(given.seed)
    words = []
    for rule in sorted(found):
        mine = found[rule]
        picked = rng.choice(len(mine), min(given.most, len(mine)), replace=False)
        on = len({board for board, _, _ in mine})
        print(f"{rule:28s} {len(mine):5d} findings on {on:2d} boards, {len(picked)} drawn")
        drawn = [mine[k] for k in sorted(picked.tolist())]
        words += [f"{rule} {f.fingerprint} {board}: {f.message}" for board, f, _ in drawn]
        sheet(drawn, given.out / f"{rule}.png")
    (given.out / "drawn.txt").write_text("\n".join(words) + "\n")


if __name__ == "__main__":
    main()
