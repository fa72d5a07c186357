"""Etch: spacing between nets whose voltage the user states. Measured only where stated."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.gaps import (
    Gaps,
    all_but_largest,
    along_parallels,
    candidate_pairs,
    gaps_within,
    thin,
)
from dfmcheck.measure.common import (
    CELL,
    concat_layers,
    names,
    pair_key,
    place_points,
    source,
    with_tightest,
)
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Bools = npt.NDArray[np.bool_]
_SAME = 1e-9  # volts; below it two values are one

VOLTAGE_SPACING = Rule(
    id="etch.voltage-spacing",
    step=Step.ETCH,
    looks_at="copper",
    quantity="conductor spacing by voltage between nets",
    unit="mm",
    direction="at-least",
    on_the_floor="The board passes every step and electrical test at low voltage; in use the gap "
    "breaks down, or tracks slowly under dirt and moisture.",
    change="Move the conductors apart, or part them by a slot.",
    who="ask",
    front_end="Must ask; may not move copper that insulates a voltage.",
    weight=Weight.QUERY,
    source="IPC-2221B 6.3 and table 6-1 (electrical clearance; value from memory), limits per shop",
    caution="Insulation that protects people is judged by the applicable safety standard and "
    "licensed practice, not by this tool.",
    opt_in=True,
)


@measures(VOLTAGE_SPACING)
def voltage_spacing(board: Board, reach: float) -> Places:
    """Free gaps between copper of nets with different stated voltages, on every copper layer.

    The voltage of a gap is the difference of the two nets' peak values. Another conductor of
    stated voltage in between parts the gap: each side of it is a gap of its own. Copper of no
    stated voltage in between is taken as floating, so its width does not insulate.
    """
    if not np.isfinite(board.volts).any():
        return Places.empty()
    return concat_layers(board, board.copper, lambda board, layer: _on_layer(board, layer, reach))


def _on_layer(board: Board, layer: Layer, reach: float) -> Places:
    image = layer.image
    edge_net = layer.edge_net
    rows = np.flatnonzero(np.isfinite(board.volts[edge_net]))
    edges: Edges = image.edges.take(rows)
    net = edge_net[rows]
    volts = board.volts[net]
    start = all_but_largest(volts)
    bridged: list[Gaps] = []

    def search(far: float) -> Gaps:
        gaps = gaps_within(
            edges, far, lambda a, b: np.asarray(np.abs(volts[a] - volts[b]) > _SAME), start=start
        )
        gaps = along_parallels(gaps, edges, edges)
        gaps = gaps.take((gaps.value > 0) & (gaps.value <= far))
        gaps = gaps.take(thin(gaps, pair_key(edges.piece[gaps.a], edges.piece[gaps.b]), CELL))
        hidden, floating = _in_between(board, layer, gaps, net)
        if far == reach:
            bridged.append(gaps.take(floating))
        return gaps.take(~hidden & ~floating)

    component = image.edge_component[rows]

    def thinned(gaps: Gaps) -> Gaps:
        return gaps.take(thin(gaps, pair_key(component[gaps.a], component[gaps.b]), CELL))

    clear = thinned(with_tightest(search, reach, lambda far: candidate_pairs(edges, far, start)))
    across = thinned(Gaps.concat(bridged))
    gaps = Gaps.concat([clear, across])
    value = np.concatenate([clear.value, _free_length(board, layer, across)])
    difference = np.abs(volts[gaps.a] - volts[gaps.b])
    kind = np.array([f"{v:g} V" for v in difference.tolist()], dtype=object)
    kind[len(clear) :] += ", across copper of no stated voltage"
    return Places.of(
        rule=VOLTAGE_SPACING.id,
        layer=layer.name,
        position=board.position(layer),
        kind=kind,
        value=value,
        uncertainty=gaps.error,
        volts=difference,
        **place_points(board, gaps.p, gaps.q),
        group=pair_key(net[gaps.a], net[gaps.b]),
        net_a=names(board.net_names, net[gaps.a]),
        net_b=names(board.net_names, net[gaps.b]),
        **source(image, rows[gaps.a], "a"),
        **source(image, rows[gaps.b], "b"),
    )


def _in_between(
    board: Board, layer: Layer, gaps: Gaps, net: npt.NDArray[np.int32]
) -> tuple[Bools, Bools]:
    """Gaps whose line crosses copper of a stated voltage, and those that cross other copper only.

    Unlike the gaps of etching it is the line that counts, not a disc on it: copper beside the
    line carries a voltage of its own and does not shorten it.
    """
    hidden = np.zeros(len(gaps), dtype=np.bool_)
    floating = np.zeros(len(gaps), dtype=np.bool_)
    if len(gaps) == 0:
        return hidden, floating
    part, gap = _crossings(layer, gaps)
    stated = np.isfinite(board.volts[layer.net[layer.image.component[part]]])
    hidden[gap[stated]] = True
    floating[gap[~stated]] = True
    return hidden, floating & ~hidden


def _crossings(layer: Layer, gaps: Gaps) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Rows of parts and of the gaps whose line they cross."""
    # The ends lie on the outlines: drawn in, so that the gap's own copper is not met there.
    inward = np.minimum(4 * CHORD_ERROR + gaps.error, 0.25 * gaps.value) / gaps.value
    along = (gaps.q - gaps.p) * inward[:, None]
    lines = shapely.linestrings(np.stack([gaps.p + along, gaps.q - along], axis=1))
    part, gap = shapely.STRtree(lines).query(layer.image.parts, predicate="intersects")
    return part, gap


def _free_length(board: Board, layer: Layer, gaps: Gaps) -> npt.NDArray[np.float64]:
    """Length of each gap's line that is not over copper."""
    if len(gaps) == 0:
        return np.empty(0)
    part, gap = _crossings(layer, gaps)
    lines = shapely.linestrings(np.stack([gaps.p, gaps.q], axis=1))
    covered = shapely.length(shapely.intersection(lines[gap], layer.image.parts[part]))
    return np.asarray(gaps.value - np.bincount(gap, covered, minlength=len(gaps)))
