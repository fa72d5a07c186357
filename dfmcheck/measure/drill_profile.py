"""Drill: holes at the profile. Board left to the edge, and holes cut through on purpose."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Holes, Profile
from dfmcheck.board.nets import hole_polygons
from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.gaps import Gaps, gaps_between
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.at_holes import at_holes, lengths, path_numbers
from dfmcheck.measure.at_profile import round_gaps
from dfmcheck.measure.common import Rows, place_points, with_tightest
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

_DRAWN_TWICE = 0.05
"""A cut-out no further off a hole's outline than this (mm) is that hole, drawn twice."""
_ON_LINE = 0.002
_CENTRED = 0.5
"""A plated hole is castellated when the profile passes within this share of its radius."""
_GRAZED = 0.05
"""A stroke outside the board that reaches into it by less than this (mm) cuts its outline."""

EDGE = Rule(
    id="drill.hole-to-profile",
    step=Step.DRILL,
    looks_at="drill",
    quantity="board between a hole's wall and the profile",
    unit="mm",
    direction="at-least",
    on_the_floor="The strip between hole and edge is too thin to stand: the cutter breaks it "
    "out, and with it the hole's wall.",
    change="Move the hole inwards, or let the profile cut it on purpose and say so.",
    who="ask",
    front_end="Must ask: the hole's place is given by what goes through it.",
    source="common practice",
    allowance="radius",
    weight=Weight.QUERY,
    past="hole beyond the profile that cuts it",
)

CASTELLATION = Rule(
    id="drill.castellation",
    step=Step.DRILL,
    looks_at="drill",
    quantity="diameter of a castellated hole",
    unit="mm",
    direction="at-least",
    on_the_floor="The profile cuts a plated hole in half: in a small one the cutter rolls the "
    "plating into the opening or pulls it off the wall.",
    change="Use larger castellated holes, or keep the hole clear of the profile.",
    who="ask",
    front_end="Must ask whether half holes are meant: they take a second cut and a price of "
    "their own.",
    source="common practice",
    allowance="grown",
    weight=Weight.QUERY,
)


@measures(EDGE, CASTELLATION)
def hole_to_profile(board: Board, reach: float) -> Places:
    """Board between the wall of every hole or slot and the centre line of the drawn profile.

    Below nought where the profile cuts the hole (kind ``cut``). A plated hole the profile
    cuts near its middle is castellated: its diameter is measured instead. Left out are holes
    outside the board, strokes along the profile (they rout it), and cut-outs that only draw
    a hole a second time.
    """
    profile, holes = board.profile, board.holes
    if profile is None or profile.area.is_empty or len(holes) == 0:
        return Places.empty()
    discs = hole_polygons(holes, np.arange(len(holes)))
    own = _own_lines(profile, discs)
    line = profile.edges.take(own)
    shapely.prepare(profile.area)
    rows = np.flatnonzero(shapely.intersects(profile.area, discs))
    inside = shapely.intersects(profile.area, _middles(holes))
    routs = _along(holes, line)

    def search(far: float) -> Gaps:
        gaps = gaps_between(holes.edges.take(rows), line, far)
        hole = rows[gaps.a]
        gaps = Gaps(hole, gaps.b, gaps.value, gaps.p, gaps.q, gaps.error)
        order = np.lexsort((gaps.value, hole))
        gaps = gaps.take(order[run_starts(hole[order])])
        gaps = round_gaps(gaps, holes.edges, profile, own)
        grazed = ~inside[gaps.a] & (gaps.value > -_GRAZED)
        # A middle that lies outside is further through the line than its distance tells.
        deep = np.where(
            inside[gaps.a], gaps.value, np.minimum(gaps.value, -gaps.value - 2 * holes.r[gaps.a])
        )
        gaps = Gaps(gaps.a, gaps.b, deep, gaps.p, gaps.q, gaps.error)
        whole = path_numbers(holes)[gaps.a]
        return gaps.take(~grazed & ~np.isin(whole, path_numbers(holes)[routs]))

    gaps = with_tightest(search, reach)
    hole, r = gaps.a, holes.r[gaps.a]
    cut = gaps.value < -_ON_LINE / 2
    halved = cut & (holes.plated[hole] == 1) & (np.abs(gaps.value + r) <= _CENTRED * r)
    rest = np.flatnonzero(~halved)
    columns = at_holes(board, hole[rest])
    columns |= place_points(board, gaps.p[rest], gaps.q[rest])
    slot = lengths(holes)[hole] > 0
    kind = np.where(cut, "cut", np.where(slot, "slot", "hole")).astype(object)
    half = np.flatnonzero(halved)
    return Places.concat(
        [
            Places.of(
                rule=EDGE.id,
                kind=kind[rest],
                value=gaps.value[rest],
                uncertainty=gaps.error[rest],
                file_b=profile.file,
                line_b=profile.lines[line.piece[gaps.b[rest]]],
                **columns,
            ),
            Places.of(
                rule=CASTELLATION.id,
                kind=np.where(slot[half], "slot", "hole").astype(object),
                value=2 * r[half],
                file_b=profile.file,
                line_b=profile.lines[line.piece[gaps.b[half]]],
                **at_holes(board, hole[half]),
            ),
        ]
    )


def _middles(holes: Holes) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.points((holes.x0 + holes.x1) / 2, (holes.y0 + holes.y1) / 2))


def _own_lines(profile: Profile, discs: npt.NDArray[np.object_]) -> Rows:
    """Rows of the profile's lines that do not merely draw a drilled hole again."""
    rows = np.arange(len(profile.edges))
    inner = [p.interiors for p in shapely.get_parts(profile.area)]
    voids = np.array([shapely.Polygon(ring) for of in inner for ring in of], dtype=object)
    if len(voids) == 0:
        return rows
    grown = shapely.buffer(discs, _DRAWN_TWICE)
    again = np.unique(shapely.STRtree(voids).query(grown, predicate="contains")[1])
    if len(again) == 0:
        return rows
    drawn = shapely.union_all(shapely.boundary(voids[again]))
    shapely.prepare(drawn)
    segments = profile.edges.segments
    middle = shapely.points((segments[:, :2] + segments[:, 2:]) / 2)
    return np.asarray(rows[~np.asarray(shapely.dwithin(drawn, middle, _ON_LINE))])


def _along(holes: Holes, line: Edges) -> Rows:
    """Strokes both of whose ends and whose middle lie on the profile."""
    rows = np.flatnonzero(lengths(holes) > 0)
    if len(rows) == 0 or len(line) == 0:
        return rows[:0]
    h = holes.take(rows)
    tree = shapely.STRtree(shapely.linestrings(line.segments.reshape(-1, 2, 2)))
    on = np.ones(len(rows), dtype=np.bool_)
    for x, y in ((h.x0, h.y0), (h.x1, h.y1), ((h.x0 + h.x1) / 2, (h.y0 + h.y1) / 2)):
        here = np.zeros(len(rows), dtype=np.bool_)
        of = tree.query(shapely.points(x, y), predicate="dwithin", distance=_ON_LINE)[0]
        here[of] = True
        on &= here
    return rows[on]
