"""Mask: solder mask with openings over lands. Webs between openings, clearance round lands."""

from __future__ import annotations

import numpy as np
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.depth import part_at
from dfmcheck.geometry.rows import run_starts
from dfmcheck.measure.common import (
    concat_layers,
    edges_at,
    free_gaps,
    is_land,
    names,
    ordered_key,
    pair_key,
    place_points,
    source,
)
from dfmcheck.measure.mask_figures import FLASHED, figures, nothing_to_bridge, plain_copper
from dfmcheck.measure.mask_shapes import on_board, outer_copper
from dfmcheck.measure.mask_twins import depth_in
from dfmcheck.measure.places import WHOLE_LAYER, Places
from dfmcheck.measure.rule import Rule, measures
from dfmcheck.terms import Side, Step, Weight

NO_BRIDGE = "nothing to bridge"
MEET = "meant to meet"
_BEYOND = 5.0  # mm; so far one looks back from a land outside its opening
_MEET = 0.006  # mm; no film shows a web this thin, and it leaves no flake

WEB = Rule(
    id="mask.web",
    step=Step.MASK,
    looks_at="mask",
    quantity="web of mask between two openings",
    unit="mm",
    direction="at-least",
    on_the_floor="A web this thin does not hold in development: it washes off, or floats onto a "
    "land; without it solder bridges between the lands.",
    change="Shrink the openings, move the lands apart, or accept one opening for the row.",
    who="edit",
    front_end="May join the openings where the lands are one net; must ask between nets.",
    source="common practice (IPC-7351 3.1 treats mask webs between lands; value from memory)",
    weight=Weight.QUERY,
    mild=(NO_BRIDGE, MEET),
)


@measures(WEB)
def web(board: Board, reach: float) -> Places:
    """Mask left between different openings of one mask layer.

    Kind ``nothing to bridge`` where the copper beside and under the web is of one net at most;
    such webs are one finding a layer, those too thin to be webs at all apart as ``meant to
    meet``.
    """

    def one(board: Board, layer: Layer) -> Places:
        layer = on_board(board, layer)
        image = layer.image
        component = image.edge_component
        gaps = free_gaps(image, component, reach)
        key = pair_key(component[gaps.a], component[gaps.b])
        mild = np.zeros(len(gaps), dtype=np.bool_)
        copper = outer_copper(board, layer.role.side)
        if copper is not None:
            mild = nothing_to_bridge(copper, figures(board, layer, copper.image), image, gaps)
        kind = np.where(mild, np.where(gaps.value < _MEET, MEET, NO_BRIDGE), "").astype(object)
        return Places.of(
            rule=WEB.id,
            layer=layer.name,
            kind=kind,
            value=gaps.value,
            uncertainty=gaps.error,
            **place_points(board, gaps.p, gaps.q),
            group=np.where(kind == NO_BRIDGE, WHOLE_LAYER, np.where(mild, WHOLE_LAYER - 1, key)),
            **source(image, gaps.a, "a"),
            **source(image, gaps.b, "b"),
        )

    return concat_layers(board, board.masks, one)


CLEARANCE = Rule(
    id="mask.clearance",
    step=Step.MASK,
    looks_at="mask",
    quantity="clearance from a land to the edge of its mask opening, all round",
    unit="mm",
    direction="at-least",
    on_the_floor="Mask registers only to its tolerance: with too little clearance it creeps onto "
    "the land and the joint is starved.",
    change="Enlarge the opening, or centre it on the land.",
    who="edit",
    front_end="May enlarge openings to the shop's clearance where the webs allow it.",
    source="IPC-7351 (mask clearance; value from memory), limits per shop",
    weight=Weight.QUERY,
    past="mask on a land, in from its edge",
)


@measures(CLEARANCE)
def clearance(board: Board, reach: float) -> Places:
    """Smallest clearance between every land and the opening its centre lies in.

    Negative where mask lies on the land. An opening that lies wholly inside one land is mask
    defined and left out: there the opening, not the copper, makes the land.
    """
    if not board.copper:
        return Places.empty()

    def one(board: Board, mask: Layer) -> Places:
        copper = board.copper[0] if mask.role.side is Side.TOP else board.copper[-1]
        if copper.role.side not in (None, mask.role.side):
            # The only conductor lies on the other side: nothing here to open the mask for.
            return Places.empty()
        image = copper.image
        lands = np.flatnonzero(is_land(image))
        if len(lands) == 0 or len(mask.image.parts) == 0:
            return Places.empty()
        centre = shapely.get_coordinates(shapely.centroid(image.pieces[lands]))
        opening = part_at(mask.image.parts, centre[:, 0], centre[:, 1])
        flash = image.flash[lands]
        own, by_itself = _opened(image.pieces[lands], flash, opening, mask)
        own &= opening >= 0
        # A region in an opening that has a flashed land is a pour's corner or a teardrop, unless
        # an object of the opening was made for it.
        flashed = np.isin(opening, opening[own & flash])
        own &= flash | ~flashed | by_itself
        if (own & flash).sum() >= FLASHED * own.sum():
            own &= ~plain_copper(board, mask.role.side, image)[image.piece_component[lands]]
        lands, opening = lands[own], opening[own]
        of_land = np.full(len(image.pieces), -1, dtype=np.intp)
        of_land[lands] = np.arange(len(lands))
        rows = np.flatnonzero(of_land[image.edges.piece] >= 0)
        depth = depth_in(image, rows, mask.image, max(reach, 0.5), max(reach, _BEYOND))
        land = of_land[image.edges.piece[rows]]
        known = np.flatnonzero(~np.isnan(depth.value))
        at = depth.at[known].round(5)
        order = known[np.lexsort((at[:, 0], at[:, 1], depth.value[known].round(6), land[known]))]
        first = run_starts(land[order])
        worst = order[first]
        value = depth.value[worst]
        defined = np.zeros(len(worst), dtype=np.bool_)
        below = np.flatnonzero(value < -1e-4)
        shapely.prepare(image.pieces[lands[land[worst[below]]]])
        defined[below] = shapely.covers(
            image.pieces[lands[land[worst[below]]]],
            mask.image.parts[opening[land[worst[below]]]],
        )
        worst = worst[~defined]
        # A land may be drawn of several objects: one place per opening and net, and of points
        # equally near the lowest, so that the way it was drawn makes no difference.
        where = ordered_key(opening[land[worst]], copper.edge_net[rows[worst]])
        at = depth.at[worst].round(5)
        order = np.lexsort((at[:, 0], at[:, 1], depth.value[worst].round(6), where))
        first = run_starts(where[order])
        worst = worst[order[first]]
        value = depth.value[worst]
        keep = value <= reach
        if not keep.any() and len(value):
            keep = np.arange(len(value)) == int(np.argmin(value))
        worst = worst[keep]
        net = copper.edge_net[rows[worst]]
        edge, _ = edges_at(mask.image.edges, depth.at[worst])
        away = depth.at[worst] - depth.frm[worst]
        length = np.hypot(away[:, 0], away[:, 1])
        # An end of the land's spine outside the opening looks back at it: turn round.
        turn = np.where(depth.value[worst] + image.edges.r[rows[worst]] < 0, -1.0, 1.0)
        scale = turn * image.edges.r[rows[worst]] / np.where(length > 0, length, 1.0)
        rim = depth.frm[worst] + away * scale[:, None]
        columns = source(mask.image, edge, "b")
        return Places.of(
            rule=CLEARANCE.id,
            layer=mask.name,
            value=depth.value[worst],
            uncertainty=depth.error[worst] + image.edges.error[rows[worst]],
            **place_points(board, rim, depth.at[worst]),
            group=lands[land[worst]].astype(np.int64),
            net_a=names(board.net_names, net),
            **source(image, rows[worst], "a"),
            **columns,
        )

    return concat_layers(board, board.masks, one)


def _opened(
    lands: np.ndarray, flash: np.ndarray, opening: np.ndarray, mask: Layer
) -> tuple[np.ndarray, np.ndarray]:
    """Whether the opening a land's centre lies in was made for that land, and whether one of the
    opening's own flashes or regions was, in which no flashed land has its middle.

    It was when the centre of the opening, or of one of the objects it is painted of, lies in
    the land; an opening that merely reaches over a neighbouring via or pour is not its own.
    """
    image = mask.image
    centres = np.concatenate(
        [
            shapely.get_coordinates(shapely.centroid(image.parts)),
            shapely.get_coordinates(shapely.centroid(image.pieces)),
        ]
    )
    of_part = np.concatenate([np.arange(len(image.parts)), image.part])
    land, point = shapely.STRtree(shapely.points(centres)).query(lands, predicate="intersects")
    mine = of_part[point] == opening[land]
    land, point = land[mine], point[mine]
    own = np.zeros(len(lands), dtype=np.bool_)
    own[land] = True
    whole = np.concatenate(
        [np.zeros(len(image.parts), dtype=np.bool_), image.flash | (image.kind == Kind.REGION)]
    )
    whole[point[flash[land]]] = False
    by_itself = np.zeros(len(lands), dtype=np.bool_)
    made = np.concatenate([image.parts, image.pieces])[point]
    alone = whole[point] & (shapely.area(lands[land]) <= 1.5 * shapely.area(made))
    by_itself[land[alone]] = True
    # A pour that holds many openings is no land of any one of them.
    size = shapely.area(image.parts)[np.maximum(opening, 0)]
    return np.asarray(own & (shapely.area(lands) <= 6 * size)), by_itself
