"""Opens and shorts to be planted in a board that comes with a netlist."""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board
from dfmcheck.board.net_graph import NetGraph, held_between, net_graph
from dfmcheck.board.netlist_join import read_netlists
from dfmcheck.board.netlist_place import Placement, place, spots
from dfmcheck.formats.ipc356 import Netlist
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.gaps import clear_of, gaps_within
from dfmcheck.intake import open_package
from dfmcheck.terms import Defect

WIDTHS = (0.005, 0.010, 0.020, 0.050)  # mm


@dataclass
class Plant:
    """One planted defect: where, how wide, and what must be told of it."""

    kind: str  # stroke, region, disc; cut-stroke, cut-region; hole
    file: str
    layer: str
    nets: list[str]
    x: float  # in the files' coordinates, mm
    y: float
    width: float  # of the bridge or the cut; nought for a hole
    reach: float  # how far from (x, y) it may be told
    tolerance: float  # of the width told; nought where the width is not compared
    points: list[tuple[float, float]]
    line: int = 0

    @property
    def opens(self) -> bool:
        return self.kind.startswith("cut") or self.kind == "hole"


@dataclass
class Subject:
    """A board with a netlist, and what is known of it before anything is planted."""

    folder: Path
    board: Board
    netlist: Netlist
    placed: Placement
    told: set[str] = field(default_factory=set)

    @classmethod
    def read(cls, folder: Path) -> Subject:
        package = open_package(folder, roles={})
        board = assemble(package, workers=2)
        netlist = read_netlists(package, set())[0][0]
        return cls(folder, board, netlist, place(board, netlist), set(map(sign, board.defects)))

    def names(self) -> dict[int, set[str]]:
        """Stated names of each board net."""
        out: dict[int, set[str]] = {}
        p = self.netlist.points
        for net, name in zip(self.placed.net.tolist(), p.net.tolist(), strict=True):
            if net >= 0 and name >= 0 and self.netlist.names[name] != "N/C":
                out.setdefault(net, set()).add(self.netlist.names[name])
        return out


def sign(defect: Defect) -> str:
    return f"{defect.rule} {defect.file} {re.sub(r'line [0-9]+', '', defect.found)}"


def shorts(subject: Subject, count: int, chance: random.Random) -> list[Plant]:
    """Bridges over gaps between named nets, of random width and drawing."""
    board, names = subject.board, subject.names()
    single = np.zeros(len(board.net_names), dtype=np.bool_)
    single[[n for n, each in names.items() if len(each) == 1]] = True
    out: list[Plant] = []
    share = -(-4 * count // len(board.copper))
    for layer in board.copper:
        image = layer.image
        net = layer.edge_net

        def wanted(a: Any, b: Any, net: Any = net) -> Any:
            return single[net[a]] & single[net[b]] & (net[a] != net[b])

        gaps = gaps_within(image.edges, 0.3, wanted)
        gaps = gaps.take(gaps.value > 0.02)
        order = list(range(len(gaps)))
        chance.shuffle(order)
        # Few nets are wide enough apart for all; enough are looked at to choose from.
        gaps = gaps.take(np.array(order[: 6 * share], dtype=np.intp))
        gaps = gaps.take(np.flatnonzero(clear_of(gaps, image.edges, image.parts)))
        deep = shapely.STRtree(image.parts)
        for k in range(len(gaps)):
            p, q = gaps.p[k], gaps.q[k]
            d = (q - p) / gaps.value[k]
            ends = shapely.points([p - d * 0.06, p - d * 0.03, q + d * 0.03, q + d * 0.06])
            if len(np.unique(deep.query(ends, predicate="within")[0])) < 4:
                continue
            one, two = (next(iter(names[int(net[e[k]])])) for e in (gaps.a, gaps.b))
            kind = chance.choice(("stroke", "region", "disc"))
            width = chance.choice(WIDTHS)
            a, b = p - d * 0.03, q + d * 0.03
            tolerance = 0.0015
            if kind == "disc":
                a = b = (p + q) / 2
                width = float(gaps.value[k]) + 0.02
                tolerance = 0.0
            middle = (p + q) / 2
            out.append(
                Plant(
                    kind, image.file, layer.name, sorted((one, two)), *middle.tolist(), width,
                    float(gaps.value[k]) / 2 + 0.03, tolerance, [tuple(a), tuple(b)],
                )
            )  # fmt: skip
    chance.shuffle(out)
    return out


def opens(subject: Subject, count: int, chance: random.Random) -> list[Plant]:
    """Cuts through runs, and missing hits, that part points of one net."""
    board, netlist, placed = subject.board, subject.netlist, subject.placed
    names = subject.names()
    nets = [n for n, each in names.items() if len(each) == 1]
    chance.shuffle(nets)
    p = netlist.points
    out: list[Plant] = []
    for net in nets:
        if len(out) >= 3 * count:
            break
        rows = np.flatnonzero((placed.net == net) & (p.net >= 0))
        if len(rows) < 2:
            continue
        graph = net_graph(board, net)
        if len(graph) > 1500:
            continue
        layer, row = spots(board, netlist, placed, rows)
        node = {
            k: n for n, k in enumerate(zip(graph.layer.tolist(), graph.row.tolist(), strict=True))
        }
        points = {
            node[key]
            for key in zip(layer[rows].tolist(), row[rows].tolist(), strict=True)
            if key in node
        }
        held = sorted(held_between(graph, np.array(sorted(points))))
        chance.shuffle(held)
        for n in held:
            found = (
                _hit(subject, graph, n, points) if graph.layer[n] < 0
                else _cut(board, graph, n, points, chance)
            )  # fmt: skip
            if found is not None:
                found.nets = list(names[net])
                out.append(found)
                break
    return out


def _sides(
    graph: NetGraph, node: int, first: list[int], second: list[int]
) -> tuple[set[int], set[int]]:
    """What is reached from either group of neighbours without ``node``."""
    out = []
    for start in (first, second):
        seen, todo = {node, *start}, list(start)
        while todo:
            for contact in graph.neighbours[todo.pop()]:
                for other in (int(graph.a[contact]), int(graph.b[contact])):
                    if other not in seen:
                        seen.add(other)
                        todo.append(other)
        out.append(seen - {node})
    return out[0], out[1]


def _cut(
    board: Board, graph: NetGraph, node: int, points: set[int], chance: random.Random
) -> Plant | None:
    """A cut across one straight run, where nothing else of the layer is near."""
    layer = board.copper[int(graph.layer[node])]
    image, row = layer.image, int(graph.row[node])
    if image.kind[row] != Kind.DRAW or not image.whole[row] or node in points:
        return None
    mine = np.flatnonzero(image.edges.piece == row)
    if len(mine) != 1:
        return None
    e = image.edges.take(mine)
    a, b, r = np.array([e.x0[0], e.y0[0]]), np.array([e.x1[0], e.y1[0]]), float(e.r[0])
    length = float(np.hypot(*(b - a)))
    if r > 0.2 or length < 0.2:
        return None
    d = (b - a) / length
    side = np.array([-d[1], d[0]])
    width = chance.choice(WIDTHS)
    at = a + d * length * chance.uniform(0.3, 0.7)
    over = r + 0.03
    ends = at - side * over, at + side * over
    near = shapely.buffer(shapely.LineString(ends), width + 0.01)
    if (shapely.intersects(image.pieces, near)).sum() != 1:
        return None
    if (
        len(board.holes)
        and shapely.dwithin(
            shapely.points(board.holes.x0, board.holes.y0), near, board.holes.r + 0.01
        ).any()
    ):
        return None
    touching = [graph.other(c, node) for c in graph.neighbours[node]]
    halves: tuple[list[int], list[int]] = ([], [])
    for other in set(touching):
        where = shapely.intersection(graph.shape[other], graph.shape[node])
        if where.is_empty:
            return None
        xy = shapely.get_coordinates(where)
        t = (xy - at) @ d
        if t.min() < 0 < t.max():
            return None
        halves[int(t.min() >= 0)].append(other)
    one, two = _sides(graph, node, *halves)
    if one & two or not one & points or not two & points:
        return None
    kind = chance.choice(("cut-stroke", "cut-region"))
    return Plant(
        kind, image.file, layer.name, [], *at.tolist(), width, r + 0.01, 0.0015,
        [tuple(ends[0]), tuple(ends[1])],
    )  # fmt: skip


def _hit(subject: Subject, graph: NetGraph, node: int, points: set[int]) -> Plant | None:
    """A hole whose hit can be taken out of its file without touching its neighbours."""
    board, h = subject.board, subject.board.holes
    k = int(graph.row[node])
    file = board.drill_files[int(h.file[k])]
    lines = (subject.folder / file).read_text("latin-1").splitlines()
    plain = re.compile(r"X-?[0-9.]+Y-?[0-9.]+\s*$")
    n = int(h.line[k])
    if n >= len(lines) or not (plain.match(lines[n - 1]) and plain.match(lines[n])):
        return None
    if ((h.file == h.file[k]) & (h.line == n)).sum() != 1:
        return None
    groups = [
        set(_sides(graph, node, [o], [])[0])
        for o in {graph.other(c, node) for c in graph.neighbours[node]}
    ]
    holding = [g & points for g in groups if g & points]
    if not holding or set.union(*holding) == holding[0]:
        return None
    return Plant(
        "hole", file, "", [], float(h.x0[k]), float(h.y0[k]), 0.0, float(h.r[k]) + 0.3, 0.0, [], n
    )
