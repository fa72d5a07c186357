"""Plants opens and shorts in boards that come with a netlist, and counts what is found where.

Every plant is text added to (or a hit taken from) the package's own files, so that reading,
painting, connecting and comparing are all tested. A plant counts as found when one defect names
its net or nets, lies at its place, and tells its width; anything else that the board did not
tell before is counted as a false change.

    python -m benchmarks.nets.planted --boards ../shared/boards --out planted.jsonl

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
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.nets.plants import Plant, Subject, opens, shorts, sign
from dfmcheck.board.assemble import assemble
from dfmcheck.intake import open_package
from dfmcheck.terms import Defect

NAMES = ("sbc-10-layer", "four-layer-netlist")
BATCH = 16  # plants put into one board, all on nets of their own
_FREE = 1.0  # mm between plants of one batch
_CODE = 7001  # D-codes from here on are not used by the boards


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
    new = [d for d in defects if sign(d) not in subject.told]
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
