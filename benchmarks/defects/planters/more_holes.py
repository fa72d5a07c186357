"""Drill, further: tools, slots, holes without lands, overlaps, holes at the edge."""

from __future__ import annotations

import math

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.ground import through_board
from benchmarks.defects.patch import Patch, along
from benchmarks.defects.plant import PRESENCE, Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.plate_drill_patterns import _lands, _plated
from benchmarks.defects.site import THICKNESS, Site
from benchmarks.defects.truth import point_to_segment


@planter("drill.smallest-diameter")
def tiny_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole with ample lands, too small to drill."""
    patch = through_board(site, rng)
    hole = max(round(aim.at(rng) - _plated(site), 6), 0.02)
    at = patch.hole(True, hole, patch.middle)
    _lands(patch, hole + 0.8, at)
    where = shapely.Point(at)
    truth = hole + _plated(site)
    deep = THICKNESS / truth > site.limit("drill.aspect-ratio")
    more = (Companion("drill.aspect-ratio", where, "too deep for its width, too"),) if deep else ()
    return patch.plant(Expect("drill.smallest-diameter", "", truth, where), companions=more)


@planter("drill.largest-diameter")
def huge_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole with ample lands, too large for a drill."""
    if "plated" not in site.board.drill_roles[site.drill_file(True)]:
        raise NoPlace("so large a hole is taken as unplated where nobody says it is plated")
    patch = through_board(site, rng, 8.6)
    hole = round(min(aim.at(rng), 6.0) - _plated(site), 6)
    at = patch.hole(True, hole, patch.middle)
    _lands(patch, hole + 0.8, at)
    truth = hole + _plated(site)
    return patch.plant(Expect("drill.largest-diameter", "", truth, shapely.Point(at)))


@planter("drill.hit-without-land", PRESENCE)
def hole_without_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole in free laminate; harmless: the same with lands."""
    patch = through_board(site, rng)
    if "plated" not in site.board.drill_roles[site.drill_file(True)]:
        raise NoPlace("a hole without copper is taken as unplated where nobody says it is plated")
    at = patch.hole(True, round(float(rng.uniform(0.4, 1.0)), 3), patch.middle)
    if not aim.past:
        _lands(patch, 1.7, at)
        return patch.plant()
    return patch.plant(Expect("drill.hit-without-land", "", None, shapely.Point(at)))


@planter("drill.overlapping-hits", PRESENCE)
def holes_overlap(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two hits that reach into each other; harmless: two with an ample wall."""
    patch = through_board(site, rng, 5.0)
    drill = patch.drill(True)
    frame = patch.turned(rng)
    size = round(float(rng.uniform(0.5, 0.9)), 3)
    apart = size * float(rng.uniform(0.5, 0.85)) if aim.past else size + 0.5
    a, b = ((drill.round(x), drill.round(y))
            for x, y in (frame.at(-apart / 2, 0), frame.at(apart / 2, 0)))  # fmt: skip
    tool = drill.tool(size)
    for at in (a, b):
        drill.hit(tool, *at)
    for layer in site.board.copper:
        patch.line(layer, size + 0.8, a, b)
    if not aim.past:
        return patch.plant()
    value = size - math.dist(a, b)
    where = along(a, b)
    more = (Companion("drill.hole-to-hole", where, "no wall is left"),)
    return patch.plant(Expect("drill.overlapping-hits", "", value, where), companions=more)


@planter("drill.slot-width")
def narrow_slot(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated slot with ample lands that is too narrow."""
    patch = through_board(site, rng, 6.0)
    drill = patch.drill(True)
    frame = patch.turned(rng)
    width = round(aim.at(rng) - _plated(site), 6)
    a, b = ((drill.round(x), drill.round(y)) for x, y in (frame.at(-0.8, 0), frame.at(0.8, 0)))
    drill.slot(drill.tool(width), a, b)
    for layer in site.board.copper:
        patch.line(layer, width + 0.8, a, b)
    where = along(a, b)
    more = (Companion("drill.aspect-ratio", where, "deep for its width"),)
    deep = THICKNESS / (width + _plated(site)) > site.limit("drill.aspect-ratio")
    return patch.plant(Expect("drill.slot-width", "", width + _plated(site), where),
                       companions=more if deep else ())  # fmt: skip


@planter("drill.slot-ratio")
def short_slot(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated slot with ample lands that is too short for its width."""
    patch = through_board(site, rng, 6.0)
    drill = patch.drill(True)
    frame = patch.turned(rng)
    ratio = max(aim.at(rng, 0.01 if drill.slack else 0.0), 1.08)
    half = 0.5 * (ratio - 1) * 0.9
    a, b = ((drill.round(x), drill.round(y)) for x, y in (frame.at(-half, 0), frame.at(half, 0)))
    # the width takes up what rounding did to the length
    width = round(math.dist(a, b) / (ratio - 1), 6)
    drill.slot(drill.tool(width), a, b)
    for layer in site.board.copper:
        patch.line(layer, width + 0.8, a, b)
    truth = (math.dist(a, b) + width) / width
    return patch.plant(Expect("drill.slot-ratio", "", truth, along(a, b)))


@planter("drill.tool-spacing")
def nearly_equal_tools(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A hole of nearly, not quite, the size another tool of the file has."""
    patch = through_board(site, rng)
    number = site.drill_file(True)
    h = site.board.holes
    mine = (h.file == number) & (h.plated == 1)
    sizes = sorted({round(2 * float(r), 6) for r in h.r[mine] if 0.5 < 2 * r < 1.4})
    step = aim.at(rng)
    every = {round(2 * float(r), 6) for r in h.r}
    good = [s for s in sizes if all(abs(s + step - o) > 0.02 for o in every - {s})]
    if not good:
        raise NoPlace("every tool has neighbours")
    hole = round(good[int(rng.integers(len(good)))] + step, 6)
    at = patch.hole(True, hole, patch.middle)
    _lands(patch, hole + 0.8, at)
    plant = patch.plant(Expect("drill.tool-spacing", "", step, None))
    rest = tuple(c for c in plant.companions if c.rule != "drill.tool-spacing")
    return type(plant)(plant.files, plant.expect, rest, plant.note)


@planter("drill.hole-to-profile")
def hole_at_edge(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An unplated hole near a straight stretch of the board's edge."""
    profile = site.board.profile
    if profile is None or profile.area.is_empty:
        raise NoPlace("no closed profile")
    patch = Patch(site)
    drill = patch.drill(False)
    e = profile.edges
    gap = aim.at(rng, drill.slack + patch.profile().slack) + site.shop.allowance.unplated / 2
    straight = np.flatnonzero((np.hypot(e.x1 - e.x0, e.y1 - e.y0) > 6) & (e.error < 2e-3))
    for k in rng.permutation(np.repeat(straight, 20))[:200].tolist():
        a, b = (float(e.x0[k]), float(e.y0[k])), (float(e.x1[k]), float(e.y1[k]))
        length = math.dist(a, b)
        t = float(rng.uniform(2.5, length - 2.5))
        d = ((b[0] - a[0]) / length, (b[1] - a[1]) / length)
        n = (-d[1], d[0]) if rng.random() < 0.5 else (d[1], -d[0])
        x, y = a[0] + d[0] * t + n[0] * 1.0, a[1] + d[1] * t + n[1] * 1.0
        at = drill.round(x), drill.round(y)
        room = shapely.Point(at).buffer(1.6)
        if not profile.area.covers(shapely.Point(at)):
            continue
        if any(len(tree.query(room, predicate="intersects")) for tree in site.trees.values()):
            continue
        if len(site.hole_tree.query(room, predicate="intersects")):
            continue
        apart = point_to_segment(*at, (*a, *b))
        hole = round(2 * (apart - gap), 6)
        patch.hole(False, hole, at)
        truth = apart - hole / 2 - site.shop.allowance.unplated / 2
        half = (apart + hole / 2) / 2  # of the line from the wall as drawn
        mid = (at[0] - n[0] * half, at[1] - n[1] * half)
        return patch.plant(Expect("drill.hole-to-profile", "", truth, shapely.Point(mid)))
    raise NoPlace("no free stretch of edge")
