"""Features of the board itself, changed: a draw's aperture, a land's, a hit's tool."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.patch import Patch
from benchmarks.defects.plant import (
    PRESENCE,
    Aim,
    Companion,
    Expect,
    NoPlace,
    Plant,
    Shift,
    planter,
)  # fmt: skip
from benchmarks.defects.site import Site
from benchmarks.defects.truth import all_apart, ring_place
from dfmcheck.board.model import Layer
from dfmcheck.formats.records import Kind
from dfmcheck.geometry.image import Image


def edges_of(layer: Layer) -> np.ndarray:
    e = layer.image.edges
    return np.stack([e.x0, e.y0, e.x1, e.y1], axis=-1)


def shuffled(rng: Generator, rows: np.ndarray, most: int = 60) -> list[int]:
    return [int(k) for k in rng.permutation(rows)[:most]]


def _draws(patch: Patch, layer: Layer, longest: float = 1.2) -> np.ndarray:
    """Rows of ``edges``: plain straight draws of some length, one to a line of the file."""
    image, edit = layer.image, patch.on(layer)
    e = image.edges
    long = np.hypot(e.x1 - e.x0, e.y1 - e.y0) > longest
    rows = np.flatnonzero(long & (e.r > 0) & (image.kind[e.piece] == Kind.DRAW)
                          & image.whole[e.piece])  # fmt: skip
    return rows[[edit.is_plain(int(image.line[e.piece[k]]), "1") for k in rows]]


@planter("etch.conductor-width")
def thinner_draw(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A straight draw of a real conductor given a smaller aperture."""
    layer = site.copper(rng, outer=False)
    patch = Patch(site)
    edit, image = patch.on(layer), layer.image
    segments, e = edges_of(layer), layer.image.edges
    for k in shuffled(rng, _draws(patch, layer)):
        piece = int(e.piece[k])
        if not site.board.net_joined[layer.net[image.piece_component[piece]]]:
            continue
        line = shapely.LineString([segments[k][:2], segments[k][2:]])
        middle = shapely.LineString([line.interpolate(t, normalized=True) for t in (0.3, 0.7)])
        room = middle.buffer(float(e.r[k]) + 0.15, cap_style="flat")
        near = shapely.STRtree(image.pieces).query(room, predicate="intersects")
        if set(near.tolist()) != {piece}:
            continue
        if _bores(site, image, piece, line.buffer(float(e.r[k]))):
            continue
        width = edit.size(aim.at(rng))[1]
        edit.recode(int(image.line[piece]), int(image.code[piece]), "C", width)
        return patch.plant(Expect("etch.conductor-width", layer.name, width, line))
    raise NoPlace("no straight draw that stands alone")


def _bores(site: Site, image: Image, piece: int, stroke: Any) -> bool:
    """Whether a hole stands in the stroke with no flashed land round it: the stroke is the land."""
    for n in site.hole_tree.query(stroke, predicate="intersects").tolist():
        hole = site.holes[n]
        near = shapely.STRtree(image.pieces).query(hole, predicate="within")
        if not any(image.flash[m] for m in near.tolist() if m != piece):
            return True
    return False


@planter("etch.conductor-spacing")
def wider_draw(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A straight draw of a real conductor made wider until it comes too near to another net."""
    layer = site.copper(rng, outer=False)
    patch = Patch(site)
    edit, image = patch.on(layer), layer.image
    segments, e = edges_of(layer), image.edges
    net = layer.edge_net
    for k in shuffled(rng, _draws(patch, layer)):
        piece = int(e.piece[k])
        if not site.board.net_joined[net[k]]:
            continue
        away = all_apart(tuple(segments[k].tolist()), segments) - e.r
        other = np.flatnonzero(net != net[k])
        if len(other) == 0:
            continue
        first = int(other[np.argmin(away[other])])
        if e.error[first] > image.grid + 1e-9 or not site.board.net_joined[net[first]]:
            continue
        gap = aim.at(rng, 2 * edit.slack)
        width = edit.size(2 * (float(away[first]) - gap))[1]
        if not 2 * e.r[k] < width < 2 * e.r[k] + 0.5:
            continue
        # what else the wider draw comes near to must stay clear of every limit
        rest = other[net[other] != net[first]]
        if len(rest) and away[rest].min() - width / 2 < gap + 0.1:
            continue
        around = shapely.LineString([segments[k][:2], segments[k][2:]]).buffer(width / 2 + 0.3)
        holes = site.hole_tree.query(around, predicate="intersects")
        if (site.board.holes.net[holes] != net[k]).any():
            continue
        own = np.flatnonzero((net == net[k]) & (e.piece != piece))
        own = own[(away[own] - e.r[k] > 1e-3) & (away[own] - width / 2 < 0.15)]
        if len(own):
            continue
        edit.recode(int(image.line[piece]), int(image.code[piece]), "C", width)
        truth = float(away[first]) - width / 2
        rim = shapely.LineString([segments[k][:2], segments[k][2:]]).buffer(width / 2 + truth / 2)
        bared = Companion("mask.opening-to-conductor", rim.exterior, "near the land's opening")
        along_it = Companion("etch.conductor-spacing", rim.exterior, "along the same draw")
        return patch.plant(Expect("etch.conductor-spacing", layer.name, truth, rim.exterior),
                           companions=(bared, *((along_it,) if aim.past else ())))  # fmt: skip
    raise NoPlace("no draw that can be widened towards one other net only")


def round_lands(layer: Layer) -> dict[int, int]:
    """Piece of every uncut round flash, and its row in ``edges``."""
    image = layer.image
    e = image.edges
    count = np.bincount(e.piece, minlength=len(image.pieces))
    rows = np.flatnonzero((e.r > 0) & (e.x0 == e.x1) & (e.y0 == e.y1) & (count[e.piece] == 1)
                          & image.flash[e.piece] & image.whole[e.piece])  # fmt: skip
    return {int(e.piece[k]): int(k) for k in rows}


def _via(
    site: Site, rng: Generator, most: float = 1e9
) -> list[tuple[int, float, dict[str, tuple[int, float]]]]:
    """Plated round holes alone in the middle of round lands: (row, radius, lands by layer)."""
    h = site.board.holes
    lands = {}
    for layer in site.board.copper:
        e = layer.image.edges
        rows = list(round_lands(layer).values())
        lands[layer.name] = {(round(float(e.x0[k]), 3), round(float(e.y0[k]), 3)): k for k in rows}
    out = []
    number = site.drill_file(True)
    drill = site.edit_drill_file(number)
    known = {**drill.tools, **drill.notes}
    for k in shuffled(rng, np.flatnonzero((h.file == number) & (h.x0 == h.x1) & (h.plated == 1)
                                           & (2 * h.r < most)), 200):  # fmt: skip
        if not drill.is_hit(int(h.line[k])) or int(h.tool[k]) not in known:
            continue
        at = (round(float(h.x0[k]), 3), round(float(h.y0[k]), 3))
        found = {}
        for layer in site.board.copper:
            near = lands[layer.name].get(at)
            if near is not None:
                found[layer.name] = (near, float(layer.image.edges.r[near]))
        if found:
            out.append((k, float(h.r[k]), found))
    if not out:
        raise NoPlace("no plain hit in a round land")
    return out


def _alone(layer: Layer, edge: int, reach: float) -> bool:
    """Whether a round land is the only copper within its rim on more than half its girth."""
    image = layer.image
    piece = int(image.edges.piece[edge])
    rim = image.pieces[piece].buffer(reach).exterior
    others = [p for p in shapely.STRtree(image.pieces).query(rim, predicate="intersects").tolist()
              if p != piece]  # fmt: skip
    if not others:
        return True
    free = rim.difference(shapely.union_all(image.pieces[others]))
    return bool(free.length > 0.5 * rim.length)


@planter("plate.annular-ring")
def larger_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A real hole drilled with a larger tool, in the middle of its round lands."""
    h = site.board.holes
    grow = site.shop.allowance.plated
    for k, r, lands in _via(site, rng):
        layers = {layer.name: layer for layer in site.board.copper}
        smallest = min(radius for _, radius in lands.values())
        patch = Patch(site)
        drill = patch.drill_file(int(h.file[k]))
        slack = drill.slack + max(patch.on(layers[n]).slack for n in lands)
        ring = aim.at(rng, slack) + grow / 2
        hole = round(smallest - ring, 6)
        if hole <= r + 0.01 or hole > 0.65:  # a larger one may be taken for a peg's
            continue
        if not all(_alone(layers[n], e, 0.002) for n, (e, _) in lands.items()):
            continue
        centre = shapely.Point(float(h.x0[k]), float(h.y0[k]))
        near = site.hole_tree.query(centre.buffer(hole + 0.5), predicate="intersects")
        if set(near.tolist()) != {k} or _crowded(site, centre, smallest, hole + 0.35, lands):
            continue
        drill.recode(int(h.line[k]), int(h.tool[k]), 2 * hole)
        at = float(h.x0[k]), float(h.y0[k])
        expect = []
        for name, (edge, radius) in lands.items():
            e = layers[name].image.edges
            off = math.dist(at, (float(e.x0[edge]), float(e.y0[edge])))
            value = radius - hole - off - grow / 2
            if value < aim.limit - slack - 1e-4 if aim.past else radius == smallest:
                expect.append(
                    Expect(
                        "plate.annular-ring",
                        name,
                        value,
                        shapely.Point(at).buffer((radius + hole) / 2, 64).exterior,
                    )
                )
        if not expect:
            continue
        idle = Companion("data.tool-idle", None, "its tool may have no hit left")
        return patch.plant(*expect, companions=(idle,))
    raise NoPlace("no hole that can be drilled larger")


def _crowded(site: Site, centre: shapely.Point, land: float, far: float,
             lands: dict[str, tuple[int, float]]) -> bool:  # fmt: skip
    """Whether copper of another net would be near the larger hole on some layer, or legend."""
    disc = centre.buffer(far)
    for layer in site.board.copper:
        image = layer.image
        near = site.trees[layer.name].query(disc, predicate="intersects")
        if layer.name in lands:
            own = image.part[image.edges.piece[lands[layer.name][0]]]
            if set(near.tolist()) - {int(own)}:
                return True
        elif len(near):
            return True
    for other in (*site.board.legends, *site.board.pastes):
        if len(site.trees[other.name].query(centre.buffer(far + 0.2), predicate="intersects")):
            return True
    return False


@planter("plate.annular-ring")
def smaller_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A real round land round a hole given a smaller aperture, on one layer."""
    h = site.board.holes
    grow = site.shop.allowance.plated
    for k, r, lands in _via(site, rng):
        names = sorted(lands)
        name = names[int(rng.integers(len(names)))]
        layer = next(one for one in site.board.copper if one.name == name)
        edge, radius = lands[name]
        patch = Patch(site)
        edit, image = patch.on(layer), layer.image
        piece = int(image.edges.piece[edge])
        line = int(image.line[piece])
        if not edit.is_plain(line, "3") or not _alone(layer, edge, 0.002):
            continue
        drill = site.edit_drill_file(int(h.file[k]))
        ring = aim.at(rng, edit.slack + drill.slack) + grow / 2
        at = float(h.x0[k]), float(h.y0[k])
        told = float(image.edges.x0[edge]), float(image.edges.y0[edge])
        land = edit.size(2 * (r + ring + math.dist(at, told)))[1]
        if land >= 2 * radius:
            continue
        bore = shapely.Point(told).buffer(r)
        near = shapely.STRtree(image.pieces).query(bore, predicate="intersects").tolist()
        others = [p for p in near if p != piece]
        covered = shapely.union_all(image.pieces[others]) if others else shapely.Point()
        rim = shapely.Point(told).buffer(land / 2, 64).exterior
        where = ring_place(told, land / 2, at, r)
        if others and rim.difference(covered).length < 0.5 * rim.length:
            continue
        edit.recode(line, int(image.code[piece]), "C", land)
        truth = land / 2 - r - math.dist(at, told) - grow / 2
        disc = shapely.Point(told).buffer(radius)
        paste = Companion("stencil.paste-beyond-land", disc, "paste was meant for the land")
        less = Shift("mask.clearance", disc, radius - land / 2, "it is the land's, too")
        return patch.plant(
            Expect("plate.annular-ring", name, truth, where),
            companions=(paste,), shifts=(less,),
        )  # fmt: skip
    raise NoPlace("no land that can be made smaller")


@planter("drill.land-without-hole", PRESENCE)
def hit_left_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A real hole in lands like many others not drilled."""
    h = site.board.holes
    if len(site.board.copper) < 2:
        raise NoPlace("one copper layer")
    top, bottom = site.board.copper[0], site.board.copper[-1]
    vias = _via(site, rng)
    kinds: dict[tuple[int, int], int] = {}

    def kind(lands: dict[str, tuple[int, float]]) -> tuple[int, int] | None:
        if top.name not in lands or bottom.name not in lands:
            return None
        a, b = (int(one.image.code[one.image.edges.piece[lands[one.name][0]]])
                for one in (top, bottom))  # fmt: skip
        return a, b

    for _, _, lands in vias:
        mine = kind(lands)
        if mine:
            kinds[mine] = kinds.get(mine, 0) + 1
    for k, _, lands in vias:
        mine = kind(lands)
        if mine is None or kinds[mine] < 15:
            continue
        drill = site.edit_drill_file(int(h.file[k]))
        where = shapely.Point(float(h.x0[k]), float(h.y0[k]))
        if not aim.past:
            drill.replace(int(h.line[k]), drill.lines[int(h.line[k]) - 1] + " ")
            return Plant({drill.name: drill.data()}, ())
        drill.replace(int(h.line[k]), None)
        return Plant({drill.name: drill.data()},
                     (Expect("drill.land-without-hole", "", None, where),),
                     (Companion("etch.isolated-copper", where, "its land hangs on no circuit"),
                      Companion("data.attribute-contradiction", where, "its lands claim a hole"),
                      Companion("mask.missing-opening", where, "a land without hole")))  # fmt: skip
    raise NoPlace("no hole among fifteen like it")
