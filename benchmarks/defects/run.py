"""Plants, screens and scores; results go to an append-only file, so a run can be resumed."""

from __future__ import annotations

import json
import os
import time
import traceback
import zlib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from benchmarks.defects.plant import Aim, NoPlace, Planter
from benchmarks.defects.planters import planters
from benchmarks.defects.score import Result, judge_plant
from benchmarks.defects.site import Site, look, plants_shop
from dfmcheck.measure.rule import rules

TRIES = 4
"""So many draws of the dice before a board is said to have no place for a plant."""

_SITES: dict[str, Site] = {}


def site(board: str) -> Site:
    """The board, read once per process."""
    if board not in _SITES:
        _SITES[board] = Site(board, plants_shop())
    return _SITES[board]


def load_results(path: Path) -> dict[tuple[str, str, int], Result]:
    """Results by plant; where a plant was done twice the later one counts."""
    out: dict[tuple[str, str, int], Result] = {}
    if path.exists():
        for row in path.read_text().splitlines():
            if row.strip():
                result = Result(**json.loads(row))
                out[result.key] = result
                if result.gone:
                    del out[result.key]
    return out


def _append(path: Path, result: Result) -> None:
    row = json.dumps(result.plain(), ensure_ascii=False) + "\n"
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        os.write(handle, row.encode())  # one write: rows of two processes do not mix
    finally:
        os.close(handle)


def aims(kind: Planter, board: Site, repeats: int) -> Iterator[tuple[int, Aim]]:
    """What to plant on one board, numbered: every size ``repeats`` times."""
    rule = rules()[kind.rule]
    limit = 0.0 if kind.rule.startswith("data.") else board.limit(kind.rule)
    number = 0
    for _ in range(repeats):
        for size in kind.sizes:
            yield number, Aim(size, limit, rule.direction, rule.unit)
            number += 1


def do_one(board: str, name: str, seed: int, repeats: int, path: Path, redo: bool) -> list[Result]:
    """All plants of one kind on one board that are not done yet."""
    kind = planters()[name]
    done = load_results(path)
    out: list[Result] = []
    try:
        place = site(board)
        wanted = list(aims(kind, place, repeats))
    except NoPlace:
        return out
    for number, aim in wanted:
        key = zlib.crc32(f"{board}/{name}/{number}".encode())
        rng = np.random.default_rng([seed, key])
        plant = None
        trouble = ""
        for _ in range(TRIES):
            try:
                plant = kind.plant(place, rng, aim)
                break
            except NoPlace:
                continue
            except Exception:
                trouble = traceback.format_exc(limit=-2)
                break
        if plant is None:
            known = (board, name, number) in done
            if trouble or known:
                result = Result(name, kind.rule, board, number, aim.size, aim.past, "")
                result.error, result.gone = trouble, not trouble
                _append(path, result)
                if trouble:
                    out.append(result)
            continue
        digest = plant.digest()
        before = done.get((board, name, number))
        if before is not None and before.digest == digest and not before.error and not redo:
            out.append(before)
            continue
        result = Result(name, kind.rule, board, number, aim.size, aim.past, digest)
        start = time.perf_counter()
        files = dict(place.files)
        for file, data in plant.files.items():
            if data is None:
                files.pop(file, None)
            else:
                files[file] = data
        try:
            judgement = look(files, place.shop, plant.voltages)
            judge_plant(result, plant, judgement.findings, place.base,
                        plant.origin or place.origin, place.origin)  # fmt: skip
        except Exception:
            result.error = traceback.format_exc(limit=-3)
        result.seconds = round(time.perf_counter() - start, 2)
        _append(path, result)
        out.append(result)
    return out


def run(
    boards: Sequence[str],
    names: Sequence[str],
    seed: int,
    repeats: int,
    path: Path,
    workers: int,
    redo: bool,
) -> list[Result]:
    """Every kind on every board; a process takes one (board, kind) at a time."""
    # Rules mixed, so that a run broken off early has looked at all of them.
    mixed = sorted(names, key=lambda name: zlib.crc32(name.encode()))
    jobs = [(board, name) for name in mixed for board in boards]
    if workers <= 1:
        return [r for board, name in jobs for r in do_one(board, name, seed, repeats, path, redo)]
    out: list[Result] = []
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
        futures = {
            pool.submit(do_one, board, name, seed, repeats, path, redo): (board, name)
            for board, name in jobs
        }
        for n, future in enumerate(as_completed(futures), start=1):
            board, name = futures[future]
            mine = future.result()
            out += mine
            tell = f"{n}/{len(jobs)} {board} {name}: {len(mine)} plants"
            missed, false = sum(r.missed for r in mine), sum(len(r.false) for r in mine)
            wrong = sum(bool(r.error) for r in mine)
            print(f"{tell}, missed {missed}, false {false}, errors {wrong}", flush=True)
    return out
