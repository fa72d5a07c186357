"""Mask and rout: lands with openings, and cut-outs, in free places."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.ground import edit_round, through_board, under_mask
from benchmarks.defects.patch import Patch, along
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.site import Site
from benchmarks.defects.truth import point_to_segment, ring_place


@planter("mask.web")
def two_openings(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two lands whose openings, round or square, leave a narrow web."""
    patch, layer, mask = under_mask(site, rng, 4.4)
    edit = patch.on(mask)
    web = aim.at(rng, 2 * edit.slack)
    round_ones = bool(rng.random() < 0.5)
    frame = patch.turned(rng, skew=round_ones)
    a, b = ((edit.round(x), edit.round(y)) for x, y in (frame.at(-0.7, 0), frame.at(0.7, 0)))
    apart = math.dist(a, b)
    if not round_ones:
        apart = max(abs(a[0] - b[0]), abs(a[1] - b[1]))
    size = edit.size(apart - web)[1]
    for at in (a, b):
        patch.disc(layer, 0.8, at)
        edit.flash(patch.code(mask, *(("C", size) if round_ones else ("R", size, size))), *at)
    where = shapely.Point((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
    if not round_ones:
        across = (b[1] - a[1], a[0] - b[0])
        u, v = (0.5 * size * c / math.hypot(*across) for c in across)
        where = along((where.x - u, where.y - v), (where.x + u, where.y + v))
    return patch.plant(Expect("mask.web", mask.name, apart - size, where))


@planter("mask.web")
def stroked_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An opening drawn as a stroke beside the opening of a round land."""
    patch, layer, mask = under_mask(site, rng, 5.0)
    edit = patch.on(mask)
    web = aim.at(rng, 2 * edit.slack)
    frame = patch.turned(rng)
    stroke = [frame.at(-0.9, 0.8), frame.at(0.9, 0.8)]
    patch.line(layer, 0.4, *stroke)
    wide = edit.size(0.7)[1]
    told = patch.line(mask, wide, *stroke)
    x, y = frame.at(float(rng.uniform(-0.5, 0.5)), -0.6)
    at = edit.round(x), edit.round(y)
    apart = point_to_segment(*at, (*told[0], *told[1]))
    size = edit.size(2 * (apart - wide / 2 - web))[1]
    patch.disc(layer, size - 0.3, at)
    patch.disc(mask, size, at)
    line = along(*told)
    foot = line.interpolate(line.project(shapely.Point(at)))
    truth = apart - wide / 2 - size / 2
    mid = along(at, (foot.x, foot.y)).interpolate(size / 2 + truth / 2)
    return patch.plant(Expect("mask.web", mask.name, truth, mid))


@planter("mask.clearance")
def opening_off_centre(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A round land whose opening is beside its middle, or too small."""
    patch, layer, mask = under_mask(site, rng, 3.6)
    edit, below = patch.on(mask), patch.on(layer)
    clearance = aim.at(rng, edit.slack + below.slack)
    angle, off = float(rng.uniform(0, 2 * math.pi)), float(rng.choice([0.0, 0.05, 0.12]))
    land = edit_round(below, patch.middle)
    x, y = patch.middle
    hole = edit.round(x + off * math.cos(angle)), edit.round(y + off * math.sin(angle))
    off = math.dist(land, hole)
    size = below.size(float(rng.uniform(0.6, 1.4)))[1]
    opening = edit.size(size + 2 * (clearance + off))[1]
    patch.disc(layer, size, land)
    patch.disc(mask, opening, hole)
    where = ring_place(hole, opening / 2, land, size / 2)
    return patch.plant(Expect("mask.clearance", mask.name, opening / 2 - size / 2 - off, where))


@planter("mask.clearance")
def short_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A square-cornered land whose opening is too narrow across one pair of sides."""
    patch, layer, mask = under_mask(site, rng, 4.4)
    edit, below = patch.on(mask), patch.on(layer)
    clearance = aim.at(rng, edit.slack + below.slack)
    at = edit_round(below, patch.middle)
    told = edit.round(at[0]), edit.round(at[1])
    w = below.size(float(rng.uniform(0.6, 1.4)))[1]
    h = below.size(float(rng.uniform(0.6, 1.4)))[1]
    off = abs(at[0] - told[0])
    wide = edit.size(w + 2 * (clearance + off))[1]
    below.flash(patch.code(layer, "R", w, h), *at)
    edit.flash(patch.code(mask, "R", wide, h + 0.3), *told)
    value = wide / 2 - w / 2 - off
    sides = [s for s in (-1, 1) if s * (at[0] - told[0]) >= 0]
    where = shapely.MultiLineString([
        [(at[0] + s * (w / 2 + value / 2), at[1] + t * h / 2) for t in (-1, 1)] for s in sides
    ])  # fmt: skip
    return patch.plant(Expect("mask.clearance", mask.name, value, where))


@planter("rout.copper-to-profile")
def round_cut_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A round cut-out added to the profile beside a conductor between two lands."""
    layer = site.copper(rng)
    patch = through_board(site, rng, 7.0, rim=1.5)
    line, edit = patch.profile(), patch.on(layer)
    gap = aim.at(rng, line.slack + edit.slack)
    frame = patch.turned(rng)
    told = [edit_round(edit, frame.at(u, -0.9)) for u in (-1.4, 1.4)]
    x, y = frame.at(0.0, 1.2)
    centre = line.round(x), line.round(y)
    r = line.round(1.5)
    apart = point_to_segment(*centre, (*told[0], *told[1]))
    width = edit.size(2 * (apart - r - gap))[1]
    if not 0.15 <= width <= 1.2:
        raise NoPlace("the stroke would be too thin or wide")
    patch.line(layer, width, *told)
    for u in (-1.4, 1.4):
        patch.line(layer, width, frame.at(u, -0.9), frame.at(u * 1.6, -1.6))
        patch.land(layer, max(0.9, width + 0.2), frame.at(u * 1.6, -1.6))
    line.disc_line(line.aperture("C", 0.1), *centre, r)
    axis = along(*told)
    foot = axis.interpolate(axis.project(shapely.Point(centre)))
    truth = apart - r - width / 2
    mid = along(centre, (foot.x, foot.y)).interpolate(r + truth / 2)
    return patch.plant(
        Expect("rout.copper-to-profile", layer.name, truth, mid),
        companions=(Companion("data.job-contradiction", None, "the job file knows no cut-out"),),
    )


@planter("rout.copper-to-profile")
def land_at_edge(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A land with an opening near a straight stretch of the board's edge."""
    layer = site.copper(rng)
    mask = site.mask_over(layer)
    edit = site.edit(layer)
    profile = site.board.profile
    if profile is None or profile.area.is_empty:
        raise NoPlace("no closed profile")
    gap = aim.at(rng, site.edit_profile().slack + edit.slack)
    e = profile.edges
    straight = [
        k
        for k in range(len(e.x0))
        if math.hypot(e.x1[k] - e.x0[k], e.y1[k] - e.y0[k]) > 4 and e.error[k] == 0
    ]
    rng.shuffle(straight)
    for k in straight[:12]:
        a, b = (float(e.x0[k]), float(e.y0[k])), (float(e.x1[k]), float(e.y1[k]))
        length = math.dist(a, b)
        d = ((b[0] - a[0]) / length, (b[1] - a[1]) / length)
        for _ in range(30):
            t = float(rng.uniform(2.0, length - 2.0)) if length > 4 else length / 2
            side = 1 if rng.random() < 0.5 else -1
            n = (-d[1] * side, d[0] * side)
            foot = (a[0] + d[0] * t, a[1] + d[1] * t)
            deep = shapely.Point(foot[0] + n[0] * 0.6, foot[1] + n[1] * 0.6)
            room = deep.buffer(1.4, cap_style="square")
            if not profile.area.covers(deep):
                continue
            names = [layer.name, *([mask.name] if mask else [])]
            names += [one.name for one in site.board.legends]
            if any(len(site.trees[m].query(room, predicate="intersects")) for m in names):
                continue
            if len(site.hole_tree.query(room, predicate="intersects")):
                continue
            if any(j != k and _near(e, j, room) for j in range(len(e.x0))):
                continue
            patch = Patch(site)
            edit = patch.on(layer)
            centre = edit.round(foot[0] + n[0] * 0.6), edit.round(foot[1] + n[1] * 0.6)
            apart = point_to_segment(*centre, (*a, *b))
            size = edit.size(2 * (apart - gap))[1]
            patch.land(layer, size, centre, clearance=0.06)
            truth = apart - size / 2
            mid = along(foot, centre).interpolate(truth / 2)
            return patch.plant(Expect("rout.copper-to-profile", layer.name, truth, mid))
    raise NoPlace("no free stretch of edge")


def _near(e: object, j: int, room: object) -> bool:
    line = shapely.LineString([(e.x0[j], e.y0[j]), (e.x1[j], e.y1[j])])  # type: ignore[attr-defined]
    return bool(shapely.intersects(line, room))
