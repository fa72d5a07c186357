"""Etch: spacing between nets whose voltage the user states. Measured only where stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.geometry.depth import part_at
from dfmcheck.geometry.edges import CHORD_ERROR, Edges
from dfmcheck.geometry.gaps import (
    Gaps,
    all_but_largest,
    along_parallels,
    candidate_pairs,
    gaps_between,
    gaps_within,
    thin,
)
from dfmcheck.geometry.rows import repeats, run_starts
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

_SAME = 1e-9  # volts; below it two values are one
_SOURCES = 200  # ways are looked for from so many pieces of copper at a time

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
    stated voltage in between is taken as floating, so its width does not insulate: what counts
    is the free laminate on the shortest way over it, however wide it is.
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

    def search(far: float) -> Gaps:
        gaps = gaps_within(
            edges, far, lambda a, b: np.asarray(np.abs(volts[a] - volts[b]) > _SAME), start=start
        )
        gaps = along_parallels(gaps, edges, edges)
        gaps = gaps.take((gaps.value > 0) & (gaps.value <= far))
        gaps = gaps.take(thin(gaps, pair_key(edges.piece[gaps.a], edges.piece[gaps.b]), CELL))
        # Most cross copper at their middle, which is soon told.
        middle = (gaps.p + gaps.q) / 2
        gaps = gaps.take(part_at(image.parts, middle[:, 0], middle[:, 1]) < 0)
        free = np.ones(len(gaps), dtype=np.bool_)
        free[_crossings(layer, gaps)[1]] = False
        return gaps.take(free)

    component = image.edge_component[rows]
    clear = with_tightest(search, reach, lambda far: candidate_pairs(edges, far, start))
    clear = clear.take(thin(clear, pair_key(component[clear.a], component[clear.b]), CELL))
    across = _across(board, layer, rows[start], rows, reach)
    gaps = Gaps.concat([clear, across])
    difference = np.abs(volts[gaps.a] - volts[gaps.b])
    kind = np.array([f"{v:g} V" for v in difference.tolist()], dtype=object)
    kind[len(clear) :] += ", across copper of no stated voltage"
    return Places.of(
        rule=VOLTAGE_SPACING.id,
        layer=layer.name,
        position=board.position(layer),
        kind=kind,
        value=gaps.value,
        uncertainty=gaps.error,
        volts=difference,
        **place_points(board, gaps.p, gaps.q),
        group=pair_key(net[gaps.a], net[gaps.b]),
        net_a=names(board.net_names, net[gaps.a]),
        net_b=names(board.net_names, net[gaps.b]),
        **source(image, rows[gaps.a], "a"),
        **source(image, rows[gaps.b], "b"),
    )


def _across(
    board: Board, layer: Layer, start: npt.NDArray[np.intp], rows: npt.NDArray[np.intp],
    reach: float,
) -> Gaps:  # fmt: skip
    """Shortest ways over free laminate from edges ``start`` to copper of other stated voltage,
    by way of copper of none: one for each piece of it that is next to either end.

    Floating copper is a step that costs nothing, so the ways are those of a graph: connected
    pieces of copper, joined by the narrowest gap between them. Looked at is the floating copper
    within ``reach`` of ``start``. ``value`` is the laminate crossed, not the distance of ``p``
    and ``q``; ``a`` and ``b`` count in ``rows``, the edges of stated voltage, ascending.
    """
    image = layer.image
    component = image.edge_component
    floating = np.ones(len(component), dtype=np.bool_)
    floating[rows] = False
    into = _narrowest(board, layer, start, np.flatnonzero(floating), reach)
    near = np.unique(component[into.b])
    if len(near) == 0:
        return into
    between = np.flatnonzero(floating & np.isin(component, near))
    over = _narrowest(board, layer, between, between, reach)
    out = _narrowest(board, layer, between, rows, reach)
    from scipy.sparse import csr_array  # loads slowly, and most screens state no voltages
    from scipy.sparse.csgraph import dijkstra

    n = int(component.max()) + 1
    first = np.concatenate([component[g.a] for g in (over, out)])
    last = np.concatenate([component[g.b] for g in (over, out)])
    graph = csr_array((np.concatenate([over.value, out.value]), (first, last)), shape=(n, n))
    volts = board.volts[layer.net]
    ways = [_WAY.copy()]
    for s in range(0, len(near), _SOURCES):
        sources = near[s : s + _SOURCES]
        length, before = dijkstra(graph, indices=sources, limit=reach, return_predecessors=True)
        length[:, ~np.isfinite(volts)] = np.inf
        at, end = np.nonzero(length <= reach)
        row = np.flatnonzero(np.isin(component[into.b], sources))
        of, k = _each_end(at, np.searchsorted(sources, component[into.b[row]]))
        row, at, end = row[of], at[k], end[k]
        own, value = component[into.a[row]], length[at, end] + into.value[row]
        keep = (value <= reach) & (np.abs(volts[end] - volts[own]) > _SAME)
        way = np.empty(int(keep.sum()), dtype=_WAY.dtype)
        for name, column in (
            ("own", own), ("last", before[at, end]), ("end", end), ("row", row), ("value", value)
        ):  # fmt: skip
            way[name] = column[keep]
        ways.append(_shortest(way))
    way = _shortest(np.concatenate(ways))
    # Between two that both start the way is found from either side.
    begun = np.isin(way["end"], component[start])
    way = way[~begun | (way["own"] < way["end"])]
    head = into.take(way["row"])
    pair = component[out.a].astype(np.int64) * n + component[out.b]
    order = np.argsort(pair)
    tail = out.take(order[np.searchsorted(pair[order], way["last"] * n + way["end"])])
    return Gaps(
        np.searchsorted(rows, head.a), np.searchsorted(rows, tail.b), way["value"],
        head.p, tail.q, head.error + tail.error,
    )  # fmt: skip


_WAY = np.empty(
    0, dtype=[("own", "i8"), ("last", "i8"), ("end", "i8"), ("row", "i8"), ("value", "f8")]
)
"""Ways from the component ``own`` by the gap ``row`` to the component ``end``, which they reach
from the component ``last``; ``value`` is the laminate crossed, mm."""


def _each_end(
    source: npt.NDArray[np.intp], asked: npt.NDArray[np.intp]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Pairs of a row of ``asked`` and a row of ``source``, ascending, that are of one number.

    Examples
    --------
    >>> [rows.tolist() for rows in _each_end(np.array([0, 0, 2]), np.array([2, 0, 1]))]
    [[0, 1, 1], [2, 0, 1]]
    """
    first = np.searchsorted(source, asked)
    of, number = repeats(np.searchsorted(source, asked, side="right") - first)
    return of, first[of] + number


def _shortest(way: npt.NDArray[np.void]) -> npt.NDArray[np.void]:
    """The shortest of all ways between the same components, of equals that by the first gap; in
    the order in which such ways are first met."""
    order = np.lexsort((way["row"], way["value"], way["end"], way["last"], way["own"]))
    same = way[order]
    head = np.flatnonzero(run_starts(same["own"], same["last"], same["end"]))
    if len(head) == 0:
        return way
    return same[head][np.argsort(np.minimum.reduceat(order, head))]


def _narrowest(
    board: Board, layer: Layer, first: npt.NDArray[np.intp], second: npt.NDArray[np.intp],
    reach: float,
) -> Gaps:  # fmt: skip
    """The narrowest gap of every two connected pieces with an edge in ``first`` and one in
    ``second``, whose line crosses no copper of a stated voltage."""
    image = layer.image
    edges, component = image.edges, image.edge_component
    gaps = gaps_between(
        edges.take(first), edges.take(second), reach,
        lambda a, b: np.asarray(component[first[a]] != component[second[b]]),
    )  # fmt: skip
    gaps = replace(gaps, a=first[gaps.a], b=second[gaps.b]).take(gaps.value > 0)
    key = pair_key(component[gaps.a], component[gaps.b])
    gaps = gaps.take(thin(gaps, key, CELL))
    part, crossed = _crossings(layer, gaps)
    free = np.ones(len(gaps), dtype=np.bool_)
    free[crossed[np.isfinite(board.volts[layer.net[image.component[part]]])]] = False
    gaps = gaps.take(free)
    one, other = component[gaps.a], component[gaps.b]
    order = np.lexsort((gaps.value, other, one))
    return gaps.take(order[run_starts(one[order], other[order])])


def _crossings(layer: Layer, gaps: Gaps) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Rows of parts and of the gaps whose line they cross."""
    # The ends lie on the outlines: drawn in, so that the gap's own copper is not met there.
    inward = np.minimum(4 * CHORD_ERROR + gaps.error, 0.25 * gaps.value) / gaps.value
    along = (gaps.q - gaps.p) * inward[:, None]
    lines = shapely.linestrings(np.stack([gaps.p + along, gaps.q - along], axis=1))
    part, gap = shapely.STRtree(lines).query(layer.image.parts, predicate="intersects")
    return part, gap
