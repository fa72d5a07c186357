"""Etch: copper remains where resist was. Spacing between nets."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.gaps import Gaps
from dfmcheck.measure.common import (
    concat_layers,
    free_gaps,
    names,
    pair_key,
    place_points,
    source,
)
from dfmcheck.measure.etch_common import KINDS, LONE, pair_number
from dfmcheck.measure.hairlines import on_hairline, without_hairlines
from dfmcheck.measure.mask_figures import figure_nets
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

_SAFETY = (
    "Spacing that protects people from electric shock is judged by the applicable safety "
    "standard and licensed practice, not by this figure."
)

SPACING = Rule(
    id="etch.conductor-spacing",
    step=Step.ETCH,
    looks_at="copper",
    quantity="conductor spacing between nets",
    unit="mm",
    direction="at-least",
    on_the_floor="Resist cannot be developed, nor etchant exchanged, in a gap this narrow: copper "
    "stays and joins two nets.",
    change="Move the conductors apart or pull the pour back.",
    who="ask",
    front_end="May shave a pour where the clearance stays inside the same net's pour; must ask "
    "before moving a conductor or a land.",
    source="IPC-2221B 6.3 and table 6-1 (electrical clearance; value from memory), limits per shop",
    mild=(LONE,),
    caution=_SAFETY,
)


@measures(SPACING)
def conductor_spacing(board: Board, reach: float) -> Places:
    """Free gaps between copper of different nets on every copper layer; hairlines are none."""

    def one(board: Board, whole: Layer) -> Places:
        layer = without_hairlines(whole)
        net = layer.edge_net
        image = layer.image

        def real(gaps: Gaps) -> npt.NDArray[np.bool_]:
            hair = on_hairline(image, gaps.a, gaps.p, gaps.q)
            return ~(hair | on_hairline(image, gaps.b, gaps.q, gaps.p))

        gaps = free_gaps(image, net, reach, real)
        net_a, net_b = net[gaps.a], net[gaps.b]
        circuit = board.net_joined & ~figure_nets(board, whole)
        on_a, on_b = circuit[net_a], circuit[net_b]
        joined = on_a & on_b
        kind = np.where(joined, pair_number(layer, gaps.a, gaps.b), 0)
        return Places.of(
            rule=SPACING.id,
            layer=layer.name,
            position=board.position(whole),
            kind=KINDS[kind],
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            # Land to conductor and conductor to pour are two questions, even at one spot.
            group=np.where(
                on_a | on_b,
                pair_key(net_a, net_b) * len(KINDS) + kind,
                WHOLE_LAYER,  # letters of a text: asked once
            ),
            net_a=names(board.net_names, net_a),
            net_b=names(board.net_names, net_b),
            **source(image, gaps.a, "a"),
            **source(image, gaps.b, "b"),
        )

    return concat_layers(board, board.copper, one)
