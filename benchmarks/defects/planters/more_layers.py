"""Mask, legend, rout and stencil, further."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.ground import (
    edit_round,
    for_cut_out,
    through_board,
    under_legend,
    under_mask,
    under_paste,
)
from benchmarks.defects.patch import Frame, Patch, along
from benchmarks.defects.plant import PRESENCE, Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.site import Site
from benchmarks.defects.truth import point_to_segment, ring_place


@planter("mask.opening-to-conductor")
def conductor_beside_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor of another net beside the wide opening of a land."""
    patch, layer, mask = under_mask(site, rng, 6.4)
    edit, below = patch.on(mask), patch.on(layer)
    gap = aim.at(rng, edit.slack + below.slack)
    frame = patch.turned(rng)
    told = patch.line(layer, 0.3, frame.at(-1.1, 0.4), frame.at(1.1, 0.4))
    for u in (-1.1, 1.1):
        patch.line(layer, 0.3, frame.at(u, 0.4), frame.at(u, 1.8))
        patch.land(layer, 0.9, frame.at(u, 1.8))
    at = edit_round(edit, frame.at(0.0, -0.6))
    apart = point_to_segment(*at, (*told[0], *told[1])) - below.size(0.3)[1] / 2
    size = edit.size(2 * (apart - gap))[1]
    patch.disc(layer, size - 0.5, at)
    patch.disc(mask, size, at)
    line = along(*told)
    foot = line.interpolate(line.project(shapely.Point(at)))
    truth = apart - size / 2
    mid = along(at, (foot.x, foot.y)).interpolate(size / 2 + truth / 2)
    return patch.plant(Expect("mask.opening-to-conductor", mask.name, truth, mid))


@planter("mask.opening-without-copper", PRESENCE)
def idle_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An opening over bare laminate; harmless: over a land."""
    patch, layer, mask = under_mask(site, rng, 3.6)
    at = edit_round(patch.on(mask), patch.middle)
    patch.disc(mask, 1.2, at)
    if not aim.past:
        patch.disc(layer, 0.9, at)
        return patch.plant()
    where = shapely.Point(at).buffer(0.6)
    return patch.plant(Expect("mask.opening-without-copper", mask.name, None, where))


@planter("mask.defined-land", PRESENCE)
def opening_inside_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A land whose opening is smaller than it all round; harmless: larger."""
    patch, layer, mask = under_mask(site, rng, 3.6)
    at = edit_round(patch.on(mask), patch.middle)
    patch.disc(layer, 1.4, at)
    patch.disc(mask, 1.1 if aim.past else 1.6, at)
    if not aim.past:
        return patch.plant()
    where = shapely.Point(at).buffer(0.7)
    return patch.plant(Expect("mask.defined-land", mask.name, None, where))


@planter("mask.sliver")
def notch_in_opening(site: Site, rng: Generator, aim: Aim) -> Plant:
    """One opening drawn of two strokes that meet at one end: a sliver of mask between them."""
    patch, layer, mask = under_mask(site, rng, 5.0)
    edit = patch.on(mask)
    gap = aim.at(rng, 2 * edit.slack)
    frame = patch.turned(rng)
    rows = [[edit_round(edit, frame.at(u, v)) for u in (-0.9, 0.9)] for v in (-0.4, 0.4)]
    apart = min(point_to_segment(*p, (*rows[1][0], *rows[1][1])) for p in rows[0])
    apart = min(apart, *(point_to_segment(*p, (*rows[0][0], *rows[0][1])) for p in rows[1]))
    width = edit.size(apart - gap)[1]
    patch.disc(layer, 2.9, frame.at(0.0, 0.0))
    for row in rows:
        patch.line(mask, width, *row)
    patch.line(mask, width, rows[0][1], rows[1][1])
    where = along(frame.at(-0.9, 0), frame.at(0.9, 0))
    more = (Companion("mask.clearance", shapely.Point(patch.middle).buffer(2.5),
                      "most of the land stays under mask"),
            Companion("mask.defined-land", shapely.Point(patch.middle).buffer(2.5),
                      "the opening lies on the land"))  # fmt: skip
    return patch.plant(Expect("mask.sliver", mask.name, apart - width, where), companions=more)


@planter("legend.stroke-width")
def thin_ink(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A stroke of legend that is too thin."""
    patch, legend, _ = under_legend(site, rng, 4.0)
    frame = patch.turned(rng)
    width = patch.on(legend).size(aim.at(rng))[1]
    told = patch.line(legend, width, frame.at(-0.9, 0.3), frame.at(0.9, -0.2))
    return patch.plant(Expect("legend.stroke-width", legend.name, width, along(*told)))


@planter("legend.ink-on-land")
def ink_beside_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A stroke of legend beside the opening of a land."""
    patch, legend, layer = under_legend(site, rng, 5.0)
    mask = site.mask_over(layer)
    assert mask is not None
    edit, ink = patch.on(mask), patch.on(legend)
    gap = aim.at(rng, edit.slack + ink.slack)
    frame = patch.turned(rng)
    told = patch.line(legend, 0.2, frame.at(-1.2, 0.7), frame.at(1.2, 0.7))
    at = edit_round(edit, frame.at(float(rng.uniform(-0.4, 0.4)), -0.3))
    apart = point_to_segment(*at, (*told[0], *told[1])) - ink.size(0.2)[1] / 2
    size = edit.size(2 * (apart - gap))[1]
    patch.disc(layer, size - 0.3, at)
    patch.disc(mask, size, at)
    line = along(*told)
    foot = line.interpolate(line.project(shapely.Point(at)))
    truth = apart - size / 2
    mid = along(at, (foot.x, foot.y)).interpolate(size / 2 + truth / 2)
    return patch.plant(Expect("legend.ink-on-land", legend.name, truth, mid))


@planter("legend.ink-in-hole")
def ink_beside_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A stroke of legend beside an unplated hole."""
    _, legend, _ = under_legend(site, rng, 4.0)
    patch = through_board(site, rng)
    drill, ink = patch.drill(False), patch.on(legend)
    gap = aim.at(rng, drill.slack + ink.slack) + site.shop.allowance.unplated / 2
    frame = patch.turned(rng)
    told = patch.line(legend, 0.2, frame.at(-1.1, 0.9), frame.at(1.1, 0.9))
    x, y = frame.at(0.0, 0.0)
    at = drill.round(x), drill.round(y)
    apart = point_to_segment(*at, (*told[0], *told[1])) - ink.size(0.2)[1] / 2
    hole = round(2 * (apart - gap), 6)
    patch.hole(False, hole, at)
    truth = apart - hole / 2 - site.shop.allowance.unplated / 2
    line = along(*told)
    foot = line.interpolate(line.project(shapely.Point(at)))
    mid = along(at, (foot.x, foot.y)).interpolate((apart + hole / 2) / 2)
    return patch.plant(Expect("legend.ink-in-hole", legend.name, truth, mid))


def _outline(patch: Patch, frame: Frame, w: float, h: float, r: float) -> list[tuple[float, float]]:
    """A cut-out w × h with corners of radius r, drawn as lines and quarter arcs; its corners'
    centres. All lengths must lie on the grid."""
    edit = patch.profile()
    code = edit.aperture("C", 0.1)
    x, y = edit.round(frame.x), edit.round(frame.y)
    a, b = w / 2, h / 2
    n = edit.number

    def p(u: float, v: float) -> str:
        return f"X{n(x + u)}Y{n(y + v)}"

    edit.tail += [f"D{code}*", "G75*", f"{p(-a + r, -b)}D02*", f"G01{p(a - r, -b)}D01*"]
    if r:
        edit.tail += [f"G03{p(a, -b + r)}I{n(0)}J{n(r)}D01*"]
    edit.tail += [f"G01{p(a, b - r)}D01*"]
    if r:
        edit.tail += [f"G03{p(a - r, b)}I{n(-r)}J{n(0)}D01*"]
    edit.tail += [f"G01{p(-a + r, b)}D01*"]
    if r:
        edit.tail += [f"G03{p(-a, b - r)}I{n(0)}J{n(-r)}D01*"]
    edit.tail += [f"G01{p(-a, -b + r)}D01*"]
    if r:
        edit.tail += [f"G03{p(-a + r, -b)}I{n(r)}J{n(0)}D01*"]
    edit.tail += ["G01*"]
    return [(x + s * (a - r), y + t * (b - r)) for s in (-1, 1) for t in (-1, 1)]


def _steps(edit: GerberEdit, value: float, past: bool) -> float:
    """The value on the file's grid, rounded away from the limit."""
    step = edit.step
    return float((math.floor(value / step) if past else math.ceil(value / step)) * step)


@planter("rout.inner-radius")
def sharp_cut_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A rectangular cut-out whose corners are rounded too little."""
    patch = for_cut_out(site, rng, 6.0)
    edit = patch.profile()
    r = _steps(edit, aim.at(rng, edit.slack), aim.past)
    w = h = 2 * round(1.5 / edit.step) * edit.step
    corners = _outline(patch, Frame(*patch.middle), w, h, r)
    where = shapely.MultiPoint(corners).buffer(r + 0.05)
    return patch.plant(Expect("rout.inner-radius", "", r, where))


@planter("rout.slot-width")
def narrow_cut_out(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A slot in the profile, round at its ends, narrower than a cutter."""
    patch = for_cut_out(site, rng, 6.0)
    edit = patch.profile()
    half = _steps(edit, aim.at(rng, 2 * edit.slack) / 2, aim.past)
    long = 2 * round(1.5 / edit.step) * edit.step
    _outline(patch, Frame(*patch.middle), long, 2 * half, half)
    x, y = patch.middle
    where = shapely.LineString([(x - 1.5, y), (x + 1.5, y)])
    tight = 2 * half < 2 * site.limit("rout.inner-radius")
    more = (Companion("rout.inner-radius", where.buffer(0.6), "its ends are tight, too"),)
    return patch.plant(Expect("rout.slot-width", "", 2 * half, where),
                       companions=more if tight else ())  # fmt: skip


@planter("rout.web")
def thin_web(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two rounded cut-outs with a thin web of board between them."""
    patch = for_cut_out(site, rng, 9.0)
    edit = patch.profile()
    web = _steps(edit, aim.at(rng, 2 * edit.slack), aim.past)
    w = 2 * round(1.25 / edit.step) * edit.step
    h = 2 * round(1.5 / edit.step) * edit.step
    r = round(0.7 / edit.step) * edit.step
    x, y = edit_round(edit, patch.middle)
    first = edit.round(x - web / 2 - w / 2)
    _outline(patch, Frame(first, y), w, h, r)
    _outline(patch, Frame(first + w + web, y), w, h, r)
    mid = first + w / 2 + web / 2
    where = along((mid, y - h / 2), (mid, y + h / 2))
    return patch.plant(Expect("rout.web", "", web, where))


@planter("stencil.area-ratio")
def small_paste(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A round paste opening too small for the foil, on an ample land."""
    patch, paste, layer = under_paste(site, rng, 3.6)
    foil = site.shop.foil
    if foil is None:
        raise NoPlace("the shop states no foil")
    # area over wall of a round opening: d / 4t
    size = patch.on(paste).size(4 * foil * aim.at(rng))[1]
    at = patch.land(layer, 1.0, patch.middle)
    told = patch.disc(paste, size, at)
    return patch.plant(Expect("stencil.area-ratio", paste.name, size / 4 / foil,
                              shapely.Point(told)))  # fmt: skip


@planter("stencil.web")
def two_pastes(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two square paste openings in one land with a thin web of foil between them."""
    patch, paste, layer = under_paste(site, rng, 4.4)
    edit = patch.on(paste)
    web = aim.at(rng, 2 * edit.slack)
    at = patch.land(layer, 2.8, patch.middle)
    a, b = (edit.round(at[0] - 0.5), edit.round(at[0] + 0.5))
    y = edit.round(at[1])
    size = edit.size(b - a - web)[1]
    for x in (a, b):
        edit.flash(patch.code(paste, "R", size, size), x, y)
    mid = (a + b) / 2
    where = along((mid, y - size / 2), (mid, y + size / 2))
    return patch.plant(Expect("stencil.web", paste.name, b - a - size, where))


@planter("stencil.paste-beyond-land", PRESENCE)
def paste_off_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A paste opening that reaches over its land's rim; harmless: one that keeps inside."""
    patch, paste, layer = under_paste(site, rng, 4.0)
    at = patch.land(layer, 1.0, patch.middle, clearance=0.5)
    beyond = float(rng.uniform(0.01, 0.2))
    size = patch.on(paste).size(1.0 + 2 * beyond if aim.past else 0.9)[1]
    told = patch.disc(paste, size, at)
    if not aim.past:
        return patch.plant()
    off = math.dist(at, told)
    where = ring_place(at, 0.5, told, size / 2)
    return patch.plant(Expect("stencil.paste-beyond-land", paste.name,
                              0.5 - size / 2 - off, where))  # fmt: skip


@planter("stencil.paste-on-mask", PRESENCE)
def paste_over_mask(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A paste opening larger than its mask opening on a large land; harmless: smaller."""
    patch, paste, layer = under_paste(site, rng, 4.0)
    at = patch.land(layer, 1.2, patch.middle, clearance=0.06)
    size = patch.on(paste).size(1.2 + 0.12 + 0.1 if aim.past else 1.0)[1]
    told = patch.disc(paste, size, at)
    if not aim.past:
        return patch.plant()
    where = ring_place(at, 0.66, told, size / 2)
    more = (Companion("stencil.paste-beyond-land", where, "it reaches over the land, too"),)
    return patch.plant(Expect("stencil.paste-on-mask", paste.name, None, where), companions=more)
