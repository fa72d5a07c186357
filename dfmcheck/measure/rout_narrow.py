"""Rout: narrow places of the profile. Slots the cutter does not enter, webs it breaks."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Profile
from dfmcheck.geometry.facing import Widths, narrow_places
from dfmcheck.geometry.gaps import Gaps, thin
from dfmcheck.measure.common import CELL, Floats, place_points
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

_WIDEST = 8.0
_DRILLED = 6.5
"""Round cut-outs up to this diameter (mm) are drilled, not routed (common practice)."""

SLOT = Rule(
    id="rout.slot-width",
    step=Step.ROUT,
    looks_at="package",
    quantity="width of a slot or gap in the profile",
    unit="mm",
    direction="at-least",
    on_the_floor="The cutter is wider than the slot: it does not go in, and a thin one breaks "
    "or takes several passes on every board.",
    change="Widen the slot to the cutter, or draw it as a drilled slot.",
    who="ask",
    front_end="May cut a slot with a slot drill of its width; must ask before widening it.",
    source="common practice",
    weight=Weight.QUERY,
)

WEB = Rule(
    id="rout.web",
    step=Step.ROUT,
    looks_at="package",
    quantity="web of board between two cuts",
    unit="mm",
    direction="at-least",
    on_the_floor="A strip of board this thin swings under the cutter and breaks, on the machine "
    "or in the packing.",
    change="Leave more board between cut-outs and edge.",
    who="ask",
    front_end="Must ask.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(SLOT, WEB)
def narrow_profile(board: Board, reach: float) -> Places:
    """Free space between facing stretches of the profile, and board between them.

    Both are measured on the centre line of the drawn profile: slots, gaps and cut-outs
    outside the board, webs and necks inside it. Round cut-outs a drill can make are no cuts
    here: they are holes (see drill.hole-to-profile).
    """
    profile = board.profile
    if profile is None or profile.area.is_empty:
        return Places.empty()
    parts = _without_drilled(shapely.get_parts(profile.area))
    return Places.concat(
        [
            _places(board, profile, SLOT, _reaching(parts, reach, True)),
            _places(board, profile, WEB, _reaching(parts, reach, False)),
        ]
    )


def _without_drilled(parts: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """The parts with their round cut-outs of drill size filled."""
    out = []
    for part in parts:
        kept = [ring for ring in part.interiors if not _is_drilled(shapely.get_coordinates(ring))]
        out.append(shapely.Polygon(part.exterior, kept))
    return np.array(out, dtype=object)


def _is_drilled(points: Floats) -> bool:
    if len(points) < 9:
        return False
    away = np.hypot(*(points - points[:-1].mean(axis=0)).T)
    return bool(np.ptp(away) <= 0.01 * away.mean() and 2 * away.mean() <= _DRILLED)


def _reaching(parts: npt.NDArray[Any], reach: float, void: bool) -> Widths:
    """Narrow places within ``reach``; where there are none, the narrowest found further off."""
    label = np.zeros(len(parts), dtype=np.intp) if void else None
    widths = narrow_places(parts, reach, void=void, label=label)
    wider = reach
    while len(widths) == 0 and wider < _WIDEST:
        wider = min(2 * wider, _WIDEST)
        widths = narrow_places(parts, wider, void=void, label=label)
        widths = widths.take(np.argsort(widths.value, kind="stable")[:1])
    table = Gaps(widths.part, widths.part, widths.value, widths.p, widths.q, widths.value * 0)
    return widths.take(thin(table, np.zeros(len(widths), dtype=np.intp), CELL))


def _places(board: Board, profile: Profile, rule: Rule, widths: Widths) -> Places:
    if len(widths) == 0:
        return Places.empty()
    lines = shapely.linestrings(profile.edges.segments.reshape(-1, 2, 2))
    tree = shapely.STRtree(lines)
    a, b = (tree.nearest(shapely.points(at)) for at in (widths.p, widths.q))
    error = profile.edges.error
    return Places.of(
        rule=rule.id,
        value=widths.value,
        uncertainty=error[a] + error[b],
        **place_points(board, widths.p, widths.q),
        group=0,
        file_a=profile.file,
        line_a=profile.lines[a],
        file_b=profile.file,
        line_b=profile.lines[b],
    )
