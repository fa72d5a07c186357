"""Plants opens and shorts in boards that come with a netlist, and counts what is found where.

Every plant is text added to (or a hit taken from) the package's own files, so that reading,
painting, connecting and comparing are all tested. A plant counts as found when one defect names
its net or nets, lies at its place, and tells its width; anything else that the board did not
tell before is counted as a false change.

    python benchmarks/nets/planted.py --boards ../shared/boards --out planted.jsonl

Seeded; batches already in the output are not run again.
"""

from __future__ import annotations

import argparse
import json
import random
import re
import shutil
import tempfile
import time
from dataclasses import asdict, dataclass, field
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

NAMES = ("sbc-10-layer", "four-layer-netlist")
WIDTHS = (0.005, 0.010, 0.020, 0.050)  # mm
BATCH = 16  # plants put into one board, all on nets of their own
_FREE = 1.0  # mm between plants of one batch
_CODE = 7001  # D-codes from here on are not used by the boards


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
        return cls(folder, board, netlist, place(board, netlist), set(map(_sign, board.defects)))

    def names(self) -> dict[int, set[str]]:
        """Stated names of each board net."""
        out: dict[int, set[str]] = {}
        p = self.netlist.points
        for net, name in zip(self.placed.net.tolist(), p.net.tolist(), strict=True):
            if net >= 0 and name >= 0 and self.netlist.names[name] != "N/C":
                out.setdefault(net, set()).add(self.netlist.names[name])
        return out


def _sign(defect: Defect) -> str:
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


def batches(plants: list[Plant], count: int) -> list[list[Plant]]:
    """Groups whose plants share no net and keep clear of each other; ``count`` plants in all."""
    out: list[list[Plant]] = []
    left = plants[:]
    done = 0
    while left and done < count:
        group: list[Plant] = []
        rest: list[Plant] = []
        for plant in left:
            fits = len(group) < BATCH and done < count and all(
                not set(plant.nets) & set(g.nets)
                and np.hypot(plant.x - g.x, plant.y - g.y) > _FREE
                for g in group
            )  # fmt: skip
            if fits:
                group.append(plant)
                done += 1
            else:
                rest.append(plant)
        if not group:
            break
        out.append(group)
        left = rest
    return out


def write(folder: Path, plants: list[Plant]) -> None:
    """Add the plants to the package in ``folder``."""
    for name in sorted({p.file for p in plants}):
        path = folder / name
        text = path.read_bytes().decode("latin-1")
        mine = [p for p in plants if p.file == name]
        if mine[0].kind == "hole":
            lines = text.splitlines(keepends=True)
            for plant in mine:
                lines[plant.line - 1] = ""
            path.write_bytes("".join(lines).encode("latin-1"))
            continue
        end = text.rindex("M02*")
        body = "".join(_drawn(p, text, _CODE + k) for k, p in enumerate(mine))
        path.write_bytes(f"{text[:end]}{body}{text[end:]}".encode("latin-1"))


def _drawn(plant: Plant, text: str, code: int) -> str:
    whole, decimals = map(int, re.search(r"%FS[LT]A[^X]*X(\d)(\d)", text).groups())  # type: ignore[union-attr]
    unit = 25.4 if "MOIN*" in text else 1.0

    def at(x: float, y: float) -> str:
        numbers = [round(v / unit * 10**decimals) for v in (x, y)]
        signs = ["-" if n < 0 else "" for n in numbers]
        return "".join(
            f"{axis}{sign}{abs(n):0{whole + decimals}d}"
            for axis, sign, n in zip("XY", signs, numbers, strict=True)
        )

    (ax, ay), (bx, by) = plant.points
    dark = "%LPC*%\n" if plant.opens else "%LPD*%\n"
    if plant.kind == "disc":
        shape = f"%ADD{code}C,{plant.width / unit:.9f}*%\nD{code}*\n{at(ax, ay)}D03*\n"
    elif plant.kind.endswith("stroke"):
        shape = (
            f"%ADD{code}C,{plant.width / unit:.9f}*%\nD{code}*\n"
            f"{at(ax, ay)}D02*\nG01*\n{at(bx, by)}D01*\n"
        )
    else:
        d = np.array([bx - ax, by - ay])
        s = np.array([-d[1], d[0]]) / np.hypot(*d) * plant.width / 2
        corners = [
            (ax - s[0], ay - s[1]),
            (bx - s[0], by - s[1]),
            (bx + s[0], by + s[1]),
            (ax + s[0], ay + s[1]),
        ]
        path = "".join(f"{at(*c)}D01*\n" for c in (*corners[1:], corners[0]))
        shape = f"G01*\nG36*\n{at(*corners[0])}D02*\n{path}G37*\n"
    return f"{dark}{shape}%LPD*%\n"


def score(
    subject: Subject, plants: list[Plant], defects: tuple[Defect, ...]
) -> list[dict[str, Any]]:
    """One record a plant, and one for what else has changed."""
    ox, oy = subject.board.origin
    new = [d for d in defects if _sign(d) not in subject.told]
    used: set[int] = set()
    out: list[dict[str, Any]] = []
    for plant in plants:
        rule = "data.netlist-open" if plant.opens else "data.netlist-short"
        found = off = told = None
        for k, d in enumerate(new):
            if d.rule == rule and all(_names(name, d.found) for name in plant.nets):
                found = k
                off = float(np.hypot((d.x or 0) + ox - plant.x, (d.y or 0) + oy - plant.y))
                told = _width(d.found)
                break
        if found is not None:
            used.add(found)
        wide = plant.tolerance == 0 or (
            told is not None and abs(told - plant.width) <= plant.tolerance
        )
        out.append(
            {
                **asdict(plant), "found": found is not None, "off": off, "told_width": told,
                "right_place": off is not None and off <= plant.reach, "right_width": wide,
                "text": new[found].found if found is not None else "",
            }
        )  # fmt: skip
    # A hit taken out is missed by the netlist, and by the tool listing of its own file.
    also = {"data.netlist-hole", "data.job-contradiction"}
    missing = any(p.kind == "hole" for p in plants)
    rest = [
        d for k, d in enumerate(new) if k not in used and not (missing and d.rule in also)
    ]  # fmt: skip
    out.append({"kind": "false", "changes": [f"{d.rule}: {d.sentence}" for d in rest]})
    return out


def _names(name: str, text: str) -> bool:
    return re.search(rf"(?<![^\s,]){re.escape(name)}(?![^\s,;:])", text) is not None


def _width(text: str) -> float | None:
    found = re.search(r"comes within ([0-9.]+) mm|joint.*? is ([0-9.]+) mm wide", text)
    return float(found[1] or found[2]) if found else None


def run(folder: Path, count: int, seed: int, out: Path) -> None:
    """Plant ``count`` shorts and opens in one board, batch by batch."""
    done = {(r["board"], r["seed"], r["batch"]) for r in _records(out)}
    subject = Subject.read(folder)
    chance = random.Random(seed)
    half = count // 2
    plants = [shorts(subject, half, chance), opens(subject, half, chance)]
    groups = [g for each in plants for g in batches(each, half)]
    for number, group in enumerate(groups):
        if (folder.name, seed, number) in done:
            continue
        start = time.perf_counter()
        with tempfile.TemporaryDirectory() as place_:
            copy = Path(place_) / folder.name
            shutil.copytree(folder, copy)
            write(copy, group)
            board = assemble(open_package(copy, roles={}), workers=1)
        records = score(subject, group, board.defects)
        with out.open("a", encoding="utf-8") as stream:
            for record in records:
                stream.write(
                    json.dumps({"board": folder.name, "seed": seed, "batch": number, **record})
                    + "\n"
                )
        right = sum(bool(r.get("right_place") and r.get("right_width")) for r in records)
        print(
            f"{folder.name} batch {number}: {right} of {len(group)} right, "
            f"{len(records[-1]['changes'])} false, {time.perf_counter() - start:.1f} s",
            flush=True,
        )


def _records(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in out.read_text().splitlines()] if out.exists() else []


def summary(out: Path) -> str:
    """The score over everything in ``out``, by kind of plant."""
    records = _records(out)
    plants = [r for r in records if r["kind"] != "false"]
    lines = []
    for kind in sorted({r["kind"] for r in plants}):
        mine = [r for r in plants if r["kind"] == kind]
        place_, wide = sum(r["right_place"] for r in mine), sum(r["right_width"] for r in mine)
        found = sum(r["found"] for r in mine)
        lines.append(
            f"{kind:<11} {len(mine):4} planted {found:4} found {place_:4} at the place "
            f"{wide:4} width told right"
        )
    false = sum(len(r["changes"]) for r in records if r["kind"] == "false")
    lines.append(f"{len(plants)} planted, {false} other changes told")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--boards", type=Path, default=Path("../shared/boards"))
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--count", type=int, default=100, help="plants in each board")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for name in NAMES:
        run(given.boards / name, given.count, given.seed, given.out)
    print(summary(given.out))


if __name__ == "__main__":
    main()
