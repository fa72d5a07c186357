"""Rout: boards broken out of the panel along score lines. Copper near the groove."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board, Layer, Scores
from dfmcheck.measure.common import concat_layers, feature_kind, names, place_points, source
from dfmcheck.measure.places import Places
from dfmcheck.measure.rout import copper_to_line
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

SCORE = Rule(
    id="rout.copper-to-score",
    step=Step.ROUT,
    looks_at="copper",
    quantity="distance from copper to the centre of a score line",
    unit="mm",
    direction="at-least",
    on_the_floor="The groove is wide where the blade enters and the board breaks raggedly along "
    "it: copper that reaches in is cut, torn up at its edge, or laid bare.",
    change="Pull copper back from the score line, on every layer.",
    who="ask",
    front_end="May pull back a pour; must ask before cutting a conductor or land.",
    source="common practice, limits per shop",
    caution="Distance to the edge that keeps people safe from dangerous voltage is judged by the "
    "applicable safety standard and licensed practice.",
    past="copper beyond the centre of a score line",
)


@measures(SCORE)
def copper_to_score(board: Board, reach: float) -> Places:
    """Copper within ``reach`` of a score line's centre; nought or below where it lies on it."""
    found = [_along(board, scores, reach) for scores in board.scores]
    return Places.concat(found)


def _along(board: Board, scores: Scores, reach: float) -> Places:
    line = scores.edges

    def one(board: Board, layer: Layer) -> Places:
        image = layer.image
        gaps = copper_to_line(image, line, reach)
        component = image.edge_component[gaps.a]
        return Places.of(
            rule=SCORE.id,
            layer=layer.name,
            position=board.position(layer),
            kind=feature_kind(image, image.edges.piece[gaps.a]),
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            group=component.astype(np.int64),
            net_a=names(board.net_names, layer.net[component]),
            **source(image, gaps.a, "a"),
            file_b=scores.file,
            line_b=scores.lines[line.piece[gaps.b]],
        )

    return concat_layers(board, board.copper, one)
