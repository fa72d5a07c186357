"""Etch: narrow copper. One search finds it; what drew it decides which rule it belongs to."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.facing import Widths, narrow_places
from dfmcheck.geometry.segments import closest_pairs, points_to_segments
from dfmcheck.geometry.voids import rectangles
from dfmcheck.measure.common import (
    concat_layers,
    edges_at,
    feature_kind,
    names,
    place_points,
    source,
)
from dfmcheck.measure.etch_common import HAIRLINE, LONE, narrowest_per_cell, tightest_of
from dfmcheck.measure.hairlines import HAIR, hair_edges
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Rows = npt.NDArray[np.intp]

_FEW = 20_000  # outline points; a layer with fewer is searched again within a fraction of a second

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
    mild=(LONE,),
    caution="Current-carrying capacity is not judged here.",
)

SLIVER = Rule(
    id="etch.copper-sliver",
    step=Step.ETCH,
    looks_at="copper",
    quantity="width of a tongue or neck of pour",
    unit="mm",
    direction="at-least",
    on_the_floor="The resist over so narrow a strip of fill lifts in the developer or the etchant; "
    "it lands elsewhere and leaves a short there, or the strip itself comes loose and bridges.",
    change="Give the pour a larger least width, or clear the strip away.",
    who="edit",
    front_end="May take a tongue away or fill it out where the pour stays one net; must ask "
    "where the neck is the only way from one part of the pour to another.",
    source="common practice",
    weight=Weight.QUERY,
    repeats=True,
)

STROKE = Rule(
    id="etch.text-stroke",
    step=Step.ETCH,
    looks_at="copper",
    quantity="stroke width of lettering in copper",
    unit="mm",
    direction="at-least",
    on_the_floor="Strokes near the etching limit come out broken or lift off: the lettering "
    "cannot be read, and loose strokes bridge conductors.",
    change="Draw the letters with a wider stroke (and so larger), or move them to the legend.",
    who="edit",
    front_end="May widen the strokes of lettering that touches no circuit.",
    source="common practice",
    weight=Weight.QUERY,
)


_RULES = (WIDTH.id, SLIVER.id, STROKE.id)
_WIDTH, _SLIVER, _STROKE = range(3)


@measures(WIDTH, SLIVER, STROKE)
def narrow_copper(board: Board, reach: float) -> Places:
    """Narrow places of every copper layer's final image, necks included.

    A place belongs to ``etch.text-stroke`` where it is a stroke of copper no circuit hangs on;
    to ``etch.copper-sliver`` where a region, or two draws that do not meet there, made it and
    no draw of about that width runs along it; to ``etch.conductor-width`` otherwise. Where two
    strokes of lettering meet in a neck nothing is listed: no circuit, and no stroke, is at
    stake. An island no wider than ``reach`` as a whole is left to ``etch.isolated-copper``.
    """

    def one(board: Board, layer: Layer) -> Places:
        parts = layer.image.parts
        found = _places(board, layer, narrow_places(parts, reach), reach)
        missing = _possible(board, layer) - set(found["rule"].tolist())
        # The narrowest there is still tells how near the layer comes; where only one of the
        # rules has no place, a second search of a crowded layer is out of proportion.
        if missing and (len(found) == 0 or shapely.get_num_coordinates(parts).sum() < _FEW):
            wider = _places(board, layer, narrow_places(parts, 4 * max(reach, 0.1)), reach)
            found = Places.concat([found, *(tightest_of(wider, rule) for rule in sorted(missing))])
        return found

    return concat_layers(board, board.copper, one)


def _possible(board: Board, layer: Layer) -> set[str]:
    """Rules that may have a place on this layer at all."""
    image = layer.image
    joined = board.net_joined[layer.net[image.piece_component]]
    out = {WIDTH.id} if joined.any() else set()
    if (image.kind == Kind.REGION).any():
        out.add(SLIVER.id)
    if (~joined & (image.kind <= Kind.ARC)).any():
        out.add(STROKE.id)
    return out


def _places(board: Board, layer: Layer, widths: Widths, reach: float) -> Places:
    """Rows of all three rules, narrowest first within a cell."""
    image = layer.image
    edge_p, _ = edges_at(image.edges, widths.p)
    edge_q, _ = edges_at(image.edges, widths.q)
    joined = board.net_joined[layer.net[image.component[widths.part]]]
    rule = _rule(layer, widths, edge_p, edge_q, joined)
    tongue = np.flatnonzero((rule == _SLIVER) & ~joined)
    rule[tongue[_is_island(layer, widths.part[tongue], reach)]] = -1
    listed = np.flatnonzero(rule >= 0)
    keep = listed[
        narrowest_per_cell(widths.take(listed), (rule * len(image.parts) + widths.part)[listed])
    ]
    widths, edge_p, edge_q = widths.take(keep), edge_p[keep], edge_q[keep]
    rule, joined = rule[keep], joined[keep]
    widths = _snapped(widths, layer, edge_p, edge_q)
    piece_p = np.where(edge_p >= 0, image.edges.piece[edge_p], -1)
    component = image.component[widths.part]
    kind = np.where(piece_p >= 0, feature_kind(image, np.maximum(piece_p, 0)), "")
    # Fill beside a conductor does not make the conductor fill.
    kind = np.where((rule == _WIDTH) & (kind == "pour"), "conductor", kind)
    hair = (widths.value < HAIR) & (edge_p >= 0) & (edge_q >= 0)
    if len(image.edges):
        thin = hair_edges(image)
        hair &= thin[edge_p] & thin[edge_q]
    if (hair & (rule == _WIDTH)).any():  # one drawing left in the layer, told by one rule
        rule = np.where(hair, _WIDTH, rule)
    return Places.of(
        rule=names(_RULES, rule),
        layer=layer.name,
        position=board.position(layer),
        kind=np.where(hair, HAIRLINE, np.where(joined, kind, LONE)),
        value=widths.value,
        uncertainty=_width_error(layer, edge_p, edge_q, widths),
        **place_points(board, widths.p, widths.q),
        group=np.where(hair, WHOLE_LAYER, component),  # a drawing left in the layer: asked once
        net_a=names(board.net_names, layer.net[component]),
        **source(image, edge_p, "a"),
        **source(image, edge_q, "b"),
    )


def _rule(
    layer: Layer, widths: Widths, edge_p: Rows, edge_q: Rows, joined: npt.NDArray[np.bool_]
) -> npt.NDArray[np.intp]:
    """Number of the rule each narrow place belongs to, by the edges its two points lie on (-1:
    unknown); -1 where it belongs to none."""
    image, edges = layer.image, layer.image.edges
    rule = np.full(len(edge_p), _WIDTH, dtype=np.intp)
    if len(edges) == 0:
        return rule
    known = (edge_p >= 0) & (edge_q >= 0)
    p, q = np.maximum(edge_p, 0), np.maximum(edge_q, 0)
    piece_p, piece_q = edges.piece.take(p), edges.piece.take(q)
    kind_p, kind_q = image.kind.take(piece_p), image.kind.take(piece_q)
    drawn = (kind_p <= Kind.ARC) & (kind_q <= Kind.ARC)
    fill = (edge_p >= 0) & (kind_p == Kind.REGION)
    fill |= (edge_q >= 0) & (kind_q == Kind.REGION)
    # Two draws side by side that do not touch: what joins them there is fill.
    two = drawn & (p != q) & known & image.whole.take(piece_p) & image.whole.take(piece_q)
    rows = np.flatnonzero(two)
    apart = closest_pairs(edges.segments, p[rows], edges.segments, q[rows])[0]
    beside = apart > edges.r[p[rows]] + edges.r[q[rows]] + 2 * CHORD_ERROR
    fill[rows[beside]] = True
    made = np.flatnonzero(fill)
    made = made[~_along_a_draw(layer, widths.take(made))]
    rule[made] = _SLIVER
    lettering = np.flatnonzero(~joined & known & drawn)
    across = (edge_p == edge_q) & (np.abs(2 * edges.r[p] - widths.value) <= 2 * CHORD_ERROR)
    rule[lettering] = np.where(across[lettering], _STROKE, -1)
    return rule


def _is_island(layer: Layer, part: Rows, reach: float) -> npt.NDArray[np.bool_]:
    """Whether the whole of each part is no wider than ``reach``."""
    which, of = np.unique(part, return_inverse=True)
    return np.asarray((rectangles(layer.image.parts[which])[0] <= reach)[of])


def _along_a_draw(layer: Layer, widths: Widths) -> npt.NDArray[np.bool_]:
    """Places in the middle of which a draw of about that width runs: a conductor that fill
    (a teardrop, say) touches is no tongue of fill."""
    image = layer.image
    out = np.zeros(len(widths), dtype=np.bool_)
    edges = image.edges
    draws = (edges.r > 0) & (image.kind[edges.piece] <= Kind.ARC)
    if len(widths) == 0 or not draws.any():
        return out
    middle = (widths.p + widths.q) / 2
    place, draw = edges.index.at(middle[:, 0], middle[:, 1], 0.0)
    wide = np.flatnonzero(draws[draw] & (2 * edges.r[draw] >= 0.8 * widths.value[place]))
    place, draw = place[wide], draw[wide]
    hit = points_to_segments(middle, place, edges.segments, draw) <= widths.value[place] / 4
    out[place[hit]] = True
    return out


def _snapped(widths: Widths, layer: Layer, a: Rows, b: Rows) -> Widths:
    """Where both points lie on one draw or round land, the width is its diameter, exactly."""
    edges = layer.image.edges
    same = (a >= 0) & (a == b)
    diameter = np.where(same, 2 * edges.r[np.where(same, a, 0)], 0.0)
    near = same & (diameter > 0) & (np.abs(diameter - widths.value) <= 2 * CHORD_ERROR)
    return Widths(np.where(near, diameter, widths.value), widths.p, widths.q, widths.part)


def _width_error(
    layer: Layer, edge_p: Rows, edge_q: Rows, widths: Widths
) -> npt.NDArray[np.float64]:
    """Exact between straight stretches, up to a chord error per round outline otherwise; more
    where a point is the sharp inner corner at which two outlines cross."""
    edges = layer.image.edges
    total = np.zeros(len(widths))
    if len(edges) == 0:
        return total + 2 * CHORD_ERROR
    same = (edge_p == edge_q) & (edge_p >= 0)
    same &= widths.value == 2 * edges.r[np.where(same, edge_p, 0)]
    rows = np.flatnonzero(~same)
    for edge, points in ((edge_p, widths.p), (edge_q, widths.q)):
        total[rows] += _corner_error(edges, edge[rows], points.take(rows, axis=0))
    return np.where(same, 0.0, total)


def _corner_error(
    edges: Edges, best: Rows, points: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """How far each point may lie from where the true outlines are, or cross.

    Two outlines, each off by c, that leave a wedge of angle a between them move its tip by up
    to c / sin(a / 2); a is 180 degrees less the angle between their outward normals.
    """
    of, edge = edges.index.at(points[:, 0], points[:, 1], CHORD_ERROR)
    of, edge = np.append(of, np.flatnonzero(best >= 0)), np.append(edge, best[best >= 0])
    far, foot, _ = closest_pairs(edges.segments, edge, np.tile(points, 2), of)
    at = points.take(of, axis=0)
    on = np.abs(far - edges.r[edge]) <= 1.5 * CHORD_ERROR
    on[len(on) - np.count_nonzero(best >= 0) :] = True
    of, edge, at, far, foot = of[on], edge[on], at[on], far[on], foot[on]
    segment = edges.segments.take(edge, axis=0)
    d = segment[:, 2:] - segment[:, :2]
    length = np.hypot(*d.T)
    t = ((at - segment[:, :2]) * d).sum(axis=1) / np.maximum(length, 1e-12) ** 2
    straight = (edges.r[edge] == 0) | ((length > 0) & (t > 0) & (t < 1))
    each = np.where(straight, edges.error[edge], CHORD_ERROR)
    worst = np.where(best >= 0, 0.0, CHORD_ERROR)
    np.maximum.at(worst, of, each)
    # Only round outlines have a side of their own here; straight edges are taken as they are.
    curved = np.flatnonzero((edges.r[edge] > 0) & (far > 0))
    normal = (at[curved] - foot[curved]) / far[curved][:, None]
    order = np.argsort(of[curved], kind="stable")
    of, normal = of[curved][order], normal[order]
    facing = np.ones(len(points))
    for step in range(1, 1 + int(np.bincount(of).max(initial=0))):
        pair = of[step:] == of[:-step]
        cosine = (normal[step:] * normal[:-step]).sum(axis=1)[pair]
        np.minimum.at(facing, of[step:][pair], cosine)
    return np.asarray(worst / np.sqrt(np.maximum((1 + facing) / 2, 1e-4)))
