"""The whole run up to measurements: package → artwork → board → measurements."""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from dfmcheck import __version__
from dfmcheck.board.assemble import Told, build, checked
from dfmcheck.board.model import Board
from dfmcheck.board.voltages import Voltages, with_voltages
from dfmcheck.intake import Package, open_package, select_board
from dfmcheck.measure.drawing import drawing_of
from dfmcheck.measure.facts import board_facts
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import measure_functions, rules, searches
from dfmcheck.measure.screening import Facts, FileEntry, Gap, Screening

Progress = Callable[[str, int, int], None]
DEFAULT_REACH = 0.25
"""How far values are listed (mm) where no shop asks for more."""


def inspect(
    path: Path, *, roles: Mapping[str, str] | None = None, board: str | None = None
) -> Screening:
    """What the package holds: files, roles and their evidence; nothing is measured.

    Raises PackageError when it cannot be opened, UsageError for a role that does not fit.
    """
    return _listed(_open(path, roles, board))


def _listed(package: Package) -> Screening:
    files = tuple(
        FileEntry(f.name, str(f.role), f.format, f.confidence, tuple(f.evidence), len(f.data))
        for f in package.files
    )
    return Screening(
        package.name, files, Facts(), Places.empty(), {}, (), (),
        tuple(package.defects), tuple(package.assumptions), __version__,
    )  # fmt: skip


@contextmanager
def _collector_off() -> Iterator[None]:
    """Geometry arrays hold no reference cycles, and walking millions of them costs a fifth of
    the run: the cyclic collector rests while a screen is made."""
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()


@_collector_off()
def screen(
    path: Path,
    *,
    roles: Mapping[str, str] | None = None,
    board: str | None = None,
    thickness: float | None = None,
    thickness_otherwise: float | None = None,
    copper_um: float | None = None,
    reach: Mapping[str, float] | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    drawing: bool = False,
    voltages: Voltages | None = None,
) -> Screening:
    """Open, read, assemble and measure one package.

    Parameters
    ----------
    path : Path
        Folder, archive or file.
    roles : mapping of file name to role text
        Roles the user settles.
    board : str, optional
        Name prefix of the board to screen where the package holds several.
    thickness : float, optional
        Board thickness, mm, in place of what the data says.
    thickness_otherwise : float, optional
        Board thickness, mm, where the data says nothing.
    copper_um : float, optional
        Finished copper, µm; recorded as a fact.
    reach : mapping of rule id to mm
        How far values are to be listed, at least 0.25 mm.
    workers : int, optional
        Processes; all cores by default. The result does not depend on it.
    drawing : bool
        Keep the board's drawing, for a report that shows it.
    voltages : Voltages, optional
        Peak volts of nets; without them spacing by voltage is not measured.

    Raises
    ------
    PackageError, UsageError
    """
    workers = workers or os.cpu_count() or 1
    package = _open(path, roles, board)
    if len(package.boards) > 1:
        return _several(package)
    model, checks = build(
        package, thickness=thickness, thickness_otherwise=thickness_otherwise, workers=workers,
        progress=progress, meanwhile=rules,
    )  # fmt: skip
    known = rules()
    functions = [id_ for id_ in measure_functions() if voltages or not known[id_].opt_in]
    if voltages is not None:
        model = with_voltages(model, voltages)
    far = {id_: max((reach or {}).get(id_, 0.0) * 1.001, DEFAULT_REACH) for id_ in functions}
    places, facts, told = _measure_all(model, checks, far, copper_um, workers, progress)
    model = checked(model, told)
    gaps = list(model.gaps)
    plated = bool((model.holes.plated == 1).any())
    if model.thickness is None and plated:
        gaps.append(
            Gap(
                "drill.aspect-ratio", "",
                "the board's thickness is not stated in the data; give it with --thickness",
            )
        )  # fmt: skip
    if voltages is not None and not np.isfinite(model.volts).any():
        gaps.append(Gap("etch.voltage-spacing", "", "no net of the board has a stated voltage"))
    return Screening(
        package=package.name,
        files=model.files,
        facts=facts,
        places=places,
        reach=far,
        measured=_measured(model, set(functions), gaps),
        gaps=tuple(gaps),
        defects=model.defects,
        assumptions=model.assumptions,
        made_by=__version__,
        drawing=drawing_of(model) if drawing else None,
    )


def _several(package: Package) -> Screening:
    """Boards laid over each other would only give nonsense: nothing is measured."""
    gap = Gap(
        "", "",
        f"the package holds several boards ({', '.join(package.boards)}); screen one at a time "
        "with --board",
    )  # fmt: skip
    return replace(_listed(package), gaps=(gap,))


def _open(path: Path, roles: Mapping[str, str] | None, board: str | None) -> Package:
    package = open_package(path, roles=roles or {})
    return select_board(package, board) if board else package


_BOARD: Board | None = None
_CHECKS: Callable[[], Told] | None = None
_BY_LAYER = ("copper", "outer", "inner")
_SMALL = 20_000  # edges; fewer are measured before other processes have started
_LONGEST = {"mask": -3, "legend": -2, "paste": -1}


Task = tuple[int, tuple[str, ...], float]
"""Number of a search, ids of the rules it serves, reach."""


def _given(board: Board, checks: Callable[[], Told]) -> None:
    """Runs as a worker starts: it inherits both, and nothing is sent."""
    global _BOARD, _CHECKS
    _BOARD, _CHECKS = board, checks


def _measure_some(tasks: tuple[Task, ...], layer: int) -> list[tuple[tuple[int, int], Places]]:
    """Runs in a worker that inherited the board."""
    assert _BOARD is not None
    return _measure_on(_BOARD, tasks, layer)


def _measure_on(
    board: Board, tasks: tuple[Task, ...], layer: int
) -> list[tuple[tuple[int, int], Places]]:
    """Some searches on one copper layer; ``layer`` -1 measures the board as a whole."""
    view = _view(board, layer)
    functions = measure_functions()
    return [((n, layer), functions[ids[0]](view, far)) for n, ids, far in tasks]


def _checks() -> Told:
    assert _CHECKS is not None
    return _CHECKS()


def _facts(copper_um: float | None) -> Facts:
    """Runs in a worker as well: what the finish covers takes as long as a large search."""
    assert _BOARD is not None
    return board_facts(_BOARD, copper_um)


def _jobs(board: Board, tasks: list[Task], workers: int) -> list[tuple[tuple[Task, ...], int]]:
    """Tasks shared out, with the copper layer each job looks at.

    What looks at the whole board goes first, as nothing tells how long it takes; then the
    layers, the fullest first. One worker does all of a layer, or all that looks at the mask,
    and looks up the outlines once, where there are layers enough to keep all workers busy.
    """
    known = rules()
    kinds: dict[str, list[Task]] = {}
    for task in tasks:
        kinds.setdefault(known[task[1][0]].looks_at, []).append(task)
    whole = [tuple(some) for kind, some in kinds.items() if kind not in _BY_LAYER]
    single = tuple(t for t in tasks if known[t[1][0]].looks_at in _BY_LAYER)
    sizes = [len(layer.image.edges) for layer in board.copper]
    layers = sorted(range(len(sizes)), key=lambda i: -sizes[i]) if single else []
    if len(layers) >= 2 * workers:
        whole.sort(key=lambda some: _LONGEST.get(known[some[0][1][0]].looks_at, 0))
        shares = [single]
    else:
        whole = [(t,) for some in whole for t in some]
        shares = [(t,) for t in single]
    return [(some, -1) for some in whole] + [(share, n) for n in layers for share in shares]


def _measure_all(
    board: Board,
    checks: Callable[[], Told],
    reach: Mapping[str, float],
    copper_um: float | None,
    workers: int,
    progress: Progress | None,
) -> tuple[Places, Facts, Told]:
    tasks = [
        (function, ids, max(reach[id_] for id_ in ids))
        for function, ids in searches().items()
        if all(id_ in reach for id_ in ids)
    ]
    size = sum(len(layer.image.edges) for layer in board.copper + board.masks)
    if size < _SMALL:
        workers = 1
    jobs = _jobs(board, [(n, ids, far) for n, (_, ids, far) in enumerate(tasks)], workers)
    parts: dict[tuple[int, int], Places] = {}
    total = sum(len(some) for some, _ in jobs)

    def take(some: list[tuple[tuple[int, int], Places]]) -> None:
        parts.update(some)
        if progress:
            progress("measuring", len(parts), total)

    if workers <= 1:
        for job in jobs:
            take(_measure_on(board, *job))
        facts, told = board_facts(board, copper_um), checks()
    else:
        fork = get_context("fork")
        with ProcessPoolExecutor(workers, fork, _given, (board, checks)) as pool:
            found, covered = pool.submit(_checks), pool.submit(_facts, copper_um)
            futures = [pool.submit(_measure_some, *job) for job in jobs]
            for future in as_completed(futures):
                take(future.result())
            facts, told = covered.result(), found.result()
    return Places.concat([parts[key] for key in sorted(parts)]), facts, told


def _view(board: Board, layer: int) -> Board:
    """The board with one copper layer to look at; position() still knows the whole stack."""
    return board if layer < 0 else board.only(layer)


def _measured(board: Board, ids: set[str], gaps: list[Gap]) -> tuple[tuple[str, str], ...]:
    missing = {gap.rule for gap in gaps if gap.rule}
    layers = {
        "copper": [layer.name for layer in board.copper],
        "outer": [layer.name for layer in board.copper if board.position(layer) == "outer"],
        # a board without inner layers has nothing there that was left unmeasured
        "inner": [layer.name for layer in board.copper if board.position(layer) == "inner"]
        or [""] * bool(board.copper),
        "stack": [""],
        "mask": [layer.name for layer in board.masks],
        "legend": [layer.name for layer in board.legends],
        "paste": [layer.name for layer in board.pastes],
        "drill": list(dict.fromkeys(board.drill_roles)),
        "package": [""],
    }
    known = rules()
    return tuple(
        (id_, layer) for id_ in sorted(ids - missing) for layer in layers[known[id_].looks_at]
    )
