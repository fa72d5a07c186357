"""Do the files fit each other? Holes against lands, repeats, copper outside, job facts."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.board.model import Board
from dfmcheck.board.nets import holes_met
from dfmcheck.board.register import register_checks
from dfmcheck.formats.jobfile import JobFile
from dfmcheck.terms import Defect, Weight

_FEW = 5


def datum_checks(board: Board) -> list[Defect]:
    """Defects that only show when the files are laid over each other."""
    slipped = register_checks(board)
    known = {defect.file for defect in slipped}
    unmet = [defect for defect in _holes_on_lands(board) if defect.file not in known]
    return [*slipped, *unmet, *_repeated_hits(board), *_outside(board)]


def _holes_on_lands(board: Board) -> list[Defect]:
    """Plated holes should meet copper on an outer layer; if most do not, a datum slipped.

    This is the check of last resort, where no simple move explains what is seen.
    """
    holes = board.holes
    out: list[Defect] = []
    if not board.copper:
        return out
    met = np.zeros(len(holes), dtype=np.bool_)
    for layer in (board.copper[0], board.copper[-1]):
        met[holes_met(holes, layer.image)[1]] = True
    for n, name in enumerate(board.drill_files):
        rows = np.flatnonzero((holes.file == n) & (holes.plated == 1))
        if len(rows) < _FEW:
            continue
        share = float(met[rows].mean())
        if share < 0.5:
            out.append(
                Defect(
                    "data.datum-offset", Weight.HOLD,
                    f"only {share:.0%} of {len(rows)} plated holes meet copper on an outer layer",
                    "nearly all of them",
                    "Offset, scale, mirror or units of this file or of the copper are in doubt: "
                    "ask for data on one datum.",
                    name,
                )
            )  # fmt: skip
    return out


def _repeated_hits(board: Board) -> list[Defect]:
    h = board.holes
    if len(h) < 2:
        return []
    key = np.round(np.stack([h.x0, h.y0, h.x1, h.y1], axis=-1) / 1e-4).astype(np.int64)
    key = np.concatenate([key, h.first[:, None], h.last[:, None]], axis=1)
    order = np.lexsort(key.T)
    same = (key[order][1:] == key[order][:-1]).all(axis=1)
    rows = order[1:][same]
    out: list[Defect] = []
    for n in np.unique(h.file[rows]).tolist():
        mine = rows[h.file[rows] == n]
        k = int(mine[np.argmin(h.line[mine])])
        out.append(
            Defect(
                "data.hits-duplicate", Weight.QUERY,
                f"{len(mine)} hits at a place that is already drilled",
                "each hole once", "Drop the repeats, or ask which size holds.",
                board.drill_files[n], int(h.line[k]),
                x=float(h.x0[k] - board.origin[0]), y=float(h.y0[k] - board.origin[1]),
            )
        )  # fmt: skip
    return out


def _outside(board: Board) -> list[Defect]:
    profile = board.profile
    if profile is None or profile.area.is_empty:
        return []
    out: list[Defect] = []
    shapely.prepare(profile.area)
    for layer in board.copper:
        image = layer.image
        if len(image.parts) == 0:
            continue
        away = np.flatnonzero(shapely.disjoint(profile.area, image.parts))
        if len(away) == 0:
            continue
        first = int(away[0])
        piece = int(np.flatnonzero(image.part == first)[0])
        x, y = shapely.get_coordinates(shapely.point_on_surface(image.parts[first]))[0].tolist()
        # Text and frames are harmless; lands out there mean that profile or copper is wrong,
        # and they are not measured: that must not pass.
        lands = int(image.flash[np.isin(image.part, away)].sum())
        pieces = "1 piece" if len(away) == 1 else f"{len(away)} pieces"
        among = "no land" if lands == 0 else "1 land" if lands == 1 else f"{lands} lands"
        out.append(
            Defect(
                "data.outside-profile", Weight.QUERY if lands else Weight.NOTE,
                f"{pieces} of copper wholly outside the profile, {among} among them, not measured",
                "copper inside it only",
                "They are cut away with the panel; ask if they were meant to stay.",
                image.file, int(image.line[piece]), layer.name,
                x - board.origin[0], y - board.origin[1],
            )
        )  # fmt: skip
    return out


def job_checks(board: Board, job: JobFile) -> list[Defect]:
    """Facts of the job file held against the layers."""
    out: list[Defect] = []

    def differs(found: str, expected: str) -> None:
        out.append(
            Defect(
                "data.job-contradiction", Weight.QUERY, found, expected,
                "Ask which of the two holds.",
            )
        )  # fmt: skip

    if job.layer_count and job.layer_count != len(board.copper):
        differs(
            f"{len(board.copper)} conductor layers in the package",
            f"{job.layer_count} as the job file states",
        )
    if job.size_x and job.size_y and board.profile and not board.profile.area.is_empty:
        x0, y0, x1, y1 = board.profile.area.bounds
        # The job file may state the size over the drawn line's width.
        if abs((x1 - x0) - job.size_x) > 0.5 or abs((y1 - y0) - job.size_y) > 0.5:
            differs(
                f"a profile of {x1 - x0:.3f} × {y1 - y0:.3f} mm",
                f"{job.size_x:g} × {job.size_y:g} mm as the job file states",
            )
    return out
