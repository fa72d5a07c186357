"""Openings and edges of the board itself, changed."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.patch import Patch, along
from benchmarks.defects.plant import (
    PRESENCE,
    Aim,
    Companion,
    Expect,
    NoPlace,
    Plant,
    Shift,
    planter,
)
from benchmarks.defects.planters.real_features import edges_of, round_lands, shuffled
from benchmarks.defects.site import Site
from benchmarks.defects.truth import all_apart, ring_place
from dfmcheck.board.model import Layer
from dfmcheck.formats.records import Kind


def _opening(site: Site, rng: Generator) -> list[tuple[Layer, Layer, int, int]]:
    """Plain round openings over plain round lands: (mask, copper, opening edge, land edge)."""
    out = []
    for mask in site.board.masks:
        for layer in (site.board.copper[0], site.board.copper[-1]):
            if site.mask_over(layer) is not mask:
                continue
            e, m = layer.image.edges, mask.image.edges
            lands = {(round(float(e.x0[k]), 3), round(float(e.y0[k]), 3)): k
                     for k in round_lands(layer).values()}  # fmt: skip
            for k in round_lands(mask).values():
                at = (round(float(m.x0[k]), 3), round(float(m.y0[k]), 3))
                if at in lands and m.r[k] > e.r[lands[at]]:
                    out.append((mask, layer, k, lands[at]))
    if not out:
        raise NoPlace("no round opening over a round land")
    return [out[int(n)] for n in rng.permutation(len(out))[:80]]


@planter("mask.clearance")
def smaller_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A real round opening over a round land given a smaller aperture."""
    for mask, layer, k, land in _opening(site, rng):
        patch = Patch(site)
        edit = patch.on(mask)
        image = mask.image
        piece = int(image.edges.piece[k])
        line = int(image.line[piece])
        if not edit.is_plain(line, "3"):
            continue
        e, m = layer.image.edges, image.edges
        off = math.hypot(e.x0[land] - m.x0[k], e.y0[land] - m.y0[k])
        slack = edit.slack + site.edit(layer).slack
        clearance = aim.at(rng, slack)
        size = edit.size(2 * (float(e.r[land]) + clearance + off))[1]
        disc = image.pieces[piece]
        near = shapely.STRtree(image.pieces).query(disc.buffer(0.2), predicate="intersects")
        if set(near.tolist()) != {piece}:
            continue
        edit.recode(line, int(image.code[piece]), "C", size)
        truth = size / 2 - float(e.r[land]) - off
        where = ring_place((float(m.x0[k]), float(m.y0[k])), size / 2,
                           (float(e.x0[land]), float(e.y0[land])), float(e.r[land]))  # fmt: skip
        # ink that lay in the opening, and copper that lay near it, are less near now
        less = tuple(
            Shift(rule, disc, float(m.r[k]) - size / 2, "it is the opening's, too")
            for rule in ("legend.ink-on-land", "mask.opening-to-conductor")
        )
        return patch.plant(Expect("mask.clearance", mask.name, truth, where), shifts=less)
    raise NoPlace("no opening that can be made smaller")


@planter("mask.web")
def larger_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A real round opening enlarged towards its nearest neighbour."""
    for mask, layer, k, _ in _opening(site, rng):
        patch = Patch(site)
        edit, image, m = patch.on(mask), mask.image, mask.image.edges
        piece = int(m.piece[k])
        line = int(image.line[piece])
        if not edit.is_plain(line, "3"):
            continue
        own = image.part[piece]
        if (image.part == own).sum() != 1:
            continue
        away = all_apart((float(m.x0[k]), float(m.y0[k])) * 2, edges_of(mask)) - m.r
        other = np.flatnonzero(image.part[m.piece] != own)
        if len(other) == 0:
            continue
        first = int(other[np.argmin(away[other])])
        if m.error[first] > image.grid + 1e-9:
            continue
        web = aim.at(rng, 2 * edit.slack)
        size = edit.size(2 * (float(away[first]) - web))[1]
        if not 2 * m.r[k] < size < 2 * m.r[k] + 1.2:
            continue
        rest = other[image.part[m.piece[other]] != image.part[m.piece[first]]]
        if len(rest) and away[rest].min() < size / 2 + aim.limit + 0.05:
            continue
        centre = shapely.Point(float(m.x0[k]), float(m.y0[k]))
        room = centre.buffer(size / 2 + 0.1)
        copper = layer.image
        near = site.trees[layer.name].query(room, predicate="intersects")
        if len({int(copper.component[p]) for p in near.tolist()}) > 1:
            continue
        names = [one.name for one in site.board.legends]
        if any(len(site.trees[n].query(room, predicate="intersects")) for n in names):
            continue
        holes = site.hole_tree.query(room, predicate="intersects")
        if len(holes) > 1:
            continue
        edit.recode(line, int(image.code[piece]), "C", size)
        truth = float(away[first]) - size / 2
        ring = centre.buffer(size / 2 + truth / 2, 64).exterior
        return patch.plant(Expect("mask.web", mask.name, truth, ring))
    raise NoPlace("no opening with one near neighbour")


@planter("mask.missing-opening", PRESENCE)
def opening_left_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """The opening over a real land without a hole, one of many alike, left out."""
    for mask in site.board.masks:
        layers = [one for one in (site.board.copper[0], site.board.copper[-1])
                  if site.mask_over(one) is mask]  # fmt: skip
        if not layers:
            continue
        image, copper = mask.image, layers[0].image
        lands = np.flatnonzero(copper.flash)
        codes, count = np.unique(copper.code[lands], return_counts=True)
        many = set(codes[count >= 14].tolist())
        edit = site.edit(mask)
        for p in shuffled(rng, np.array([n for n in lands if int(copper.code[n]) in many])):
            at = shapely.Point(float(copper.x[p]), float(copper.y[p]))
            if len(site.hole_tree.query(copper.pieces[p], predicate="intersects")):
                continue
            over = shapely.STRtree(image.pieces).query(copper.pieces[p], predicate="intersects")
            if len(over) != 1 or not edit.is_plain(int(image.line[int(over[0])]), "3"):
                continue
            line = int(image.line[int(over[0])])
            if not aim.past:
                edit.replace(line, edit.row(line) + edit.newline + "G04 kept*")
                return Plant({edit.name: edit.data()}, ())
            edit.replace(line, edit.row(line).replace("D03", "D02").replace("D3*", "D2*"))
            return Plant(
                {edit.name: edit.data()},
                (Expect("mask.missing-opening", mask.name, None, at.buffer(0.5)),),
                (Companion("etch.isolated-copper", ANY_PLACE, "the land hangs on no circuit now"),
                 Companion("stencil.paste-on-mask", at.buffer(2), "its paste is on mask now")),
            )  # fmt: skip
    raise NoPlace("no land among many alike with an opening of its own")


ANY_PLACE = None


@planter("rout.copper-to-profile")
def cut_out_beside_draw(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A round cut-out added to the profile beside a straight draw of a real conductor."""
    layer = site.copper(rng)
    patch = Patch(site)
    line = patch.profile()
    edit = site.edit(layer)
    image, e = layer.image, layer.image.edges
    long = np.hypot(e.x1 - e.x0, e.y1 - e.y0) > 2.0
    rows = np.flatnonzero(long & (e.r > 0) & (image.kind[e.piece] == Kind.DRAW)
                          & image.whole[e.piece])  # fmt: skip
    inner = site.area.buffer(-2.2)
    for k in shuffled(rng, rows, 150):
        a, b = np.array([e.x0[k], e.y0[k]]), np.array([e.x1[k], e.y1[k]])
        d = (b - a) / math.dist(a, b)
        n = np.array([-d[1], d[0]]) * (1 if rng.random() < 0.5 else -1)
        gap = aim.at(rng, line.slack + edit.slack)
        r = line.round(1.2)
        foot = a + (b - a) * float(rng.uniform(0.4, 0.6))
        centre = foot + n * (e.r[k] + gap + r)
        at = line.round(float(centre[0])), line.round(float(centre[1]))
        point = shapely.Point(at)
        if not inner.covers(point):
            continue
        high = abs((at[0] - a[0]) * d[1] - (at[1] - a[1]) * d[0])
        truth = high - r - float(e.r[k])
        if (aim.past and truth > aim.limit - 0.002) or (not aim.past and truth < aim.limit):
            continue
        room = point.buffer(r + 0.45)
        if len(site.hole_tree.query(room, predicate="intersects")):
            continue
        own = int(e.piece[k])
        if any(
            len(set(shapely.STRtree(one.image.pieces).query(room, predicate="intersects").tolist())
                - ({own} if one is layer else set()))
            for one in (*site.board.copper, *site.board.masks, *site.board.legends)
            if len(one.image.pieces)
        ):  # fmt: skip
            continue
        line.disc_line(line.aperture("C", 0.1), *at, r)
        mid = along(tuple(foot + n * e.r[k]), tuple(foot + n * (e.r[k] + truth)))
        return patch.plant(Expect("rout.copper-to-profile", layer.name, truth, mid))
    raise NoPlace("no draw with room beside it")
