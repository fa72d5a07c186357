"""Drill: holes against each other. The wall left between two, and holes that run into one."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Holes
from dfmcheck.geometry.gaps import Gaps, gaps_within
from dfmcheck.geometry.groups import connected
from dfmcheck.geometry.segments import closest_on_segment
from dfmcheck.measure.at_holes import lengths, path_numbers
from dfmcheck.measure.common import (
    Rows,
    hole_source,
    names,
    pair_key,
    place_points,
    with_tightest,
)
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Bools = npt.NDArray[np.bool_]

_SAME = 1e-6
_TOUCHING = 1e-6
_IN_LINE = 0.01
"""Hits no further off their common line than this (mm) were nibbled along it."""

WALL = Rule(
    id="drill.hole-to-hole",
    step=Step.DRILL,
    looks_at="drill",
    quantity="wall between two holes",
    unit="mm",
    direction="at-least",
    on_the_floor="A thin web between holes cracks under the drill; glass bundles let plating "
    "creep from one wall to the other.",
    change="Move the holes apart, or replace overlapping holes by one slot.",
    who="ask",
    front_end="Must ask before moving a hole.",
    source="common practice",
    allowance="wall",
)

OVERLAP = Rule(
    id="drill.overlapping-hits",
    step=Step.DRILL,
    looks_at="drill",
    quantity="overlap of two holes",
    unit="mm",
    direction="at-most",
    on_the_floor="The second stroke finds laminate on one side only: the drill runs off into the "
    "first hole, tears its wall and often breaks.",
    change="Draw one slot, or one hole of the size meant.",
    who="ask",
    front_end="May turn a row of hits into a slot where its outline stays the same; must ask "
    "which hole is meant otherwise.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(WALL, OVERLAP)
def walls(board: Board, reach: float) -> Places:
    """Wall between holes whose spans share a layer, and how far holes reach into each other.

    Pieces of one routed path are one hole. Exact repeats of a hit are left out (a data defect
    of their own), as are slots of one file and plating that run into each other: that is how
    a cut-out of several strokes is drawn, and they are routed in one go.

    Kinds of overlap: ``concentric`` (one centre, two sizes), ``inside`` (one hole swallows the
    other), ``nibbled`` (three or more hits of one tool in a straight row), ``plated and
    unplated``, ``overlap``.
    """
    holes = board.holes

    def apart(a: Rows, b: Rows) -> Bools:
        one_path = path_numbers(holes)[a] == path_numbers(holes)[b]
        shared = (holes.first[a] <= holes.last[b]) & (holes.first[b] <= holes.last[a])
        return np.asarray(~one_path & shared & ~_repeat(holes, a, b))

    def search(far: float) -> Gaps:
        gaps = gaps_within(holes.edges, far, apart, overlaps=True)
        return gaps.take(gaps.value > -_TOUCHING)

    gaps = with_tightest(search, reach)
    net_a, net_b = holes.net[gaps.a], holes.net[gaps.b]
    one_net = (net_a == net_b) & (net_a >= 0)
    tables = [
        Places.of(
            rule=WALL.id,
            kind=np.where(one_net, "one net", "").astype(object),
            value=gaps.value,
            **_columns(board, gaps),
            group=pair_key(gaps.a, gaps.b),
        )
    ]
    into = gaps_within(holes.edges, 0.0, apart, overlaps=True)
    into = into.take(into.value <= -_TOUCHING)
    cut = lengths(holes) > 0
    a, b = into.a, into.b
    drawn = (
        cut[a] & cut[b] & (holes.file[a] == holes.file[b]) & (holes.plated[a] == holes.plated[b])
    )
    into = into.take(~drawn)
    rows = _nibbled(board.holes, into)
    tables.append(
        Places.of(
            rule=OVERLAP.id,
            kind=np.where(rows >= 0, "nibbled", _kinds(holes, into)).astype(object),
            value=-into.value,
            **_columns(board, into),
            # A nibbled row is one finding; groups of pairs start above every row number.
            group=np.where(rows >= 0, rows, (1 << 31) + pair_key(into.a, into.b)),
        )
    )
    return Places.concat(tables)


def _columns(board: Board, gaps: Gaps) -> dict[str, Any]:
    holes = board.holes
    a, b = gaps.a, gaps.b
    return {
        "layer": names(board.drill_roles, holes.file[a]),
        "uncertainty": gaps.error,
        **place_points(board, gaps.p, gaps.q),
        "hole": 2 * np.minimum(holes.r[a], holes.r[b]),
        # One plated hole of two: its growth is the larger one, and is taken for both.
        "plated": np.where((holes.plated[a] == 0) & (holes.plated[b] == 0), 0, 1),
        "net_a": names(board.net_names, holes.net[a]),
        "net_b": names(board.net_names, holes.net[b]),
        **hole_source(board, a, "a"),
        **hole_source(board, b, "b"),
    }


def _repeat(holes: Holes, a: Rows, b: Rows) -> Bools:
    return np.asarray(_one_place(holes, a, b) & (np.abs(holes.r[a] - holes.r[b]) < _SAME))


def _one_place(holes: Holes, a: Rows, b: Rows) -> Bools:
    return np.asarray(
        (np.hypot(holes.x0[a] - holes.x0[b], holes.y0[a] - holes.y0[b]) < _SAME)
        & (np.hypot(holes.x1[a] - holes.x1[b], holes.y1[a] - holes.y1[b]) < _SAME)
    )


def _kinds(holes: Holes, gaps: Gaps) -> npt.NDArray[Any]:
    """Finer kind of each overlapping pair."""
    a, b = gaps.a, gaps.b
    small = np.where(holes.r[a] <= holes.r[b], a, b)
    large = np.where(holes.r[a] <= holes.r[b], b, a)
    swallowed = np.ones(len(gaps), dtype=np.bool_)
    for x, y in ((holes.x0, holes.y0), (holes.x1, holes.y1)):
        away = _to_line(holes, large, x[small], y[small])
        swallowed &= away + holes.r[small] <= holes.r[large] + _SAME
    mixed = (holes.plated[a] == 0) != (holes.plated[b] == 0)
    kind = np.full(len(gaps), "overlap", dtype=object)
    kind[swallowed] = "inside"
    kind[_one_place(holes, a, b)] = "concentric"
    kind[mixed] = "plated and unplated"
    return kind


def _to_line(holes: Holes, row: Rows, x: Any, y: Any) -> Any:
    px, py = closest_on_segment(
        x, y, holes.x0[row], holes.y0[row], holes.x1[row], holes.y1[row]
    )  # fmt: skip
    return np.hypot(px - x, py - y)


def _nibbled(holes: Holes, gaps: Gaps) -> npt.NDArray[np.int64]:
    """Number of the nibbled row each overlapping pair belongs to, -1 for none."""
    out = np.full(len(gaps), -1, dtype=np.int64)
    a, b = gaps.a, gaps.b
    same = (
        (holes.file[a] == holes.file[b]) & (holes.tool[a] == holes.tool[b])
        & (lengths(holes)[a] == 0) & (lengths(holes)[b] == 0)
    )  # fmt: skip
    pairs = np.flatnonzero(same)
    if len(pairs) == 0:
        return out
    label = connected(len(holes), a[pairs], b[pairs])
    for group in np.unique(label[a[pairs]]).tolist():
        hits = np.flatnonzero(label == group)
        if len(hits) >= 3 and _in_line(holes, hits):
            out[pairs[label[a[pairs]] == group]] = group
    return out


def _in_line(holes: Holes, hits: Rows) -> bool:
    points = np.stack([holes.x0[hits], holes.y0[hits]], axis=-1)
    away = np.hypot(*(points - points[0]).T)
    end = points[int(np.argmax(away))] - points[0]
    off = np.abs((points - points[0]) @ np.array([-end[1], end[0]])) / max(float(away.max()), _SAME)
    return bool(off.max() <= _IN_LINE)
