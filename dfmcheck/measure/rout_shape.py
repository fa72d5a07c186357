"""Rout: the shape of the board. Inner corners, and its size against panel and handling."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from dfmcheck.board.model import Board
from dfmcheck.measure.common import place_points
from dfmcheck.measure.places import Places
from dfmcheck.measure.rout_corners import inner_corners
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

RADIUS = Rule(
    id="rout.inner-radius",
    step=Step.ROUT,
    looks_at="package",
    quantity="radius of an inner corner of the profile",
    unit="mm",
    direction="at-least",
    on_the_floor="The cutter is round: the corner keeps the cutter's radius, and a part with "
    "square corners does not go in. A smaller cutter breaks sooner and is fed slowly.",
    change="Give inner corners the cutter's radius, or relieve them with a hole in the corner.",
    who="ask",
    front_end="May leave the cutter's radius where nothing is known to fit into the corner; must "
    "ask before cutting beyond it.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(RADIUS)
def inner_radius(board: Board, reach: float) -> Places:
    """Radius of every inner corner of the profile and its cut-outs, from corner to centre.

    A sharp corner has radius nought. Round cut-outs are left out (they are drilled), as are
    the round ends of slots (see rout.slot-width) and bends so slight that a cutter leaves
    next to nothing in them.
    """
    profile = board.profile
    if profile is None or profile.area.is_empty:
        return Places.empty()
    found = inner_corners(profile)
    keep = found.radius <= reach
    if len(found.radius) and not keep.any():
        keep[int(np.argmin(found.radius))] = True
    rows = np.flatnonzero(keep)
    return Places.of(
        rule=RADIUS.id,
        kind=np.where(found.radius[rows] == 0, "sharp", "round").astype(object),
        value=found.radius[rows],
        uncertainty=found.error[rows],
        **place_points(board, found.at[rows], found.centre[rows]),
        group=rows.astype(np.int64),
        file_a=profile.file,
        line_a=found.line[rows],
    )


LARGEST = Rule(
    id="rout.board-size-largest",
    step=Step.ROUT,
    looks_at="package",
    quantity="side of the board",
    unit="mm",
    direction="at-most",
    on_the_floor="The board does not fit into the usable area of the shop's panel.",
    change="Make the board smaller, part it, or find a shop with larger panels.",
    who="ask",
    front_end="May turn the board on the panel; must ask otherwise.",
    source="common practice (usable area of an 18 × 24 inch panel)",
)

SMALLEST = Rule(
    id="rout.board-size-smallest",
    step=Step.ROUT,
    looks_at="package",
    quantity="side of the board",
    unit="mm",
    direction="at-least",
    on_the_floor="A board this small falls through the machines once it is cut out, and cannot "
    "be held for final test and packing.",
    change="Order the boards joined in an array with break-off tabs.",
    who="ask",
    front_end="Must ask whether the boards may be delivered in an array.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(LARGEST, SMALLEST)
def board_size(board: Board, reach: float) -> Places:
    """Sides of the smallest rectangle round the profile, however it is turned.

    Kinds: ``shorter side`` and ``longer side``; ``reach`` does not apply.
    """
    profile = board.profile
    if profile is None or profile.area.is_empty:
        return Places.empty()
    corners = _rectangle(profile.area)
    side = np.hypot(*(corners[1:3] - corners[0:2]).T)
    order = np.argsort(side, kind="stable")
    p, q = corners[0:2][order], corners[1:3][order]
    return Places.concat(
        [
            Places.of(
                rule=rule.id,
                kind=np.array(["shorter side", "longer side"], dtype=object),
                value=side[order],
                **place_points(board, p, q),
                group=np.arange(2),
                file_a=profile.file,
            )
            for rule in (LARGEST, SMALLEST)
        ]
    )


def _rectangle(area: Any) -> Any:
    """Corners of the rectangle of least area, (5, 2); the upright one where that is as small."""
    upright = shapely.box(*area.bounds)
    turned = shapely.oriented_envelope(area)
    best = turned if turned.area < upright.area * (1 - 1e-9) else upright
    return shapely.get_coordinates(best)
