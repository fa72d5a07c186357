"""Etch: how much of the board each layer's copper covers, and how evenly."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.shares import Windows, share_within
from dfmcheck.measure.common import concat_layers, place_points
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

_CHORDS = 1e-4  # a chord error of 0.5 µm on every outline moves a share by less

SHARE = Rule(
    id="etch.copper-share",
    step=Step.ETCH,
    looks_at="copper",
    quantity="copper share of the board's area",
    unit="1",
    direction="at-least",
    on_the_floor="Where nearly all copper is etched away the etchant is spent and the few "
    "conductors are over-etched; on an outer layer the plating current crowds on them and they "
    "grow thick and proud of the mask.",
    change="Fill free areas with copper joined to a net, or with dots.",
    who="ask",
    front_end="May add copper dots in free areas only where the customer allows it.",
    source="common practice",
    weight=Weight.QUERY,
)

SPREAD = Rule(
    id="etch.local-share-spread",
    step=Step.ETCH,
    looks_at="copper",
    quantity="difference between the fullest and the barest part of a layer",
    unit="1",
    direction="at-most",
    on_the_floor="Etching and plating go by area: in the bare part conductors are etched thin "
    "and plated thick, in the full part the other way round, and one process setting fits "
    "neither.",
    change="Spread the copper: fill the bare part, or open the full part with a mesh.",
    who="ask",
    front_end="May add copper dots in free areas only where the customer allows it.",
    source="common practice (moving window of 25 mm)",
    weight=Weight.QUERY,
)


@measures(SHARE, SPREAD)
def copper_shares(board: Board, reach: float) -> Places:
    """Copper share of each layer inside the profile, and of its fullest and barest window.

    The window is 25 mm square (common practice), on boards under 50 mm half the board's side;
    it moves by a fifth of itself, and only windows wholly inside the profile count. A place of
    the spread runs from the centre of the barest window to that of the fullest.
    """
    profile = board.profile
    if profile is None or profile.area.is_empty:
        return Places.empty()
    windows = Windows.within(profile.area)
    middle = np.array([profile.area.centroid.coords[0]])

    def one(board: Board, layer: Layer) -> Places:
        parts = layer.image.parts
        tables = [
            Places.of(
                rule=SHARE.id,
                layer=layer.name,
                position=board.position(layer),
                value=[share_within(parts, profile.area)],
                uncertainty=_CHORDS,
                **place_points(board, middle, middle),
            )
        ]
        ends = windows.lowest_and_highest(windows.shares(parts))
        if ends is not None:
            bare, full, low, high = ends
            tables.append(
                Places.of(
                    rule=SPREAD.id,
                    layer=layer.name,
                    position=board.position(layer),
                    value=[high - low],
                    uncertainty=_CHORDS,
                    **place_points(board, bare[None], full[None]),
                )
            )
        return Places.concat(tables)

    return concat_layers(board, board.copper, one)
