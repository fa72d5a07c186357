"""Etch: narrow free space inside one net: notches, enclosed slits and pinholes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.nets import hole_polygons
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.edges import CHORD_ERROR
from dfmcheck.geometry.facing import Widths, narrow_places
from dfmcheck.geometry.gaps import outline_gap
from dfmcheck.geometry.voids import (
    Voids,
    free_of,
    mean_width,
    outer_points,
    rectangles,
    void_at,
    voids_of,
)
from dfmcheck.measure.common import concat_layers, edges_at, names, place_points, source
from dfmcheck.measure.etch_common import (
    LONE,
    cut_by_one,
    narrowest_per_cell,
    on_circuit,
    pair_kind,
    tightest_of,
)
from dfmcheck.measure.hairlines import on_hairline
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Step, Weight

Rows = npt.NDArray[np.intp]
Floats = npt.NDArray[np.float64]

_GRID = 1e-6  # mm; either outline is rounded to a nanometre
_TOUCHING = 0.002  # mm; below this two outlines of one net are taken to touch
_SEEN = 0.006  # mm; no film shows a void smaller than this
_MEANT = 0.1
_COMPACT = 3.0  # longer than so many times its width a void is a slit, not a pinhole
_FEW = 20_000  # outline points; a layer with fewer is searched again within a fraction of a second
_SMALLEST = 50  # voids looked at for the smallest where none is within reach

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
    repeats=True,
)

RESIST = Rule(
    id="etch.resist-sliver",
    step=Step.ETCH,
    looks_at="copper",
    quantity="width of an enclosed slit in one net",
    unit="mm",
    direction="at-least",
    on_the_floor="The strip of plating resist that stands in a slit closed all round hangs on "
    "nothing but its own foot: it tears loose in the developer and lands on another conductor, "
    "where copper is then missing or left.",
    change="Fill the slit, or widen it.",
    who="edit",
    front_end="May fill a slit inside one net where no impedance is asked for.",
    source="common practice",
    weight=Weight.QUERY,
    repeats=True,
)

PINHOLE = Rule(
    id="etch.pinhole",
    step=Step.ETCH,
    looks_at="copper",
    quantity="width of a small void in copper",
    unit="mm",
    direction="at-least",
    on_the_floor="A dot of resist this small does not hold: it lifts and wanders, and the void "
    "comes out closed or ragged, so that inspection stops at each of them.",
    change="Fill the void, or make it large enough to be meant.",
    who="edit",
    front_end="May fill a void of this size inside one net.",
    source="common practice",
    weight=Weight.QUERY,
)


@measures(NOTCH, RESIST, PINHOLE)
def narrow_voids(board: Board, reach: float) -> Places:
    """Narrow free space with one net on both sides, on every copper layer's final image.

    A place in a void of its net closed all round, no more than twice as wide on the whole as at
    that place, belongs to ``etch.resist-sliver``; a void whose smallest turned rectangle is no more
    than three times as long as wide, and within reach, is one place of ``etch.pinhole`` (and
    of nothing else); every other place is an ``etch.notch``. Voids with a drilled hole or
    other copper in them, and those under 6 µm, are no pinholes.

    A gap between two strokes of one letter, less than a tenth of either, is not listed: they
    are drawn to be one, and no circuit is the worse for it. Neither is a gap beside a hairline,
    which ``etch.conductor-width`` or ``etch.text-stroke`` names.
    """
    numbers = {id(layer): n for n, layer in board.numbered()}

    def one(board: Board, layer: Layer) -> Places:
        image = layer.image
        net = layer.net[image.component]
        circuit = on_circuit(board, numbers[id(layer)], layer)[image.component]
        voids = voids_of(image.parts)
        drilled = hole_polygons(board.holes, np.arange(len(board.holes)))
        holes, pinhole = _pinholes(board, layer, voids, drilled, reach)

        def search(far: float) -> Places:
            widths = narrow_places(image.parts, far, void=True, label=net)
            return _slits(board, layer, widths, voids, pinhole, circuit)

        found = search(reach)
        missing = {NOTCH.id} | ({RESIST.id} if len(voids) else set())
        missing -= set(found["rule"].tolist())
        points = shapely.get_num_coordinates(image.parts).sum()
        if missing and (len(found) == 0 or points < _FEW):
            wider = search(4 * max(reach, 0.1))
            found = Places.concat([found, *(tightest_of(wider, rule) for rule in sorted(missing))])
        return Places.concat([found, holes])

    return concat_layers(board, board.copper, one)


def _slits(
    board: Board, layer: Layer, widths: Widths, voids: Voids, pinhole: npt.NDArray[np.bool_],
    circuit: npt.NDArray[np.bool_],
) -> Places:  # fmt: skip
    """Rows of notch and resist-sliver; ``circuit`` tells it of every part."""
    image = layer.image
    net = layer.net[image.component]
    widths = widths.take(narrowest_per_cell(widths, widths.part))
    edge_p, _ = edges_at(image.edges, widths.p)
    edge_q, _ = edges_at(image.edges, widths.q)
    value, error = _exact_gap(layer, widths, edge_p, edge_q)
    void = void_at(voids, (widths.p + widths.q) / 2)
    named = np.append(pinhole, False)[void]  # -1, no void, reads the last
    keep = np.flatnonzero(
        (value > _TOUCHING) & ~named & ~_of_drawing(layer, widths, edge_p, edge_q, circuit)
    )
    widths, value, error, void = widths.take(keep), value[keep], error[keep], void[keep]
    edge_p, edge_q = edge_p[keep], edge_q[keep]
    closed = np.zeros(len(widths), dtype=np.bool_)
    # The clearance in another net's pour round two lands of one net is no slit of theirs.
    own = np.flatnonzero(void >= 0)
    own = own[net[voids.part[void[own]]] == net[widths.part[own]]]
    held, of = np.unique(void[own], return_inverse=True)
    if len(held):
        closed[own] = mean_width(voids.take(held), image.parts)[of] <= 2 * value[own]
    return Places.of(
        rule=np.where(closed, RESIST.id, NOTCH.id).astype(object),
        layer=layer.name,
        position=board.position(layer),
        kind=np.where(board.net_joined[net[widths.part]], pair_kind(layer, edge_p, edge_q), LONE),
        value=value,
        uncertainty=error,
        **place_points(board, widths.p, widths.q),
        group=net[widths.part].astype(np.int64),
        net_a=names(board.net_names, net[widths.part]),
        **source(image, edge_p, "a"),
        **source(image, edge_q, "b"),
    )


def _of_drawing(
    layer: Layer, widths: Widths, edge_p: Rows, edge_q: Rows, circuit: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Places beside a hairline, or between two strokes of one piece of copper that no circuit
    hangs on and that are nearer each other than a tenth of the thinner one."""
    image = layer.image
    if len(image.edges) == 0:
        return np.zeros(len(widths), dtype=np.bool_)
    stroke = image.kind[image.edges.piece] <= Kind.ARC
    drawn = (edge_p >= 0) & (edge_q >= 0) & stroke[edge_p] & stroke[edge_q]
    one_piece = image.edge_component[edge_p] == image.edge_component[edge_q]
    thinner = 2 * np.minimum(image.edges.r[edge_p], image.edges.r[edge_q])
    meant = widths.value < _MEANT * thinner
    beside = on_hairline(image, edge_p, widths.p, widths.q)
    beside |= on_hairline(image, edge_q, widths.q, widths.p)
    return np.asarray(beside | (drawn & one_piece & meant & ~circuit[widths.part]))


def _pinholes(
    board: Board, layer: Layer, voids: Voids, drilled: npt.NDArray[np.object_], reach: float
) -> tuple[Places, npt.NDArray[np.bool_]]:
    """Rows of pinhole, and which voids they are."""
    image = layer.image
    is_pinhole = np.zeros(len(voids), dtype=np.bool_)
    if len(voids) == 0:
        return Places.empty(), is_pinhole
    box = shapely.bounds(voids.shape)
    size = box[:, 2:] - box[:, :2]
    # A turned rectangle 3 × 1 stands in an upright one no longer than its diagonal.
    rows = np.flatnonzero(size.max(axis=1) <= np.hypot(_COMPACT, 1) * reach)
    found = _compact(voids, rows, image.parts, drilled)
    near = found.value <= reach
    if not near.any():
        rows = np.argsort(shapely.area(voids.shape), kind="stable")[:_SMALLEST]
        found = _compact(voids, rows, image.parts, drilled)
        near = np.zeros(len(found), dtype=np.bool_)
        near[np.argmin(found.value) if len(found) else []] = True
    found = found.take(np.flatnonzero(near))
    is_pinhole[found.part] = found.value <= reach
    component = image.component[voids.part[found.part]]
    edge, _ = edges_at(image.edges, found.p)
    joined = board.net_joined[layer.net[component]]
    places = Places.of(
        rule=PINHOLE.id,
        layer=layer.name,
        position=board.position(layer),
        kind=np.where(joined, "", LONE),
        value=found.value,
        uncertainty=2 * CHORD_ERROR
        + np.where(cut_by_one(image, found.p, found.q), 0.0, image.grid),
        **place_points(board, found.p, found.q),
        group=layer.net[component].astype(np.int64),
        net_a=names(board.net_names, layer.net[component]),
        **source(image, edge, "a"),
    )
    return places, is_pinhole


def _compact(
    voids: Voids, rows: Rows, parts: npt.NDArray[np.object_], drilled: npt.NDArray[np.object_]
) -> Widths:
    """Empty voids no more than so many times as long as wide; ``part`` is the void's row."""
    rows = rows[free_of(voids.take(rows), outer_points(parts))]
    rows = rows[free_of(voids.take(rows), drilled)]
    short, long, p, q = rectangles(voids.shape[rows])
    keep = (long <= _COMPACT * short) & (short > _SEEN)
    return Widths(short[keep], p[keep], q[keep], rows[keep])


def _exact_gap(layer: Layer, widths: Widths, edge_p: Rows, edge_q: Rows) -> tuple[Floats, Floats]:
    """The gap of the two edges the points lie on, where it is the one the facets show."""
    edges = layer.image.edges
    if len(widths) == 0:
        return np.empty(0), np.empty(0)
    gap = outline_gap(edges, np.maximum(edge_p, 0), edges, np.maximum(edge_q, 0))
    # The facets lie inside round copper, so they show up to a chord error per side too much.
    same = (edge_p >= 0) & (edge_q >= 0)
    same &= (gap.value <= widths.value + 1e-6) & (gap.value >= widths.value - 2.5 * CHORD_ERROR)
    error = np.where(same, gap.error + _GRID, 2 * CHORD_ERROR)
    exact = same & cut_by_one(layer.image, widths.p, widths.q)
    return (
        np.where(same, gap.value, widths.value),
        np.where(exact, error - 2 * layer.image.grid, error),
    )
