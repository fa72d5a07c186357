"""Etch: copper remains where resist was. Width, spacing and notches of conductors."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import Widths, narrow_places
from dfmcheck.geometry.gaps import Gaps, along_parallels, clear_of, gaps_within, thin
from dfmcheck.measure.common import (
    CELL,
    concat_layers,
    edges_at,
    feature_kind,
    names,
    pair_key,
    place_points,
    source,
    with_tightest,
)
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step

Wanted = Callable[[np.ndarray, np.ndarray], np.ndarray]

_SAFETY = (
    "Spacing that protects people from electric shock is judged by the applicable safety "
    "standard and licensed practice, not by this figure."
)
_TOUCHING = 0.002  # mm; below this two outlines of one net are taken to touch

WIDTH = Rule(
    id="etch.conductor-width",
    step=Step.ETCH,
    quantity="conductor width",
    unit="mm",
    direction="at-least",
    on_the_floor="Etchant works sideways under the resist: a conductor near the foil's thickness "
    "is thinned, nicked or lost, and its resistance and current rating are not what was drawn.",
    change="Widen the conductor or the neck; use thinner copper where it must stay narrow.",
    who="ask",
    front_end="May add the usual etch allowance to the whole layer; must ask before widening a "
    "single conductor.",
    source="IPC-2221B 10.1.1 (conductor width; value from memory), limits per shop",
    caution="Current-carrying capacity is not judged here.",
)


@measures(WIDTH)
def conductor_width(board: Board, reach: float) -> Places:
    """Narrow places of every copper layer's final image, necks included."""

    def one(board: Board, layer: Layer) -> Places:
        image = layer.image
        widths = narrow_places(image.parts, reach)
        if len(widths) == 0:
            wider = narrow_places(image.parts, 4 * max(reach, 0.1))
            widths = wider.take(np.argsort(wider.value, kind="stable")[:1])
        widths = _snapped(widths.take(_thin(widths)), layer)
        edge_p, _ = edges_at(image.edges, widths.p)
        edge_q, _ = edges_at(image.edges, widths.q)
        piece_p = np.where(edge_p >= 0, image.edges.piece[edge_p], -1)
        component = image.component[widths.part]
        files: dict[str, Any] = {}
        for side, edge in (("a", edge_p), ("b", edge_q)):
            files.update(source(image, np.maximum(edge, 0), side))
            files[f"line_{side}"] = np.where(edge >= 0, files[f"line_{side}"], 0)
            files[f"code_{side}"] = np.where(edge >= 0, files[f"code_{side}"], -1)
        kind = np.where(piece_p >= 0, feature_kind(image, np.maximum(piece_p, 0)), "")
        return Places.of(
            rule=WIDTH.id,
            layer=layer.name,
            position=board.position(layer),
            kind=kind,
            value=widths.value,
            uncertainty=_width_error(layer, edge_p, edge_q, widths),
            **place_points(board, widths.p, widths.q),
            group=component.astype(np.int64),
            net_a=names(board.net_names, layer.net[component]),
            **files,
        )

    return concat_layers(board, board.copper, one)


def _thin(widths: Widths) -> np.ndarray:
    """The narrowest place per part and cell; all places equally narrow count as one."""
    table = Gaps(
        widths.part, widths.part, widths.value, widths.p, widths.q, np.zeros(len(widths))
    )
    return thin(table, widths.part, CELL)


def _snapped(widths: Widths, layer: Layer) -> Widths:
    """Where both points lie on one draw or round land, the width is its diameter, exactly."""
    edges = layer.image.edges
    a, _ = edges_at(edges, widths.p)
    b, _ = edges_at(edges, widths.q)
    same = (a >= 0) & (a == b)
    diameter = np.where(same, 2 * edges.r[np.where(same, a, 0)], 0.0)
    near = same & (diameter > 0) & (np.abs(diameter - widths.value) <= 2 * CHORD_ERROR)
    return Widths(np.where(near, diameter, widths.value), widths.p, widths.q, widths.part)


def _width_error(
    layer: Layer, edge_p: np.ndarray, edge_q: np.ndarray, widths: Widths
) -> np.ndarray:
    """Exact between straight stretches, up to a chord error per round outline otherwise."""
    edges = layer.image.edges
    total = np.zeros(len(widths))
    for edge, points in ((edge_p, widths.p), (edge_q, widths.q)):
        known = edge >= 0
        row = np.where(known, edge, 0)
        d = np.stack([edges.x1[row] - edges.x0[row], edges.y1[row] - edges.y0[row]], axis=-1)
        w = points - np.stack([edges.x0[row], edges.y0[row]], axis=-1)
        length2 = (d * d).sum(axis=1)
        t = (w * d).sum(axis=1) / np.where(length2 > 0, length2, 1.0)
        beside = (edges.r[row] == 0) | ((length2 > 0) & (t > 0) & (t < 1))
        total += np.where(known & beside, edges.error[row], CHORD_ERROR)
    same = (edge_p == edge_q) & (edge_p >= 0)
    r = edges.r[np.where(same, edge_p, 0)]
    return np.where(same & (widths.value == 2 * r), 0.0, total)


SPACING = Rule(
    id="etch.conductor-spacing",
    step=Step.ETCH,
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
    caution=_SAFETY,
)


@measures(SPACING)
def conductor_spacing(board: Board, reach: float) -> Places:
    """Free gaps between copper of different nets on every copper layer."""

    def one(board: Board, layer: Layer) -> Places:
        net = layer.edge_net
        return _gap_places(
            board, layer, SPACING.id, reach, lambda a, b: np.asarray(net[a] != net[b])
        )

    return concat_layers(board, board.copper, one)


NOTCH = Rule(
    id="etch.notch",
    step=Step.ETCH,
    quantity="gap within one net",
    unit="mm",
    direction="at-least",
    on_the_floor="A slit narrower than the resist can hold either closes (harmless to the net, "
    "but not to a controlled impedance) or lifts as a sliver of resist that lands elsewhere.",
    change="Fill the slit, or widen it.",
    who="edit",
    front_end="May fill the slit when both sides are one net and no impedance is asked for.",
    source="common practice",
)


@measures(NOTCH)
def notch(board: Board, reach: float) -> Places:
    """Free gaps between copper of one net on every copper layer."""

    def one(board: Board, layer: Layer) -> Places:
        net, piece = layer.edge_net, layer.image.edges.piece
        outline_only = layer.image.edges.r == 0

        def wanted(a: np.ndarray, b: np.ndarray) -> np.ndarray:
            return (net[a] == net[b]) & ((piece[a] != piece[b]) | outline_only[a])

        return _gap_places(board, layer, NOTCH.id, reach, wanted, least=_TOUCHING)

    return concat_layers(board, board.copper, one)


def _gap_places(
    board: Board, layer: Layer, rule: str, reach: float, wanted: Wanted, least: float = 0.0
) -> Places:
    image = layer.image
    edges = image.edges

    def search(far: float) -> Gaps:
        gaps = along_parallels(gaps_within(edges, far, wanted), edges, edges)
        gaps = gaps.take((gaps.value > least) & (gaps.value <= far))
        # Most pairs hide behind a nearer one of the same place: thin before the costly test,
        # but fine enough that a hidden pair cannot stand for a free one.
        key = pair_key(image.edges.piece[gaps.a], image.edges.piece[gaps.b])
        gaps = gaps.take(thin(gaps, key, CELL))
        return gaps.take(clear_of(gaps, edges, image.parts))

    gaps = with_tightest(search, reach)
    component = image.edge_component
    key = pair_key(component[gaps.a], component[gaps.b])
    gaps = gaps.take(thin(gaps, key, CELL))
    net_a, net_b = layer.edge_net[gaps.a], layer.edge_net[gaps.b]
    kinds = np.sort(
        np.stack(
            [
                feature_kind(image, edges.piece[gaps.a]).astype(str),
                feature_kind(image, edges.piece[gaps.b]).astype(str),
            ]
        ),
        axis=0,
    )
    kind = np.array(
        [f"{b}-to-{a}" for a, b in zip(kinds[0].tolist(), kinds[1].tolist(), strict=True)],
        dtype=object,
    )
    return Places.of(
        rule=rule,
        layer=layer.name,
        position=board.position(layer),
        kind=kind,
        value=gaps.value,
        uncertainty=gaps.error,
        **place_points(board, gaps.p, gaps.q),
        group=pair_key(net_a, net_b),
        net_a=names(board.net_names, net_a),
        net_b=names(board.net_names, net_b),
        **source(image, gaps.a, "a"),
        **source(image, gaps.b, "b"),
    )
