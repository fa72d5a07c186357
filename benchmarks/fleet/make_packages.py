"""Writes many made-up packages in customer folders, for the fleet benchmark and for trying out.

    python -m benchmarks.fleet.make_packages FOLDER [--count 1000] [--seed 1]

Boards are drawn from a seed: size, two or four conductor layers, widths and spacings, vias, parts,
and in about half of them faults of the design or of the data. Each customer works to a style of
his own. Most packages are zip files, some are folders; a few cannot be opened. The same count and
seed give the same bytes.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import random
import sys
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_boards"))

from drawing import Flash, Hit, Item, Point, Region, Shape, Stroke, disc, excellon, gerber, job_file

CORNER = (10.0, 10.0)
EDGE = 0.6  # copper to profile


@dataclass(frozen=True)
class Style:
    """How a customer designs: the choices he draws from, mm, and how often faults slip in."""

    name: str
    widths: tuple[float, ...]
    spaces: tuple[float, ...]
    vias: tuple[tuple[float, float], ...]  # land, hole
    clearances: tuple[float, ...]  # of the mask
    layers: tuple[int, ...]
    faults: float


WIDE, USUAL, FINE, FINEST = (0.3, 0.25), (0.2, 0.15), (0.125, 0.1), (0.1, 0.09, 0.075)
BIG, MID, SMALL, TINY = ((0.8, 0.4),), ((0.7, 0.3),), ((0.6, 0.3), (0.55, 0.25)), ((0.45, 0.2),)
STYLES = (
    Style("Port Ellery harbour office", USUAL, USUAL, MID, (0.05,), (2, 4), 0.3),
    Style("Mill Street Audio", WIDE, WIDE, BIG, (0.075, 0.05), (2,), 0.2),
    Style("Northmoor Rail Signals", WIDE + USUAL, WIDE, BIG + MID, (0.075,), (2, 4), 0.4),
    Style("Quarry Lane Lighting", USUAL, USUAL, BIG + MID, (0.05,), (2,), 0.6),
    Style("Saltmarsh Sensors", FINE, FINE, MID + SMALL, (0.05, 0.04), (4,), 0.5),
    Style("Upper Fold Medical", USUAL + FINE, USUAL + FINE, MID + SMALL, (0.05,), (4,), 0.3),
    Style("Lock Keeper Drives", WIDE + USUAL, USUAL, BIG, (0.1, 0.05), (2, 4), 0.5),
    Style("Tern Island Radio", FINEST, FINE + FINEST, SMALL + TINY, (0.04, 0.03), (4,), 0.6),
    Style("Weir Bank Controls", USUAL, USUAL + FINE, MID, (0.05,), (2, 4), 0.4),
    Style("Chapel Row School", WIDE, USUAL, BIG + MID, (0.1, 0.05), (2,), 0.8),
)


@dataclass
class Board:
    """What is drawn, in design coordinates with the origin in the lower-left corner."""

    width: float
    height: float
    layers: int
    clearance: float
    copper: dict[int, list[Item]] = field(default_factory=dict)
    cuts: list[Flash] = field(default_factory=list)  # holes in the planes and the poured side
    mask: dict[int, list[Item]] = field(default_factory=lambda: {1: [], 2: []})
    paste: list[Item] = field(default_factory=list)
    ink: list[Item] = field(default_factory=list)
    holes: list[tuple[Hit, bool]] = field(default_factory=list)
    nets: int = 0

    def net(self) -> str:
        self.nets += 1
        return f"N{self.nets}"

    def top(self, item: Item) -> None:
        self.copper.setdefault(1, []).append(item)

    def track(self, net: str, width: float, *path: Point) -> None:
        self.top(Stroke(width, [_p(*at) for at in path], "Conductor", net))

    def land(self, net: str, at: Point, shape: Shape) -> None:
        at = _p(*at)
        self.top(Flash(shape, at, "SMDPad,CuDef", net))
        self.mask[1].append(Flash(shape.grown(self.clearance), at))
        self.paste.append(Flash(shape, at))

    def hole(self, net: str, at: Point, land: float, drill: float, part: bool) -> None:
        """A plated hole with its lands; a part's is free of mask, a via's is covered."""
        at = _p(*at)
        self.top(Flash(disc(land), at, "ComponentPad" if part else "ViaPad", net))
        self.cuts.append(Flash(disc(round(land + 0.6, 3)), at, "AntiPad", dark=False))
        self.copper.setdefault(self.layers, []).append(
            Flash(disc(land), at, "ComponentPad" if part else "ViaPad", net)
        )
        kind = "ComponentDrill" if part else "ViaDrill"
        self.holes.append((Hit(drill, at, f"Plated,PTH,{kind}"), True))
        if part:
            for side in (1, 2):
                self.mask[side].append(Flash(disc(land).grown(self.clearance), at))


def _p(x: float, y: float) -> Point:
    return (round(x, 4), round(y, 4))


# -- cells: each fills a rectangle of 14 mm by 9 mm, lower-left corner at x, y -------------

CELL = (14.0, 9.0)


def bus(
    board: Board, x: float, y: float, dice: random.Random, width: float, space: float,
    via: tuple[float, float],
) -> None:  # fmt: skip
    """Parallel tracks that fan out at 45° to a row of vias on either side."""
    count = dice.randint(3, 7)
    pitch, centre, middle = width + space, y + CELL[1] / 2, x + CELL[0] / 2
    step = via[0] + 0.35
    for n in range(count):
        m = n - (count - 1) / 2
        rise = m * (step - pitch)
        bend = 2.0 - abs(m) * pitch * math.tan(math.pi / 8)
        net = board.net()
        left = [
            (middle - 6.0, centre + m * step), (middle - bend - abs(rise), centre + m * step),
            (middle - bend, centre + m * pitch),
        ]  # fmt: skip
        right = [(2 * middle - px, py) for px, py in reversed(left)]
        board.track(net, width, *left, *right)
        for end in (left[0], right[-1]):
            board.hole(net, end, *via, part=False)


def chips(
    board: Board, x: float, y: float, dice: random.Random, width: float, space: float,
    via: tuple[float, float],
) -> None:  # fmt: skip
    """Two-land parts in a grid, each joined to a via."""
    size = dice.choice(((0.8, 0.9, 1.6), (0.6, 0.5, 1.0), (1.2, 1.4, 2.4)))
    for row in range(3):
        for column in range(3):
            if dice.random() < 0.2:
                continue
            at = (x + 2.0 + 4.2 * column, y + 1.6 + 2.9 * row)
            for sign in (-1, 1):
                net = board.net()
                place = (at[0] + sign * size[2] / 2, at[1])
                board.land(net, place, Shape("R", size[:2]))
                if dice.random() < 0.7:
                    end = (place[0], at[1] + sign * 1.2)
                    board.track(net, max(width, 0.15), place, end)
                    board.hole(net, end, *via, part=False)
            w = size[2] / 2 + size[0] / 2 + 0.25
            for side in (-1, 1):
                board.ink.append(
                    Stroke(0.15, [_p(at[0] + side * w, at[1] - 0.5),
                                  _p(at[0] + side * w, at[1] + 0.5)])
                )  # fmt: skip


def pins(
    board: Board, x: float, y: float, dice: random.Random, width: float, space: float,
    via: tuple[float, float],
) -> None:  # fmt: skip
    """Two rows of component holes, some joined across."""
    drill = dice.choice((0.8, 0.9, 1.0, 1.1))
    for n in range(5):
        nets = [board.net(), board.net()]
        joined = dice.random() < 0.5
        for row, net in enumerate(nets):
            at = (x + 1.9 + 2.54 * n, y + 2.0 + 5.0 * row)
            board.hole(nets[0] if joined else net, at, round(drill + 0.7, 3), drill, part=True)
        if joined:
            board.track(nets[0], max(width, 0.2), (x + 1.9 + 2.54 * n, y + 2.0),
                        (x + 1.9 + 2.54 * n, y + 7.0))  # fmt: skip


def small_outline(
    board: Board, x: float, y: float, dice: random.Random, width: float, space: float,
    via: tuple[float, float],
) -> None:  # fmt: skip
    """A part of two rows of lands, each with a short track out to every second via."""
    pitch, land = dice.choice(((1.27, 0.6), (0.8, 0.42), (0.65, 0.35), (0.5, 0.27)))
    count = int(6.5 / pitch)
    for n in range(count):
        for sign in (-1, 1):
            at = (x + 7.0 + sign * 2.7, y + 1.3 + pitch * n)
            net = board.net()
            board.land(net, at, Shape("O", (1.4, land)))
            if n % 2 == 0 and pitch > 0.6:
                end = (at[0] + sign * 2.0, at[1])
                board.track(net, min(width, land), at, end)
                board.hole(net, end, *via, part=False)
    for side in (-1, 1):
        board.ink.append(Stroke(0.15, [_p(x + 7 + side * 1.3, y + 1.5),
                                       _p(x + 7 + side * 1.3, y + 7.0)]))  # fmt: skip


CELLS = (bus, bus, chips, chips, pins, small_outline)

# -- faults --------------------------------------------------------------------------------

DESIGN_FAULTS = ("narrow", "tight", "ring", "edge", "web", "ink", "walls")
DATA_FAULTS = ("no-mask", "no-profile", "no-drill", "open-profile", "unknown-command", "no-job")


def plant(board: Board, fault: str, dice: random.Random) -> None:
    """One fault of the design, in the strip below the cells."""
    x = round(dice.uniform(4.0, board.width - 6.0), 2)
    y = 1.9
    if fault == "narrow":
        net = board.net()
        board.track(net, dice.choice((0.05, 0.07, 0.09, 0.11)), (x, y), (x + 1.5, y))
        for end in (x, x + 1.5):
            board.land(net, (end, y), disc(0.6))
    elif fault == "tight":
        gap = dice.choice((0.05, 0.06, 0.07, 0.08, 0.09, 0.1, 0.11, 0.12))
        for n in range(2):
            net, level, end = board.net(), y + n * (0.2 + gap), x + n * 2.0
            board.land(net, (end - 1 + 2 * n, level), disc(0.6))
            board.track(net, 0.2, (end - 1 + 2 * n, level), (x + 2 - 2 * n, level))
    elif fault == "ring":
        board.hole(board.net(), (x, y), round(0.3 + 2 * dice.choice((0.06, 0.1, 0.12)), 3), 0.3,
                   part=False)  # fmt: skip
    elif fault == "edge":
        board.track(board.net(), 0.2, (x, round(dice.choice((0.2, 0.25, 0.3)), 3)), (x + 2, 0.3))
    elif fault == "web":
        for n in range(2):
            board.land(board.net(), (x + n * (0.4 + dice.choice((0.13, 0.15, 0.18))), y),
                       Shape("R", (0.4, 0.8)))  # fmt: skip
    elif fault == "ink":
        board.ink.append(Stroke(dice.choice((0.06, 0.08, 0.1)), [_p(x, y), _p(x + 1.5, y)]))
    elif fault == "walls":
        for n in range(2):
            at = _p(x + n * (1.0 + dice.choice((0.1, 0.15, 0.2))), y)
            board.holes.append((Hit(1.0, at, "NonPlated,NPTH,MechanicalDrill"), False))
            board.cuts.append(Flash(disc(2.0), at, "AntiPad", dark=False))


# -- files ---------------------------------------------------------------------------------


def drawn(dice: random.Random, style: Style) -> tuple[Board, list[str]]:
    """A board and its faults of the data."""
    columns, rows = dice.choice(((1, 1), (2, 1), (2, 2), (3, 2), (3, 3), (2, 3)))
    layers = dice.choice(style.layers)
    board = Board(columns * CELL[0] + 2, rows * CELL[1] + 4, layers, dice.choice(style.clearances))
    for layer in (1, *range(2, layers + 1)):
        board.copper.setdefault(layer, [])
    width, space, via = (dice.choice(c) for c in (style.widths, style.spaces, style.vias))
    for column in range(columns):
        for row in range(rows):
            cell = dice.choice(CELLS)
            cell(board, 1 + column * CELL[0], 3 + row * CELL[1], dice, width, space, via)
    wrong: list[str] = []
    if dice.random() < style.faults:
        for _ in range(dice.choice((1, 1, 2, 3))):
            if dice.random() < 0.75:
                plant(board, dice.choice(DESIGN_FAULTS), dice)
            else:
                wrong.append(dice.choice(DATA_FAULTS))
    return board, wrong


def files(board: Board, name: str, wrong: list[str]) -> dict[str, bytes]:
    """File name to content."""
    w, h = board.width, board.height
    edge = [_p(EDGE, EDGE), _p(w - EDGE, EDGE), _p(w - EDGE, h - EDGE), _p(EDGE, h - EDGE)]
    layers: list[tuple[str, str, str, list[Item]]] = []
    for number in range(1, board.layers + 1):
        side = "Top" if number == 1 else "Bot" if number == board.layers else "Inr"
        items = list(board.copper[number])
        if number > 1:
            items = [Region(edge, "Conductor", f"POUR{number}"), *board.cuts, *items]
        layers.append((f"copper-{number}", f"Copper,L{number},{side}", "Positive", items))
    if "no-mask" not in wrong:
        layers.append(("mask-top", "Soldermask,Top", "Negative", board.mask[1]))
    layers.append(("mask-bottom", "Soldermask,Bot", "Negative", board.mask[2]))
    layers.append(("legend-top", "Legend,Top", "Positive", board.ink))
    layers.append(("paste-top", "Paste,Top", "Positive", board.paste))
    corners = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h)]
    if "no-profile" not in wrong:
        end = (0.0, 1.5) if "open-profile" in wrong else (0.0, 0.0)
        layers.append(("profile", "Profile,NP", "", [Stroke(0.1, [*corners, end], "Profile")]))
    out: dict[str, bytes] = {}
    listed = []
    for stem, function, polarity, items in layers:
        attributes = [f"FileFunction,{function}"]
        if polarity:
            attributes.append(f"FilePolarity,{polarity}")
        text = gerber([_moved(item) for item in items], attributes)
        text = text.replace("Tide logger, harbour office of Port Ellery", name)
        if "unknown-command" in wrong and stem == "copper-1":
            text = text.replace("M02*", "G97*\nM02*")
        out[f"{name}-{stem}.gbr"] = text.encode()
        listed.append((f"{name}-{stem}.gbr", function, polarity))
    for stem, plated in (("drill-plated", True), ("drill-unplated", False)):
        hits = [Hit(hit.diameter, _shift(hit.at), hit.function) for hit, p in board.holes
                if p is plated]  # fmt: skip
        if not hits or "no-drill" in wrong:
            continue
        kind = f"Plated,1,{board.layers},PTH" if plated else f"NonPlated,1,{board.layers},NPTH"
        out[f"{name}-{stem}.drl"] = excellon(hits, [f"FileFunction,{kind}"]).encode()
        listed.append((f"{name}-{stem}.drl", kind, "Positive"))
    if "no-job" not in wrong:
        job = json.loads(job_file(name, (w, h), 1.6, board.layers, listed))
        if board.layers == 2:
            stack = job["MaterialStackup"]
            job["MaterialStackup"] = [*stack[:3], *stack[-2:]]
            job["MaterialStackup"][2] |= {"Thickness": 1.49, "Name": "L1/L2"}
            job["MaterialStackup"][3] |= {"Name": "L2"}
        out[f"{name}.gbrjob"] = (json.dumps(job, indent=1) + "\n").encode()
    return out


def _shift(at: Point) -> Point:
    return (round(at[0] + CORNER[0], 4), round(at[1] + CORNER[1], 4))


def _moved(item: Item) -> Item:
    if isinstance(item, Flash):
        return Flash(item.shape, _shift(item.at), item.function, item.net, item.pin, item.dark)
    path = [_shift(at) for at in item.path]  # type: ignore[arg-type]
    if isinstance(item, Region):
        return Region(path, item.function, item.net, item.dark)
    return Stroke(item.width, path, item.function, item.net, item.dark)


def write(folder: Path, count: int, seed: int = 1) -> None:
    """Write ``count`` packages below ``folder``."""
    for number in range(count):
        dice = random.Random(f"{seed}/{number}")
        style = dice.choice(STYLES)
        name = f"board-{number:04d}"
        place = folder / style.name
        place.mkdir(parents=True, exist_ok=True)
        content = files(*_named(dice, style, name))
        if dice.random() < 0.1:  # as a folder, its drill files sometimes in one of their own
            apart = dice.random() < 0.3
            for file, data in content.items():
                inner = ("drill" if file.endswith(".drl") else "layers") if apart else ""
                path = place / name / inner / file
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
            continue
        packed = _zipped(content)
        if dice.random() < 0.006:
            packed = packed[: len(packed) // 2]
        (place / f"{name}.zip").write_bytes(packed)


def _named(dice: random.Random, style: Style, name: str) -> tuple[Board, str, list[str]]:
    board, wrong = drawn(dice, style)
    return board, name, wrong


def _zipped(content: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for file, data in content.items():
            archive.writestr(zipfile.ZipInfo(file, (2026, 1, 12, 8, 0, 0)), data,
                             zipfile.ZIP_DEFLATED)  # fmt: skip
    return out.getvalue()


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args(arguments)
    write(given.folder, given.count, given.seed)
    print(f"{given.count} packages in {given.folder}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
