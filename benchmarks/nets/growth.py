"""How long nets take to be found, and how that grows with the number of copies of a board.

    python benchmarks/nets/growth.py ../shared/boards/sbc-10-layer --copies 1 4 16

Copies are laid side by side as a panel would, with all their copper and holes in one image per
layer. Timed: merging pieces to parts and components (per layer), and nets across the stack
through plated holes. Reading and painting come before either and are told for one board.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely

from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Holes, Layer
from dfmcheck.board.nets import connect
from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.image import Image
from dfmcheck.geometry.merge import merge
from dfmcheck.geometry.pieces import Pieces
from dfmcheck.intake import open_package


def copies_of(layer: Layer, count: int, step: float) -> Layer:
    """One layer with ``count`` copies of its image, ``step`` mm apart in x."""
    image = layer.image
    n, m, c = len(image.pieces), len(image.parts), int(image.component.max(initial=-1)) + 1

    def shifted(shapes: np.ndarray) -> np.ndarray:
        return np.concatenate(
            [
                shapely.transform(shapes, lambda xy, k=k: xy + np.array([k * step, 0]))
                for k in range(count)
            ]
        )

    def numbered(column: np.ndarray, by: int) -> np.ndarray:
        return np.concatenate([column + k * by for k in range(count)]).astype(column.dtype)

    e = image.edges
    edges = Edges(
        *(np.concatenate([x + k * step for k in range(count)]) if axis == "x" else np.tile(x, count)
          for x, axis in ((e.x0, "x"), (e.y0, "y"), (e.x1, "x"), (e.y1, "y"), (e.r, ""),
                          (e.error, ""))),
        numbered(e.piece, n),
    )  # fmt: skip
    flat = ("kind", "code", "line", "net", "pin", "flash", "whole", "y")
    many: Image = replace(
        image,
        **{name: np.tile(getattr(image, name), count) for name in flat},
        x=np.concatenate([image.x + k * step for k in range(count)]),
        pieces=Pieces.concat(
            [
                Pieces(image.pieces.strokes + np.array([k * step, 0, k * step, 0, 0]), polygons)
                for k, polygons in enumerate(np.split(shifted(image.pieces.polygons), count))
            ]
        ),
        edges=edges,
        parts=shifted(image.parts),
        part=numbered(image.part, m),
        component=numbered(image.component, c),
    )
    return Layer(layer.role, many)


def copies_of_holes(holes: Holes, count: int, step: float) -> Holes:
    tables = [
        replace(
            holes,
            x0=holes.x0 + k * step,
            x1=holes.x1 + k * step,
            path=(holes.path + k * (int(holes.path.max(initial=0)) + 1)).astype(np.int32),
        )
        for k in range(count)
    ]
    return Holes.concat(tables)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("folder", type=Path)
    parser.add_argument("--copies", type=int, nargs="+", default=[1, 4, 16])
    given = parser.parse_args()
    start = time.perf_counter()
    board = assemble(open_package(given.folder, roles={}), workers=2)
    print(
        f"{given.folder.name}: read, painted and assembled in {time.perf_counter() - start:.1f} s"
    )
    boxes = [shapely.total_bounds(la.image.parts) for la in board.copper if len(la.image.parts)]
    step = float(max(b[2] for b in boxes) - min(b[0] for b in boxes)) + 5.0
    for count in given.copies:
        layers = tuple(copies_of(layer, count, step) for layer in board.copper)
        holes = copies_of_holes(board.holes, count, step)
        pieces = sum(len(layer.image.pieces) for layer in layers)
        start = time.perf_counter()
        for layer in layers:
            merge(layer.image.pieces, layer.image.edges, np.flatnonzero(layer.image.whole))
        joined = time.perf_counter() - start
        start = time.perf_counter()
        names = connect(layers, holes)[2]
        across = time.perf_counter() - start
        print(
            f"{count:3} copies, {pieces:9,} pieces, {len(holes):7,} holes: parts {joined:7.2f} s, "
            f"across the stack {across:6.2f} s, {len(names):7,} nets", flush=True,
        )  # fmt: skip


if __name__ == "__main__":
    main()
