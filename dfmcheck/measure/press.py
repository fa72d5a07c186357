"""Press: inner layers, resin and outer foil become one board under heat and pressure."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board
from dfmcheck.geometry.shares import Windows, share_within
from dfmcheck.measure.common import place_points
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Floats = npt.NDArray[np.float64]
_CHORDS = 1e-4  # a chord error of 0.5 µm on every outline moves a share by less

BALANCE = Rule(
    id="press.copper-balance",
    step=Step.PRESS,
    looks_at="stack",
    quantity="difference in copper share of two layers mirrored about the stack's middle",
    unit="1",
    direction="at-most",
    on_the_floor="Copper and resin shrink differently as the stack cools: with more copper on "
    "one side of its middle the board bows or twists, and stays so.",
    change="Fill the barer layer of the pair, or open the fuller one with a mesh.",
    who="ask",
    front_end="May add copper dots to the barer layer only where the customer allows it.",
    source="IPC-2221B 5.2.4 (bow and twist; value from memory), limits common practice",
    weight=Weight.QUERY,
)

FACING = Rule(
    id="press.facing-share",
    step=Step.PRESS,
    looks_at="stack",
    quantity="least copper share of two inner layers that face each other through resin",
    unit="1",
    direction="at-least",
    on_the_floor="Where both layers are bare the prepreg has to fill both patterns: resin runs "
    "short, the glass cloth shows and voids stay, which later delaminate.",
    change="Leave copper dots in the bare area of one of the layers, or ask for a further prepreg.",
    who="ask",
    front_end="May choose a prepreg with more resin; must ask before adding copper.",
    source="common practice (stack with outer foils: prepreg between layers 3 and 4, 5 and 6 …)",
    weight=Weight.QUERY,
)

STACKED = Rule(
    id="press.stacked-copper",
    step=Step.PRESS,
    looks_at="stack",
    quantity="difference in copper share of all inner layers together between two parts of the "
    "board",
    unit="1",
    direction="at-most",
    on_the_floor="Copper that stacks up on every layer at one place and on none beside it makes "
    "the pressed board thick here and thin there: low pressure leaves voids in the thin part, "
    "and the outer foil is imaged and drilled out of plane.",
    change="Fill the bare part on some inner layers, or open the stacked one with a mesh.",
    who="ask",
    front_end="May add copper dots to inner layers only where the customer allows it.",
    source="common practice (moving window of 25 mm)",
    weight=Weight.QUERY,
)


@measures(BALANCE, FACING, STACKED)
def press_shares(board: Board, reach: float) -> Places:
    """Copper of the layers of a stack against each other; boards of four layers and more.

    ``press.copper-balance``: difference of the shares of layers k and n + 1 - k, one place per
    pair. ``press.facing-share``: mean share of two inner layers with prepreg between them, in
    the barest window, one place per pair. ``press.stacked-copper``: mean share of all inner
    layers in the fullest window less that in the barest. The window is the one of
    ``etch.local-share-spread``. The layer of a pair is the upper one.
    """
    profile = board.profile
    count = len(board.copper)
    if profile is None or profile.area.is_empty or count < 4:
        return Places.empty()
    windows = Windows.within(profile.area)
    middle = np.array([profile.area.centroid.coords[0]])
    tables: list[Places] = []
    share = [share_within(layer.image.parts, profile.area) for layer in board.copper]
    for upper in range(count // 2):
        lower = count - 1 - upper
        tables.append(
            Places.of(
                rule=BALANCE.id,
                layer=board.copper[upper].name,
                position=board.position(board.copper[upper]),
                kind=f"{board.copper[upper].name} against {board.copper[lower].name}",
                value=[abs(share[upper] - share[lower])],
                uncertainty=2 * _CHORDS,
                **place_points(board, middle, middle),
            )
        )
    local = [windows.shares(layer.image.parts) for layer in board.copper[1:-1]]
    for k, (one, two) in enumerate(pairwise(local), start=2):
        if k % 2 == 1:  # in a stack with outer foils 2-3, 4-5 … are the two sides of a core
            ends = windows.lowest_and_highest((one + two) / 2)
            if ends is not None:
                bare, _, low, _ = ends
                tables.append(
                    Places.of(
                        rule=FACING.id,
                        layer=board.copper[k - 1].name,
                        position="inner",
                        kind=f"{board.copper[k - 1].name} facing {board.copper[k].name}",
                        value=[low],
                        uncertainty=_CHORDS,
                        **place_points(board, bare[None], bare[None]),
                    )
                )
    ends = windows.lowest_and_highest(np.mean(local, axis=0))
    if ends is not None:
        bare, full, low, high = ends
        tables.append(
            Places.of(
                rule=STACKED.id,
                value=[high - low],
                uncertainty=_CHORDS,
                **place_points(board, bare[None], full[None]),
            )
        )
    return Places.concat(tables)
