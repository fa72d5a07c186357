"""Puts the board together: layers in order, holes, profile and nets on one datum."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from importlib import import_module
from multiprocessing import get_context

import numpy as np
import shapely

from dfmcheck.board.attribute_checks import attribute_checks
from dfmcheck.board.checks import datum_checks, job_checks
from dfmcheck.board.drilling import read_drilling
from dfmcheck.board.holes import decide_plating
from dfmcheck.board.load import Loaded, load_gerber, unreadable
from dfmcheck.board.model import Board, Holes, Layer, Profile, Scores
from dfmcheck.board.net_attributes import compare_attributes
from dfmcheck.board.netlist_join import join_netlists, read_netlists
from dfmcheck.board.nets import connect, joined_nets
from dfmcheck.board.profile import read_profile, read_scores
from dfmcheck.board.thickness import board_thickness
from dfmcheck.errors import FormatError, PackageError
from dfmcheck.formats.jobfile import JobFile, read_job
from dfmcheck.geometry.budget import MOST_POINTS_IN_ALL
from dfmcheck.intake import Package, PackageFile
from dfmcheck.intake.package import DRILLED
from dfmcheck.terms import Assumption, Defect, FileEntry, Function, Gap, Side

Progress = Callable[[str, int, int], None]
_SIDED = (Function.MASK, Function.LEGEND, Function.PASTE)
_PAINTED = {Function.CONDUCTOR, Function.PLANE, *_SIDED}
_READ = _PAINTED | {Function.PROFILE, Function.SCORE}
_SMALL = 600_000  # bytes; fewer are mostly read before other processes have started


Told = tuple[tuple[Defect, ...], tuple[Assumption, ...]]
"""What reading and checking the files gave."""


def assemble(
    package: Package,
    *,
    thickness: float | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> Board:
    """Read every file that has a role, build the board and hold its files against each other.

    For the parameters see :func:`build`.
    """
    board, checks = build(package, thickness=thickness, workers=workers, progress=progress)
    return checked(board, checks())


def checked(board: Board, told: Told) -> Board:
    """The board with what its checks told, before what was told of it already."""
    defects, assumptions = told
    return replace(
        board, defects=defects + board.defects, assumptions=assumptions + board.assumptions
    )


def build(
    package: Package,
    *,
    thickness: float | None = None,
    thickness_otherwise: float | None = None,
    workers: int = 1,
    progress: Progress | None = None,
    meanwhile: Callable[[], object] = lambda: None,
) -> tuple[Board, Callable[[], Told]]:
    """Read every file that has a role and build the board; its checks are left to be run.

    No measurement needs them, so that they can be run beside the measuring.

    Parameters
    ----------
    thickness : float, optional
        Board thickness in mm when the user states it; otherwise the job file's or the netlist's.
    thickness_otherwise : float, optional
        Board thickness in mm where neither says it.
    workers : int
        Processes for reading and painting layers; the result does not depend on it.
    progress : callable, optional
        Called with a word, files done and files in all.
    meanwhile : callable
        Called once while other processes read the layers, if they do.
    """
    defects: list[Defect] = list(package.defects)
    assumptions: list[Assumption] = list(package.assumptions)
    unread: set[str] = set()
    loaded = _load_all(package, workers, progress, lambda: _ahead(package, meanwhile))
    for item in loaded:
        defects += item.defects
        assumptions += item.assumptions
        if item.image is None and item.artwork is None:
            unread.add(item.name)
    copper = tuple(
        Layer(item.role, item.image)
        for item in sorted(loaded, key=lambda i: (i.role.layer or 0, i.name))
        if item.image is not None and item.role.is_copper
    )
    masks, legends, pastes = (_sided(loaded, function) for function in _SIDED)
    profile, more = _profile(loaded, copper)
    box = _extent(copper, profile)
    # Places are told on the board's datum; until here they were the file's.
    defects = [_on_datum(d, box) for d in (*defects, *more)]
    scores, more = _scores(loaded)
    defects += [_on_datum(d, box) for d in more]
    job, more = _job(package, unread)
    defects += more
    holes, files, roles, drill_defects, drill_assumptions = read_drilling(
        package, loaded, len(copper), box, unread
    )
    defects += drill_defects
    assumptions += drill_assumptions
    holes, more_assumed = decide_plating(holes, copper, files)
    assumptions += more_assumed
    copper, holes, names = connect(copper, holes, workers)
    netlists, more = read_netlists(package, unread)
    defects += more
    gaps = _gaps(package, profile, holes, copper, unread, bool(netlists))
    thick = board_thickness(job, netlists, thickness, thickness_otherwise)
    if thick.evidence is not None:
        assumptions.append(thick.evidence)
    if (profile is None or profile.area.is_empty) and len(holes):
        assumptions.append(
            Assumption(
                "what belongs to the board",
                "for mask and legend, the rectangle round holes and flashed lands, 1 mm wider",
                "the data has no closed profile",
            )
        )
    board = Board(
        name=package.name,
        copper=copper,
        masks=masks,
        holes=holes,
        drill_files=files,
        drill_roles=roles,
        profile=profile,
        origin=(box[0], box[1]) if box else (0.0, 0.0),
        net_names=names,
        net_joined=joined_nets(copper, masks, holes, len(names)),
        thickness=thick.value,
        data_thickness=thick.in_data,
        files=tuple(_entry(f, f.name not in unread) for f in package.files),
        gaps=tuple(gaps),
        defects=(),
        assumptions=(),
        legends=legends,
        pastes=pastes,
        scores=scores,
        unit=_unit(loaded),
    )

    def checks() -> Told:
        found = [*defects, *datum_checks(board), *attribute_checks(board, loaded)]
        if job is not None:
            found += job_checks(board, job)
        by_name, copies = compare_attributes(board)
        return (*found, *by_name), (*assumptions, *copies)

    return _inside_profile(join_netlists(board, netlists)), checks


def _sided(loaded: Sequence[Loaded], function: Function) -> tuple[Layer, ...]:
    """Layers of one function, top side first."""
    return tuple(
        Layer(item.role, item.image)
        for item in sorted(loaded, key=lambda i: (i.role.side is not Side.TOP, i.name))
        if item.image is not None and item.role.function is function
    )


def _on_datum(defect: Defect, box: tuple[float, float, float, float] | None) -> Defect:
    if box is None or defect.x is None or defect.y is None:
        return defect
    return replace(defect, x=defect.x - box[0], y=defect.y - box[1])


def _inside_profile(board: Board) -> Board:
    """The board without what lies wholly outside its profile: titles, frames, tables.

    What is left out was reported by the checks before (``data.outside-profile``).
    """
    if board.profile is None or board.profile.area.is_empty:
        return board
    area = board.profile.area
    shapely.prepare(area)

    def inside(layers: Sequence[Layer]) -> tuple[Layer, ...]:
        return tuple(
            layer.keep_parts(np.asarray(shapely.intersects(area, layer.image.parts)))
            if len(layer.image.parts)
            else layer
            for layer in layers
        )

    return replace(board, copper=inside(board.copper), masks=inside(board.masks))


def _ahead(package: Package, meanwhile: Callable[[], object]) -> None:
    """What can be done while other processes read the layers."""
    meanwhile()
    if any(file.role.function is Function.NETLIST for file in package.files):
        import_module("scipy.spatial")  # loads slowly; points of a netlist are looked up with it


def _load_all(
    package: Package,
    workers: int,
    progress: Progress | None,
    meanwhile: Callable[[], object],
) -> list[Loaded]:
    wanted = [
        f
        for f in package.files
        if f.role.function in _READ or (f.role.function in DRILLED and f.format == "gerber")
    ]
    lists = [
        f.data.decode("latin-1") for f in package.files if f.role.function is Function.APERTURES
    ]
    beside = "\n".join(lists) or None
    jobs = [(f.name, f.data, f.role, f.role.function in _PAINTED, beside) for f in wanted]
    total = len(jobs)
    if workers <= 1 or total < 2 or sum(len(f.data) for f in wanted) < _SMALL:
        out = []
        points = 0
        for n, job in enumerate(jobs, start=1):
            out.append(load_gerber(*job))
            points = _all_points(points, out[-1], package.name)
            if progress:
                progress("reading layers", n, total)
        return out
    # Largest first keeps both workers busy to the end; the order of results stays fixed.
    by_size = sorted(range(total), key=lambda i: -len(jobs[i][1]))
    results: dict[int, Loaded] = {}
    points = 0
    with ProcessPoolExecutor(workers, mp_context=get_context("fork")) as pool:
        futures = {pool.submit(load_gerber, *jobs[i]): i for i in by_size}
        meanwhile()
        for n, future in enumerate(as_completed(futures), start=1):
            results[futures[future]] = loaded = future.result()
            try:
                points = _all_points(points, loaded, package.name)
            except PackageError:
                pool.shutdown(wait=False, cancel_futures=True)
                raise
            if progress:
                progress("reading layers", n, total)
    return [results[i] for i in range(total)]


def _all_points(before: int, loaded: Loaded, name: str) -> int:
    """Outline points kept so far; PackageError where the layers together hold too many."""
    if loaded.image is None:
        return before
    points = before + loaded.image.pieces.count_points()
    if points > MOST_POINTS_IN_ALL:
        raise PackageError(
            f"the layers have more than {MOST_POINTS_IN_ALL:,} outline points together",
            "the layers of one board",
            "Screen one board rather than a panel of many, or fewer layers at a time",
            file=name,
        )
    return points


def _profile(
    loaded: Sequence[Loaded], copper: Sequence[Layer]
) -> tuple[Profile | None, tuple[Defect, ...]]:
    outer = (copper[0].image, copper[-1].image) if copper else ()
    lands = np.concatenate(
        [np.empty((0, 2)), *(np.stack([i.x[i.flash], i.y[i.flash]], axis=-1) for i in outer)]
    )
    defects: list[Defect] = []
    best: Profile | None = None
    for item in loaded:
        if item.role.function is not Function.PROFILE or item.artwork is None:
            continue
        profile, found = read_profile(item.artwork, lands)
        defects += found
        if profile and (best is None or profile.area.area > best.area.area):
            best = profile
    return best, tuple(defects)


def _scores(loaded: Sequence[Loaded]) -> tuple[tuple[Scores, ...], tuple[Defect, ...]]:
    scores: list[Scores] = []
    defects: list[Defect] = []
    for item in loaded:
        if item.role.function is Function.SCORE and item.artwork is not None:
            lines, found = read_scores(item.artwork)
            scores.append(lines)
            defects += found
    return tuple(scores), tuple(defects)


def _unit(loaded: Sequence[Loaded]) -> str:
    units = Counter(item.unit for item in loaded if item.unit)
    return units.most_common(1)[0][0] if units else ""


def _extent(
    copper: Sequence[Layer], profile: Profile | None
) -> tuple[float, float, float, float] | None:
    if profile is not None:
        if not profile.area.is_empty:
            x0, y0, x1, y1 = profile.area.bounds
            return x0, y0, x1, y1
        e = profile.edges
        x, y = np.concatenate([e.x0, e.x1]), np.concatenate([e.y0, e.y1])
        return float(x.min()), float(y.min()), float(x.max()), float(y.max())
    parts = [layer.image.parts for layer in copper if len(layer.image.parts)]
    if not parts:
        return None
    x0, y0, x1, y1 = shapely.total_bounds(np.concatenate(parts)).tolist()
    return x0, y0, x1, y1


def _job(package: Package, unread: set[str]) -> tuple[JobFile | None, tuple[Defect, ...]]:
    for file in package.files:
        if file.role.function is Function.JOB:
            try:
                job = read_job(file.data, file.name)
            except FormatError as error:
                unread.add(file.name)
                return None, (unreadable(file.name, error),)
            return job, tuple(job.defects)
    return None, ()


def _gaps(
    package: Package,
    profile: Profile | None,
    holes: Holes,
    copper: Sequence[Layer],
    unread: set[str],
    netlist: bool,
) -> list[Gap]:
    gaps: list[Gap] = []
    functions = {f.role.function for f in package.files}
    many = len(copper) > 2
    if profile is None:
        ids = ["rout.copper-to-profile"] + ["press.copper-to-profile"] * many
        gaps += [Gap(id_, "", "no profile could be read") for id_ in ids]
    if profile is None or profile.area.is_empty:
        ids = ["etch.copper-share", "etch.local-share-spread"]
        ids += ["rout.inner-radius", "rout.slot-width", "rout.web"]
        ids += ["rout.board-size-largest", "rout.board-size-smallest"]
        if len(holes):
            ids += ["drill.hole-to-profile", "drill.castellation", "plate.isolation"]
        if many:
            ids += ["press.copper-balance", "press.facing-share", "press.stacked-copper"]
        reason = "no profile could be read" if profile is None else "the profile does not close"
        gaps += [Gap(id_, "", reason) for id_ in ids]
    if Function.NETLIST in functions and not netlist:
        gaps.append(Gap("", "netlist", "no netlist could be read to compare with the copper"))
    gaps += [Gap("", name, "the file could not be read") for name in sorted(unread)]
    if not copper:
        gaps.append(Gap("", "", "no conductor layer could be read"))
    if copper and len(holes) == 0:
        gaps.append(Gap("plate.annular-ring", "", "no hole could be read"))
        gaps.append(Gap("drill.hole-to-copper", "", "no hole could be read"))
    return gaps


def _entry(file: PackageFile, read: bool) -> FileEntry:
    return FileEntry(
        file.name, str(file.role), file.format, file.confidence, tuple(file.evidence),
        len(file.data), read,
    )  # fmt: skip
