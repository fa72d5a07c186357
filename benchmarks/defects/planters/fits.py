"""Holes, openings, paste and legend against each other, in free places."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.ground import (
    edit_round,
    through_board,
    under_legend,
    under_mask,
    under_paste,
)
from benchmarks.defects.patch import Patch, along
from benchmarks.defects.plant import PRESENCE, Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.plate_drill_patterns import _lands, _plated
from benchmarks.defects.site import Site
from benchmarks.defects.truth import ring_place


@planter("etch.dangling-end")
def free_end(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor from a land that ends in nothing, straight or with a bend."""
    patch = through_board(site, rng, 7.0)
    layer = site.copper(rng)
    edit = patch.on(layer)
    frame = patch.turned(rng)
    length = aim.at(rng, 2 * edit.slack)
    bend = float(rng.uniform(0.3, 0.6)) if rng.random() < 0.5 else 0.0
    land = 1.0
    root = frame.at(-1.6, -1.6)
    first = length - bend
    # the length counts from where the centre line leaves the land
    elbow = frame.at(-1.6 + land / 2 + first, -1.6)
    points = [root, elbow]
    if bend:
        points.append(frame.at(-1.6 + land / 2 + first, -1.6 + bend))
    told = patch.line(layer, 0.25, *points)
    # a hole makes it a circuit; an opening over the land would end the free length sooner
    for one in site.board.copper:
        patch.disc(one, edit.size(land)[1], root)
    patch.hole(True, 0.35, root)
    centre = edit_round(edit, root)
    run = along(*told)
    truth = run.length - land / 2 - math.dist(centre, told[0])
    if aim.past != (truth > aim.limit):
        raise NoPlace("the grid moved the end over the limit")
    # The measured line runs from the free end to the land; its middle is told.
    leave = run.interpolate(run.length - truth)
    end = told[-1]
    where = shapely.Point((leave.x + end[0]) / 2, (leave.y + end[1]) / 2)
    return patch.plant(Expect("etch.dangling-end", layer.name, truth, where))


@planter("plate.breakout-angle")
def hole_over_rim(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole so far beside the middle of its round land on one layer that it breaks out."""
    patch = through_board(site, rng)
    copper = site.board.copper
    if len(copper) < 2:
        raise NoPlace("one copper layer: a hole that breaks out may be taken for a peg's")
    thin = copper[int(rng.integers(len(copper)))]
    drill, edit = patch.drill(True), patch.on(thin)
    r = 0.4
    slack = math.degrees(4 * (edit.slack + drill.slack) / r)
    bare = math.radians(aim.at(rng, slack))
    way, off = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(0.12, 0.25))
    x, y = patch.middle
    at = drill.round(x + off * math.cos(way)), drill.round(y + off * math.sin(way))
    told = edit_round(edit, patch.middle)
    off = math.dist(at, told)
    # The rim crosses the hole's wall half the bare angle to either side of the way out.
    land = math.sqrt(off * off + r * r + 2 * off * r * math.cos(bare / 2))
    size = edit.size(2 * land)[1]
    crossing = (size * size / 4 - off * off - r * r) / (2 * off * r)
    truth = 2 * math.degrees(math.acos(max(-1.0, min(1.0, crossing))))
    for layer in copper:
        patch.disc(layer, size if layer is thin else 2 * r + 0.8, told if layer is thin else at)
    patch.hole(True, 2 * r, at)
    # The place is the ring's: half way between the wall and the rim on the way out.
    where = ring_place(told, size / 2, at, r)
    more = (
        Companion("plate.annular-ring", where, "no ring is left there"),
        Companion("drill.hole-to-copper", where.buffer(1), "the hole is near its land's rim"),
    )
    return patch.plant(Expect("plate.breakout-angle", thin.name, truth, where),
                       companions=more)  # fmt: skip


@planter("plate.hole-in-paste-land")
def hole_under_paste(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole in a large land that is printed with paste."""
    _, paste, layer = under_paste(site, rng, 4.4)
    patch = through_board(site, rng, 4.4, paste=True)
    hole = round(aim.at(rng), 6)
    at = patch.hole(True, hole, patch.middle)
    for other in site.board.copper:
        if other is not layer:
            patch.disc(other, hole + 0.8, at)
    patch.land(layer, 3.0, at, clearance=0.06)
    patch.disc(paste, 2.8, at)
    where = shapely.Point(at)
    small = hole + _plated(site) < site.limit("drill.smallest-diameter")
    more = (
        Companion("stencil.opening-over-hole", where, "the paste lies over the hole"),
        *((Companion("drill.smallest-diameter", where, "too small"),) if small else ()),
    )
    return patch.plant(Expect("plate.hole-in-paste-land", paste.name, hole, where),
                       companions=more)  # fmt: skip


@planter("mask.half-covered-hole")
def opening_across_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole over whose wall the rim of a round mask opening runs."""
    _, _, mask = under_mask(site, rng, 4.0)
    patch = through_board(site, rng)
    spot = patch.spot
    drill, edit = patch.drill(True), patch.on(mask)
    r = round(float(rng.uniform(0.25, 0.5)), 3)
    at = drill.round(spot.x), drill.round(spot.y)
    way, off = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(0.2, 0.4))
    told = edit.round(spot.x + off * math.cos(way)), edit.round(spot.y + off * math.sin(way))
    off = math.dist(at, told)
    within = aim.at(rng, edit.slack + drill.slack)
    size = edit.size(2 * (r + off - within))[1]
    truth = r + off - size / 2
    _lands(patch, 2 * (r + off) + 1.2, at)
    patch.disc(mask, size, told)
    patch.hole(True, 2 * r, at)
    where = ring_place(told, size / 2, at, r)
    more = (
        Companion("mask.clearance", where.buffer(2.5), "most of the land is under mask"),
        Companion("mask.defined-land", where.buffer(2.5), "the opening lies on the land"),
    )
    return patch.plant(Expect("mask.half-covered-hole", mask.name, truth, where), companions=more)


@planter("drill.castellation")
def hole_on_edge(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole whose middle lies on a straight stretch of the board's edge."""
    profile = site.board.profile
    if profile is None or profile.area.is_empty:
        raise NoPlace("no closed profile")
    patch = Patch(site)
    drill = patch.drill(True)
    size = max(round(aim.at(rng) - _plated(site), 6), 0.25)
    e = profile.edges
    straight = [k for k in range(len(e.x0)) if e.error[k] < 2e-3
                and math.hypot(e.x1[k] - e.x0[k], e.y1[k] - e.y0[k]) > 5]  # fmt: skip
    if not straight:
        raise NoPlace("no straight stretch of edge")
    for _ in range(60):
        k = straight[int(rng.integers(len(straight)))]
        t = float(rng.uniform(0.35, 0.65))
        at = (drill.round(float(e.x0[k] + t * (e.x1[k] - e.x0[k]))),
              drill.round(float(e.y0[k] + t * (e.y1[k] - e.y0[k]))))  # fmt: skip
        room = shapely.Point(at).buffer(1.8)
        if any(len(tree.query(room, predicate="intersects")) for tree in site.trees.values()):
            continue
        if len(site.hole_tree.query(room, predicate="intersects")):
            continue
        _lands(patch, size + 0.8, at)
        patch.hole(True, size, at)
        where = shapely.Point(at)
        more = (
            Companion("rout.copper-to-profile", where.buffer(1.5), "its land meets the edge"),
            Companion("drill.smallest-diameter", where, "too small to drill, too"),
            Companion("drill.aspect-ratio", where, "too deep for its width, too"),
            Companion("data.outside-profile", where.buffer(2), "half of it lies outside"),
        )
        return patch.plant(Expect("drill.castellation", "", size + _plated(site), where),
                           companions=more)  # fmt: skip
    raise NoPlace("no free stretch of edge")


@planter("stencil.aspect-ratio")
def narrow_paste(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A long paste opening too narrow for the foil, on an ample land."""
    patch, paste, layer = under_paste(site, rng, 5.0)
    foil = site.shop.foil
    if foil is None:
        raise NoPlace("the shop states no foil")
    edit = patch.on(paste)
    width = edit.size(foil * aim.at(rng))[1]
    at = patch.land(layer, 3.0, patch.middle)
    sizes = (width, 2.0) if rng.random() < 0.5 else (2.0, width)
    told = edit_round(edit, at)
    edit.flash(patch.code(paste, "R", *sizes), *told)
    return patch.plant(Expect("stencil.aspect-ratio", paste.name, width / foil,
                              shapely.Point(told)))  # fmt: skip


@planter("stencil.opening-over-hole")
def paste_beside_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Paste on a land beside an unplated hole, or a little over it."""
    _, paste, layer = under_paste(site, rng, 5.0)
    patch = through_board(site, rng, 6.0, paste=True)
    drill, edit = patch.drill(False), patch.on(paste)
    frame = patch.turned(rng)
    at = edit_round(drill, frame.at(1.0, 0.0))
    told = edit_round(edit, frame.at(-1.2, 0.0))
    gap = aim.at(rng, drill.slack + edit.slack)
    size = edit.size(1.6)[1]
    hole = round(2 * (math.dist(at, told) - size / 2 - gap), 6)
    patch.land(layer, 1.7, told)
    patch.disc(paste, size, told)
    patch.hole(False, hole, at)
    truth = math.dist(at, told) - size / 2 - hole / 2
    where = along(told, at).interpolate(size / 2 + truth / 2)
    more = (
        Companion("drill.unplated-to-copper", where.buffer(1), "the land is near, too"),
        Companion("mask.clearance", where.buffer(2.5), "the hole is near the opening"),
        Companion("mask.half-covered-hole", where.buffer(1), "the hole is in the opening"),
    )
    return patch.plant(Expect("stencil.opening-over-hole", paste.name, truth, where),
                       companions=more)  # fmt: skip


@planter("stencil.missing-paste", PRESENCE)
def one_land_unprinted(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Sixteen lands alike with paste, the paste of one left out; harmless: all printed."""
    patch, paste, layer = under_paste(site, rng, 9.0)
    left = int(rng.integers(16)) if aim.past else -1
    where = None
    for n in range(16):
        x, y = patch.spot.x - 3.0 + 2.0 * (n % 4), patch.spot.y - 3.0 + 2.0 * (n // 4)
        at = patch.land(layer, 0.8, (x, y), clearance=0.06)
        if n == left:
            where = shapely.Point(at)
        else:
            patch.disc(paste, 0.74, at)
    expect = (Expect("stencil.missing-paste", paste.name, None, where),) if aim.past else ()
    return patch.plant(*expect)


@planter("legend.character-height")
def small_letters(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Four letters of legend in a row, too small to be read."""
    patch, legend, _ = under_legend(site, rng, 6.0)
    edit = patch.on(legend)
    frame = patch.turned(rng, skew=False)
    high = max(aim.at(rng, 2 * edit.slack), 0.3)
    pen = edit.size(max(0.06, 0.14 * high))[1]
    body = high - pen
    steps = body / edit.step
    body = (math.floor(steps) if aim.past else math.ceil(steps)) * edit.step
    x, y = edit_round(edit, (frame.x, frame.y))
    wide = round(0.8 * body / edit.step) * edit.step
    apart = round((wide + pen + 0.4 * high) / edit.step) * edit.step
    turn = type(frame)(x, y, frame.angle)
    feet = []
    for n in range(4):
        u = n * apart
        # an N, and a U between two of them
        strokes = [(u, 0.0), (u, body), (u + wide, 0.0), (u + wide, body)]
        if n == 1:
            strokes = [(u, body), (u, 0.0), (u + wide, 0.0), (u + wide, body)]
        patch.line(legend, pen, *(turn.at(*p) for p in strokes))
        feet.append(u + wide / 2)
    # Every letter is as tall as the others: any of them may be told.
    where = shapely.MultiPoint([turn.at(u, body / 2) for u in feet])
    return patch.plant(Expect("legend.character-height", legend.name, body + pen, where))


@planter("legend.ink-over-profile")
def ink_at_edge(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A stroke of legend along a straight stretch of the board's edge."""
    profile = site.board.profile
    if profile is None or profile.area.is_empty:
        raise NoPlace("no closed profile")
    legends = site.board.legends
    if not legends:
        raise NoPlace("no legend")
    legend = legends[int(rng.integers(len(legends)))]
    patch = Patch(site)
    edit = patch.on(legend)
    gap = aim.at(rng, edit.slack + patch.profile().slack)
    e = profile.edges
    straight = [k for k in range(len(e.x0)) if e.error[k] < 2e-3
                and math.hypot(e.x1[k] - e.x0[k], e.y1[k] - e.y0[k]) > 6
                and (e.x0[k] == e.x1[k] or e.y0[k] == e.y1[k])]  # fmt: skip
    if not straight:
        raise NoPlace("no straight stretch of edge")
    for _ in range(80):
        k = straight[int(rng.integers(len(straight)))]
        a, b = (float(e.x0[k]), float(e.y0[k])), (float(e.x1[k]), float(e.y1[k]))
        length = math.dist(a, b)
        d = ((b[0] - a[0]) / length, (b[1] - a[1]) / length)
        t = float(rng.uniform(2.0, length - 2.0))
        side = 1 if rng.random() < 0.5 else -1
        n = (-d[1] * side, d[0] * side)
        foot = (a[0] + d[0] * t, a[1] + d[1] * t)
        if not site.area.covers(shapely.Point(foot[0] + n[0] * 0.4, foot[1] + n[1] * 0.4)):
            continue
        room = shapely.LineString([(foot[0] - d[0], foot[1] - d[1]),
                                   (foot[0] + d[0], foot[1] + d[1])]).buffer(0.9)  # fmt: skip
        names = (legend.name, *(m.name for m in site.board.masks))
        if any(len(site.trees[m].query(room, predicate="intersects")) for m in names):
            continue
        if len(site.hole_tree.query(room, predicate="intersects")):
            continue
        deep = gap + 0.1
        ends = [
            edit_round(
                edit,
                (foot[0] + s * d[0] * 0.6 + n[0] * deep, foot[1] + s * d[1] * 0.6 + n[1] * deep),
            )
            for s in (-1, 1)
        ]
        high = [abs((p[0] - a[0]) * n[0] + (p[1] - a[1]) * n[1]) for p in ends]
        pen = edit.size(2 * (min(high) - gap))[1]
        if not 0.12 < pen < 0.4:
            continue
        patch.line(legend, pen, *ends)
        truth = min(high) - pen / 2
        where = along(
            *(
                (p[0] - n[0] * (pen / 2 + truth / 2), p[1] - n[1] * (pen / 2 + truth / 2))
                for p in ends
            )
        )
        return patch.plant(Expect("legend.ink-over-profile", legend.name, truth, where))
    raise NoPlace("no free stretch of edge")


@planter("drill.tool-count", PRESENCE)
def too_many_tools(site: Site, rng: Generator, aim: Aim) -> Plant:
    """One drill size more than the magazine has places; harmless: just as many."""
    patch = through_board(site, rng, 9.0)
    h = site.board.holes
    mine = h.file == site.drill_file(True)
    known = len({*patch.drill(True).tools, *patch.drill(True).notes})
    every = {round(2 * float(r), 4) for r in h.r}
    wanted = int(site.limit("drill.tool-count")) + (1 if aim.past else 0)
    if known != len({round(2 * float(r), 4) for r in h.r[mine]}):
        raise NoPlace("the file states tools it does not use, or one size twice")
    sizes = [round(0.4 + 0.0157 * n, 4) for n in range(60)]
    free = [s for s in sizes if all(abs(s - o) > 0.0125 for o in every)][: wanted - known]
    if len(free) < wanted - known or free[-1] > 1.0:
        raise NoPlace("not enough sizes lie free")
    for n, size in enumerate(free):
        x, y = patch.spot.x - 3.6 + 1.44 * (n % 6), patch.spot.y - 3.6 + 1.44 * (n // 6)
        at = patch.hole(True, size, (x, y))
        _lands(patch, size + 0.36, at)
    expect = (Expect("drill.tool-count", "", float(wanted), None),) if aim.past else ()
    return patch.plant(*expect)
