"""The board's outline: centre lines of the profile file, joined into an area."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Profile, Scores
from dfmcheck.formats.records import Artwork, Kind
from dfmcheck.geometry.edges import CHORD_ERROR, capsule_edges
from dfmcheck.geometry.flatten import flatten
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.segments import split_arc
from dfmcheck.terms import Defect, Weight

Floats = npt.NDArray[np.float64]

JOINED = 0.001
"""Ends nearer than this (mm) are one point."""
_CLOSABLE = 0.2


def read_profile(
    artwork: Artwork, lands: Floats | None = None
) -> tuple[Profile | None, tuple[Defect, ...]]:
    """Centre lines of draws and region contours of a profile file, and the area they close.

    The area is the smallest closed outline that holds nearly all ``lands`` ((n, 2) points of
    the outer conductors; a drawing frame round the board is thus not taken for it), else the
    largest one, less the closed cut-outs inside it. Where the lines leave gaps up to 0.2 mm
    the area is closed with a straight line and the gap is reported; larger gaps leave the
    area empty. A file without lines gives no profile.
    """
    table, line, errors, defects = centre_lines(artwork)
    if len(table) == 0:
        return None, (
            *defects,
            Defect(
                "data.missing-role", Weight.HOLD, "the profile file draws no line",
                "the board's outline", "Ask for the profile.", artwork.file,
            ),
        )  # fmt: skip
    area, gap = _enclosed(table, lands)
    found = list(defects)
    if gap is not None:
        found.append(_open(artwork.file, gap, area))
    nodes = crossings(table, area)
    if len(nodes):
        found.append(_crossing(artwork.file, nodes))
    if not area.is_empty:
        # Frames, tables and text beside the board are no edge of it.
        mine = shapely.dwithin(
            area.boundary, shapely.points((table[:, :2] + table[:, 2:]) / 2), 2 * _CLOSABLE
        )
        table, line, errors = table[mine], line[mine], errors[mine]
    edges = capsule_edges(table, np.zeros(len(table)), errors)
    return Profile(artwork.file, edges, line.astype(np.int32), area), tuple(found)


def centre_lines(
    artwork: Artwork,
) -> tuple[Floats, npt.NDArray[np.int32], Floats, tuple[Defect, ...]]:
    """Centre lines of all draws and region contours, arcs as chords.

    Returns
    -------
    segments : (n, 4) float
        x0 y0 x1 y1, mm.
    lines : (n,) int
        File line of each.
    errors : (n,) float
        How far each may be off the true line, mm.
    defects : tuple of Defect
    """
    objects, defects = flatten(artwork)
    draws = np.flatnonzero(objects.kind == Kind.DRAW)
    arcs = np.flatnonzero(objects.kind == Kind.ARC)
    of_arc, chords = split_arc(
        objects.x0[arcs], objects.y0[arcs], objects.x1[arcs], objects.y1[arcs],
        objects.cx[arcs], objects.cy[arcs], objects.clockwise[arcs], CHORD_ERROR,
    )  # fmt: skip
    straight = np.stack([getattr(objects, n)[draws] for n in ("x0", "y0", "x1", "y1")], axis=-1)
    segments, lines = [straight, chords], [objects.line[draws], objects.line[arcs[of_arc]]]
    error = [np.zeros(len(draws)), np.full(len(chords), CHORD_ERROR)]
    c = artwork.contours
    if len(c):
        is_arc = ~np.isnan(c.cx)
        flat = np.flatnonzero(~is_arc)
        bent = np.flatnonzero(is_arc)
        of_bent, bends = split_arc(
            c.x0[bent], c.y0[bent], c.x1[bent], c.y1[bent], c.cx[bent], c.cy[bent],
            c.clockwise[bent], CHORD_ERROR,
        )  # fmt: skip
        segments += [np.stack([c.x0[flat], c.y0[flat], c.x1[flat], c.y1[flat]], axis=-1), bends]
        lines += [c.line[flat], c.line[bent[of_bent]]]
        error += [np.zeros(len(flat)), np.full(len(bends), CHORD_ERROR)]
    table, line = np.concatenate(segments), np.concatenate(lines)
    errors = np.concatenate(error)
    keep = np.hypot(table[:, 2] - table[:, 0], table[:, 3] - table[:, 1]) > 0
    table, line, errors = table[keep], line[keep], errors[keep]
    return table, line.astype(np.int32), errors, tuple(defects)


def read_scores(artwork: Artwork) -> tuple[Scores, tuple[Defect, ...]]:
    """Score lines of one file: the centre lines it draws. Objects without a line are a defect."""
    table, line, errors, defects = centre_lines(artwork)
    if len(table) == 0 and len(artwork.objects):
        defects += (
            Defect(
                "data.empty-layer", Weight.QUERY, "the score file draws no line",
                "the lines the board is scored along", "Ask for the score lines.",
                artwork.file, layer="score",
            ),
        )  # fmt: skip
    return Scores(artwork.file, capsule_edges(table, np.zeros(len(table)), errors), line), defects


def _open(file: str, gap: tuple[float, float, float], area: Any) -> Defect:
    closed = not area.is_empty
    return Defect(
        "data.open-profile",
        Weight.QUERY if closed else Weight.HOLD,
        f"the profile does not close: a gap of {gap[2]:.3f} mm",
        "one closed line",
        "It was closed with a straight line for this screen; ask for the true outline."
        if closed
        else "The board's size cannot be told; ask for a closed outline.",
        file,
        x=gap[0],
        y=gap[1],
    )


def _crossing(file: str, nodes: Floats) -> Defect:
    many = "a place where" if len(nodes) == 1 else f"{len(nodes)} places where"
    return Defect(
        "data.profile-crossing", Weight.QUERY,
        f"{many} more than two lines of the profile meet",
        "closed lines that neither cross nor touch",
        "The outermost line was taken for the board's edge; ask which outline is meant.",
        file, x=float(nodes[0, 0]), y=float(nodes[0, 1]),
    )  # fmt: skip


def crossings(table: Floats, area: Any) -> Floats:
    """Points on the board where more than two lines that bound something meet.

    Lines that end in nothing bound nothing and do not count, nor do equal lines drawn twice.

    Parameters
    ----------
    table : (n, 4) float
        Segments x0 y0 x1 y1, mm.
    area : Polygon or MultiPolygon
        The board; nodes off it (tables and frames of a drawing sheet) are left out.

    Returns
    -------
    (m, 2) float

    Examples
    --------
    >>> bow = np.array([[0, 0, 2, 2], [2, 2, 2, 0], [2, 0, 0, 2], [0, 2, 0, 0]], float)
    >>> crossings(bow, shapely.box(0, 0, 2, 2)).tolist()
    [[1.0, 1.0]]
    """
    if area.is_empty:
        return np.empty((0, 2))
    n = len(table)
    snapped = _joined(np.concatenate([table[:, :2], table[:, 2:]]), JOINED)
    rims = shapely.boundary(_faces(np.concatenate([snapped[:n], snapped[n:]], axis=1)))
    edges = shapely.get_parts(shapely.union_all(rims))
    if len(edges) == 0:
        return np.empty((0, 2))
    points, of = shapely.get_coordinates(edges, return_index=True)
    inner = np.zeros(len(points), dtype=np.int64)
    inner[1:] += of[1:] == of[:-1]
    inner[:-1] += of[1:] == of[:-1]
    nodes, row = np.unique(points.round(6), axis=0, return_inverse=True)
    degree = np.bincount(row.ravel(), weights=inner)
    nodes = nodes[degree > 2]
    return np.asarray(nodes[shapely.dwithin(area, shapely.points(nodes), JOINED)])


def _enclosed(
    table: np.ndarray, lands: Floats | None
) -> tuple[Any, tuple[float, float, float] | None]:
    """Area the lines enclose, and the widest gap found (x, y, width) when they do not close."""
    ends = np.concatenate([table[:, :2], table[:, 2:]])
    snapped = _joined(ends, JOINED)
    n = len(table)
    area = _board_area(np.concatenate([snapped[:n], snapped[n:]], axis=1), lands)
    loose, width, at = _loose_ends(snapped)
    if not area.is_empty:
        return area, None
    if not loose:
        return area, None
    if width > _CLOSABLE:
        return area, (at[0], at[1], width)
    wide = _joined(ends, _CLOSABLE)
    closed = np.concatenate([wide[:n], wide[n:]], axis=1)
    return _board_area(closed, lands), (at[0], at[1], width)


def _joined(points: np.ndarray, tolerance: float) -> np.ndarray:
    """Points with those nearer than ``tolerance`` to an earlier one moved onto it."""
    spots = shapely.points(points)
    a, b = shapely.STRtree(spots).query(spots, predicate="dwithin", distance=tolerance)
    label = connected(len(points), a[a < b], b[a < b])
    _, first = np.unique(label, return_index=True)
    return np.asarray(points[first[label]])


def _loose_ends(ends: np.ndarray) -> tuple[bool, float, tuple[float, float]]:
    """Whether some end meets no other; the widest nearest-neighbour gap of those, and where."""
    points, count = np.unique(ends, axis=0, return_counts=True)
    lone = points[count % 2 == 1]
    if len(lone) < 2:
        return len(lone) > 0, 0.0, (0.0, 0.0)
    spots = shapely.points(lone)
    (of, _), away = shapely.STRtree(spots).query_nearest(
        spots, exclusive=True, return_distance=True, all_matches=False
    )
    distance = np.zeros(len(lone))
    distance[of] = away
    k = int(distance.argmax())
    return True, float(distance[k]), (float(lone[k, 0]), float(lone[k, 1]))


def _board_area(segments: np.ndarray, lands: Floats | None) -> Any:
    faces = _faces(segments)
    if len(faces) == 0:
        return shapely.Polygon()
    whole = shapely.get_parts(shapely.union_all(faces))
    rims = shapely.polygons(shapely.get_exterior_ring(np.concatenate([whole, faces])))
    rim = rims[int(np.argmax(shapely.area(rims)))]
    if lands is not None and len(lands):
        rim = _holding(rims, lands, rim)
    # Closed lines wholly inside the outer one are cut-outs.
    at_rim = shapely.intersects(faces, rim.exterior)
    holes = shapely.union_all(faces[~at_rim & shapely.within(faces, rim)])
    return rim.difference(holes)


def _faces(segments: np.ndarray) -> npt.NDArray[Any]:
    long = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]) > 0
    lines = shapely.linestrings(segments[long].reshape(-1, 2, 2))
    faces = shapely.get_parts(shapely.polygonize([shapely.union_all(lines)]))
    return np.asarray(faces[shapely.area(faces) > 0])


def _holding(rims: npt.NDArray[Any], lands: Floats, largest: Any) -> Any:
    """The smallest outline that holds at least 95 % of the lands the largest one holds."""
    shapely.prepare(rims)
    points = shapely.points(lands)
    inside = points[shapely.intersects(largest, points)]
    if len(inside) == 0:
        return largest
    for k in np.argsort(shapely.area(rims)).tolist():
        if shapely.intersects(rims[k], inside).mean() >= 0.95:
            return rims[k]
    return largest
