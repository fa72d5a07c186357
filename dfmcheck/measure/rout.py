"""Rout: the board is cut out of the panel. Copper near the cut."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.edges import Edges
from dfmcheck.geometry.gaps import Gaps, along_parallels, clear_of, gaps_between, thin
from dfmcheck.geometry.image import Image
from dfmcheck.measure.at_profile import round_gaps
from dfmcheck.measure.common import (
    CELL,
    concat_layers,
    feature_kind,
    names,
    ordered_key,
    place_points,
    source,
    with_tightest,
)
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

PROFILE = Rule(
    id="rout.copper-to-profile",
    step=Step.ROUT,
    looks_at="outer",
    quantity="distance from copper to the centre line of the drawn profile",
    unit="mm",
    direction="at-least",
    on_the_floor="The cutter tears copper at the edge into burrs; bared copper corrodes and can "
    "touch the housing.",
    change="Pull copper back from the profile.",
    who="ask",
    front_end="May pull back a pour; must ask before cutting a conductor or land.",
    source="IPC-2221B 10.1 (edge spacing; value from memory), limits per shop",
    caution="Distance to a housing or to the edge that keeps people safe from dangerous voltage "
    "is judged by the applicable safety standard and licensed practice.",
    past="copper beyond the centre line of the drawn profile",
)

INNER = Rule(
    id="press.copper-to-profile",
    step=Step.PRESS,
    looks_at="inner",
    quantity="distance from inner copper to the centre line of the drawn profile",
    unit="mm",
    direction="at-least",
    on_the_floor="The resin seals the board's edge only where it reaches the glass: copper near "
    "the cut is laid bare by the shift of the layers in the press and the cutter's tolerance; "
    "moisture creeps in along it and the layers part.",
    change="Pull inner copper back from the profile.",
    who="ask",
    front_end="May pull back a plane; must ask before cutting a conductor or land.",
    source="IPC-2221B 10.1 (edge spacing; value from memory), limits per shop",
    caution="Distance to a housing or to the edge that keeps people safe from dangerous voltage "
    "is judged by the applicable safety standard and licensed practice.",
    past="inner copper beyond the centre line of the drawn profile",
)


def copper_to_line(
    image: Image, line: Edges, reach: float, kept: Callable[[Gaps], Gaps] | None = None
) -> Gaps:
    """Gaps from the image's copper to a line, one per component and cell, and the tightest.

    ``kept`` may leave some out before they are thinned.
    """

    def search(far: float) -> Gaps:
        gaps = along_parallels(gaps_between(image.edges, line, far), image.edges, line)
        gaps = gaps.take(gaps.value <= far)
        if kept is not None:
            gaps = kept(gaps)
        gaps = gaps.take(thin(gaps, ordered_key(image.edges.piece[gaps.a], gaps.b), CELL))
        # An outline inside other copper is not where the copper ends.
        return gaps.take((gaps.value <= 0) | clear_of(gaps, image.edges, image.parts))

    gaps = with_tightest(search, reach)
    return gaps.take(thin(gaps, image.edge_component[gaps.a], CELL))


@measures(PROFILE, INNER)
def copper_to_profile(board: Board, reach: float) -> Places:
    """Copper inside or across the profile, within ``reach`` of its centre line.

    Nought or below where copper lies on the line. Copper wholly outside is reported as a data
    defect, not here.
    """
    profile = board.profile
    if profile is None:
        return Places.empty()
    line = profile.edges

    def one(board: Board, layer: Layer) -> Places:
        image = layer.image

        def inside(gaps: Gaps) -> Gaps:
            if profile.area.is_empty or not len(gaps):
                return gaps
            shapely.prepare(profile.area)
            at = shapely.covers(profile.area, shapely.points(gaps.p))
            return gaps.take(at | (gaps.value <= 0))

        gaps = copper_to_line(image, line, reach, inside)
        gaps = round_gaps(gaps, image.edges, profile)
        component = image.edge_component[gaps.a]
        kind = feature_kind(image, image.edges.piece[gaps.a])
        return Places.of(
            rule=PROFILE.id if board.position(layer) == "outer" else INNER.id,
            layer=layer.name,
            position=board.position(layer),
            kind=kind,
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            # Lands are asked about once for the layer and pours pulled back together; every
            # connected conductor is one question, wherever it runs along the profile.
            group=np.select(
                [kind == "land", kind == "pour"],
                [WHOLE_LAYER, WHOLE_LAYER - 1],
                WHOLE_LAYER - 2 - component.astype(np.int64),
            ),
            net_a=names(board.net_names, layer.net[component]),
            **source(image, gaps.a, "a"),
            file_b=profile.file,
            line_b=profile.lines[line.piece[gaps.b]],
        )

    return concat_layers(board, board.copper, one)
