"""Etch: copper remains where resist was. Width, spacing and notches of conductors."""

from __future__ import annotations

import numpy as np

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import Widths, narrow_places
from dfmcheck.geometry.gaps import (
    Gaps,
    all_but_largest,
    along_parallels,
    candidate_pairs,
    clear_of,
    gaps_within,
    outline_gap,
    thin,
)
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

_SAFETY = (
    "Spacing that protects people from electric shock is judged by the applicable safety "
    "standard and licensed practice, not by this figure."
)
_TOUCHING = 0.002  # mm; below this two outlines of one net are taken to touch

LONE = "lone copper"
"""Kind of a place on copper of a net without land or plated hole: letters, logos, fill. It
must hold on the board like other copper, but no circuit hangs on it."""

WIDTH = Rule(
    id="etch.conductor-width",
    step=Step.ETCH,
    looks_at="copper",
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
    mild=(LONE, "pour"),
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
        kind = np.where(piece_p >= 0, feature_kind(image, np.maximum(piece_p, 0)), "")
        return Places.of(
            rule=WIDTH.id,
            layer=layer.name,
            position=board.position(layer),
            kind=np.where(board.net_joined[layer.net[component]], kind, LONE),
            value=widths.value,
            uncertainty=_width_error(layer, edge_p, edge_q, widths),
            **place_points(board, widths.p, widths.q),
            group=component.astype(np.int64),
            net_a=names(board.net_names, layer.net[component]),
            **source(image, edge_p, "a"),
            **source(image, edge_q, "b"),
        )

    return concat_layers(board, board.copper, one)


def _thin(widths: Widths) -> np.ndarray:
    """The narrowest place per part and cell; all places equally narrow count as one."""
    table = Gaps(widths.part, widths.part, widths.value, widths.p, widths.q, np.zeros(len(widths)))
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
    """Free gaps between copper of different nets on every copper layer."""

    def one(board: Board, layer: Layer) -> Places:
        net = layer.edge_net
        image = layer.image
        edges = image.edges
        start = all_but_largest(net)

        def search(far: float) -> Gaps:
            gaps = gaps_within(edges, far, lambda a, b: np.asarray(net[a] != net[b]), start=start)
            gaps = along_parallels(gaps, edges, edges)
            gaps = gaps.take((gaps.value > 0) & (gaps.value <= far))
            # Most pairs hide behind a nearer one of the same place: thin before the costly
            # test, but per piece, so that a hidden pair cannot stand for a free one.
            key = pair_key(edges.piece[gaps.a], edges.piece[gaps.b])
            gaps = gaps.take(thin(gaps, key, CELL))
            return gaps.take(clear_of(gaps, edges, image.parts))

        gaps = with_tightest(search, reach, lambda far: candidate_pairs(edges, far, start))
        component = image.edge_component
        gaps = gaps.take(thin(gaps, pair_key(component[gaps.a], component[gaps.b]), CELL))
        net_a, net_b = net[gaps.a], net[gaps.b]
        return Places.of(
            rule=SPACING.id,
            layer=layer.name,
            position=board.position(layer),
            kind=np.where(
                board.net_joined[net_a] & board.net_joined[net_b],
                _pair_kind(layer, gaps.a, gaps.b),
                LONE,
            ),
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            group=pair_key(net_a, net_b),
            net_a=names(board.net_names, net_a),
            net_b=names(board.net_names, net_b),
            **source(image, gaps.a, "a"),
            **source(image, gaps.b, "b"),
        )

    return concat_layers(board, board.copper, one)


def _pair_kind(layer: Layer, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """``land-to-conductor`` and the like, for edge rows (-1: unknown, taken as conductor)."""
    order = {"land": 0, "conductor": 1, "pour": 2}
    word = [
        feature_kind(layer.image, layer.image.edges.piece[np.maximum(e, 0)]).tolist()
        for e in (a, b)
    ]
    return np.array(
        ["-to-".join(sorted(pair, key=order.__getitem__)) for pair in zip(*word, strict=True)],
        dtype=object,
    )


NOTCH = Rule(
    id="etch.notch",
    step=Step.ETCH,
    looks_at="copper",
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
    """Narrow free space with one net on both sides, on every copper layer's final image."""

    def one(board: Board, layer: Layer) -> Places:
        image = layer.image
        net = layer.net[image.component]
        widths = narrow_places(image.parts, reach, void=True, label=net)
        if len(widths) == 0:
            wider = narrow_places(image.parts, 4 * max(reach, 0.1), void=True, label=net)
            widths = wider.take(np.argsort(wider.value, kind="stable")[:1])
        widths = widths.take(_thin(widths))
        edge_p, _ = edges_at(image.edges, widths.p)
        edge_q, _ = edges_at(image.edges, widths.q)
        value, error = _exact_gap(layer, widths, edge_p, edge_q)
        keep = np.flatnonzero(value > _TOUCHING)
        widths, value, error = widths.take(keep), value[keep], error[keep]
        edge_p, edge_q = edge_p[keep], edge_q[keep]
        return Places.of(
            rule=NOTCH.id,
            layer=layer.name,
            position=board.position(layer),
            kind=np.where(
                board.net_joined[net[widths.part]], _pair_kind(layer, edge_p, edge_q), LONE
            ),
            value=value,
            uncertainty=error,
            **place_points(board, widths.p, widths.q),
            group=net[widths.part].astype(np.int64),
            net_a=names(board.net_names, net[widths.part]),
            **source(image, edge_p, "a"),
            **source(image, edge_q, "b"),
        )

    return concat_layers(board, board.copper, one)


def _exact_gap(
    layer: Layer, widths: Widths, edge_p: np.ndarray, edge_q: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The gap of the two edges the points lie on, where it is the one the facets show."""
    edges = layer.image.edges
    gap = outline_gap(edges, np.maximum(edge_p, 0), edges, np.maximum(edge_q, 0))
    # The facets lie inside round copper, so they show up to a chord error per side too much.
    same = (edge_p >= 0) & (edge_q >= 0)
    same &= (gap.value <= widths.value + 1e-6) & (gap.value >= widths.value - 2.5 * CHORD_ERROR)
    return (
        np.where(same, gap.value, widths.value),
        np.where(same, gap.error, 2 * CHORD_ERROR),
    )
