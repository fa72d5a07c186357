"""Lays every file over the others: drill and mask on copper, copper on holes, profile round all.

Nothing is moved: what does not fit is reported, with the move that would make it fit.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.datum import (
    SAME_PLACE,
    SCALES,
    Fit,
    Move,
    distinct,
    find_move,
    steady_offset,
)
from dfmcheck.board.model import Board, Holes, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.image import Image
from dfmcheck.terms import Defect, Side, Weight

Floats = npt.NDArray[np.float64]

FEW = 4
"""Fewer points than this tell nothing."""
_HELD = 0.99  # a profile that is right holds this share of lands and holes
_SMALL = 0.2  # lands and holes take a larger part than this of a true profile's side
_LAND_AREA = 100.0  # mm²: a larger painted area is a pour, not a land
_CAUSE = {
    10.0: "a digit place or the suppressed zeros were read otherwise than written",
    25.4: "inch and millimetre were confused",
}


def register_checks(board: Board) -> list[Defect]:
    """Defects of files that do not lie on the datum of the others.

    Every drill file is laid on the lands of all copper, then every copper layer on the holes,
    every mask on the lands below it, last the profile round them. What was found to be off is
    moved for the comparisons that follow, so that one slip is told of once.
    """
    out: list[Defect] = []
    lands = [centres(layer.image) for layer in board.copper]
    openings = [centres(layer.image) for layer in board.masks]
    if not board.copper:
        return out
    holes, bad = _drill(board, np.concatenate(lands), openings)
    out += bad
    reach: list[Floats] = []
    for n, layer in enumerate(board.copper):
        outer = n in (0, len(board.copper) - 1) or layer.role.side is not None
        plated, everywhere = _through(board, holes, n + 1)
        # Outer lands need not be drilled, and not every hole has a land inside: each is asked
        # for what it must have.
        inner = lands[n] if outer else np.concatenate([lands[n], clearances(layer.image)])
        fit = find_move(plated, lands[n]) if outer else find_move(inner, everywhere)
        if fit.telling and len(board.copper) > 1:
            fit = Fit(fit.move.inverse, fit.before, fit.after, fit.count) if outer else fit
            what = (
                "plated holes meet a land of this layer"
                if outer
                else "lands and clearances are drilled"
            )
            out.append(_defect(fit, what, layer.image.file, layer.name))
            lands[n] = fit.move(lands[n])
        elif len(layer.image.parts):
            # Pours reach nearer to the profile than lands do.
            box = shapely.bounds(layer.image.parts)
            reach.append(np.concatenate([box[:, :2], box[:, 2:]]))
    for layer, mine in zip(board.masks, openings, strict=True):
        under = [lands[n] for n, c in enumerate(board.copper) if _below(board, layer, c)]
        everything = np.concatenate([*under, holes])
        fit = find_move(mine, everything)
        if fit.telling:
            out.append(_defect(fit, "openings lie on a land or hole", layer.image.file, layer.name))
        elif under and fit.before >= 0.9 and (drift := steady_offset(mine, np.concatenate(under))):
            out.append(_drift(drift, "openings", len(mine), layer.image.file, layer.name))
    return out + _profile(board, np.concatenate([*lands, holes, *reach]))


def centres(image: Image) -> Floats:
    """Places of lands or openings: flash points, and the middles of small painted areas."""
    flashed = image.kind == Kind.FLASH
    points = np.stack([image.x[flashed], image.y[flashed]], axis=-1)
    painted = image.pieces[image.kind == Kind.REGION]
    small = painted[shapely.area(painted) < _LAND_AREA]
    points = np.concatenate([points, shapely.get_coordinates(shapely.centroid(small))])
    if len(points) < FEW and len(image.parts):
        # Lands filled line by line: only the merged image shows them.
        middle = shapely.centroid(image.parts[shapely.area(image.parts) < _LAND_AREA])
        points = shapely.get_coordinates(middle)
    return distinct(points)


def clearances(image: Image) -> Floats:
    """Middles of the round openings in pours: holes pass there without contact."""
    parts = image.parts[shapely.get_num_interior_rings(image.parts) > 0]
    rings = shapely.get_rings(parts)
    openings = shapely.polygons(rings)
    area, girth = shapely.area(openings), shapely.length(rings)
    # 4πA/L² is 1 for a circle; two clearances grown together are no longer round.
    round_ = (area < _LAND_AREA) & (4 * np.pi * area > 0.97 * girth**2)
    return np.asarray(shapely.get_coordinates(shapely.centroid(openings[round_])))


def _places(holes: Holes) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Middle of every hole and straight slot, and which rows these are (routed paths are not)."""
    _, path, count = np.unique(
        np.stack([holes.file, holes.path], axis=-1), axis=0, return_inverse=True, return_counts=True
    )
    single = count[path.reshape(-1)] == 1
    points = np.stack([(holes.x0 + holes.x1) / 2, (holes.y0 + holes.y1) / 2], axis=-1)
    return points, single


def _drill(board: Board, lands: Floats, openings: list[Floats]) -> tuple[Floats, list[Defect]]:
    """Centres of all holes, with files that are off moved to where they would fit."""
    holes = board.holes
    points, single = _places(holes)
    points = points.copy()
    out: list[Defect] = []
    for n, name in enumerate(board.drill_files):
        mine = holes.file == n
        rows = np.flatnonzero(mine & single & (holes.plated == 1))
        bare = len(rows) < FEW
        what = "plated holes lie on a land"
        targets = lands
        if bare:
            # Holes without plating have no lands, but mask is kept away from them.
            rows = np.flatnonzero(mine & single)
            what = "holes lie on a land or mask opening"
            targets = np.concatenate([lands, *openings])
        if len(rows) < FEW:
            continue
        fit = find_move(points[rows], targets)
        if fit.telling:
            out.append(_defect(fit, what, name))
            points[mine] = fit.move(points[mine])
        elif not bare and (drift := steady_offset(points[rows], targets)):
            out.append(_drift(drift, "plated holes", len(rows), name))
    return points, out


def _through(board: Board, points: Floats, number: int) -> tuple[Floats, Floats]:
    """Centres of the plated holes, and of all holes, that cross conductor ``number``."""
    holes = board.holes
    crossed = (holes.first <= number) & (holes.last >= number)
    return points[crossed & (holes.plated == 1)], points[crossed]


def _profile(board: Board, points: Floats) -> list[Defect]:
    """The profile should hold lands and holes, and not be many times larger than they need."""
    profile = board.profile
    if profile is None or profile.area.is_empty or len(points) < 8:
        return []
    x0, y0, x1, y1 = profile.area.bounds
    corners = np.array([[x0, y0], [x1, y1]])
    low, high = points.min(axis=0), points.max(axis=0)

    def held(box: Floats) -> tuple[float, float]:
        """Share of the points inside a box, and how much of its shorter-filled side they take."""
        a, b = box.min(axis=0), box.max(axis=0)
        inside = ((points >= a - SAME_PLACE) & (points <= b + SAME_PLACE)).all(axis=1)
        return float(inside.mean()), float(((high - low) / np.maximum(b - a, 1e-9)).min())

    before, filled = held(corners)
    tiny = float(((high - low) / (corners[1] - corners[0])).max()) < _SMALL
    if before >= _HELD and not tiny:
        return []
    for move in _profile_moves(corners, (low + high) / 2, slipped=before < 0.9 or tiny):
        after, full = held(move(corners))
        if after >= _HELD and full >= (2 * _SMALL if move.scale != 1.0 else _SMALL):
            fit = Fit(move, before, after, len(points))
            what = "lands, holes and corners of copper lie inside the profile"
            if tiny and before >= _HELD:
                what += f", and fill only {filled:.0%} of its side"
            return [_defect(fit, what, profile.file, certain=before < 0.5)]
    return []


def _profile_moves(corners: Floats, middle: Floats, *, slipped: bool) -> list[Move]:
    """Moves to try on a profile: about the origin first, then the one that centres it."""
    moves: list[Move] = []
    if slipped:
        turned = [Move(2, True), Move(0, True), Move(1), Move(3), Move(2)]
        moves = [Move(scale=s) for s in SCALES[1:]] + turned
    centred = [Move(), *moves[: len(SCALES) - 1]]
    for move in centred:
        shift = middle - move(corners).mean(axis=0)
        moves.append(move.shifted(float(shift[0]), float(shift[1])))
    return moves


def _below(board: Board, mask: Layer, copper: Layer) -> bool:
    if copper.role.side is not None:
        return copper.role.side is mask.role.side
    return copper is (board.copper[0] if mask.role.side is Side.TOP else board.copper[-1])


def _defect(
    fit: Fit, what: str, file: str, layer: str = "", *, certain: bool | None = None
) -> Defect:
    factor = round(max(fit.move.scale, 1 / fit.move.scale), 3)
    cause = f" ({_CAUSE[factor]})" if factor in _CAUSE else ""
    certain = fit.beyond_doubt if certain is None else certain
    return Defect(
        "data.datum-offset",
        Weight.HOLD if certain else Weight.QUERY,
        f"{fit.before:.0%} of {fit.count} {what}; {fit.move.words}{cause}, the file would make "
        f"{fit.after:.0%} of them fit",
        "all files on one datum, at one scale",
        "Nothing was moved; ask for the files exported from one origin."
        if certain
        else "Nothing was moved; ask whether the file lies on the datum of the others.",
        file,
        layer=layer,
    )


def _drift(drift: tuple[float, float], what: str, count: int, file: str, layer: str = "") -> Defect:
    return Defect(
        "data.datum-offset", Weight.QUERY,
        f"the {count} {what} all miss the middle of their lands in the same way; moved by "
        f"dx {drift[0]:+.3f} mm, dy {drift[1]:+.3f} mm, the file would fit",
        "all files on one datum, at one scale",
        "Nothing was moved; ask whether the file lies on the datum of the others.",
        file, layer=layer,
    )  # fmt: skip
