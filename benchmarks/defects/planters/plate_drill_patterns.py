"""Plate and drill: holes with lands of their own in free places."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.ground import Ground, edit_round, through_board
from benchmarks.defects.patch import Patch, along
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.site import THICKNESS, Site
from benchmarks.defects.truth import point_to_segment, ring_place

RING = "plate.annular-ring"


def _lands(patch: Patch, diameter: float, at: tuple[float, float], skip: str = "") -> None:
    for layer in patch.site.board.copper:
        if layer.name != skip:
            patch.disc(layer, diameter, at)


def _plated(site: Site) -> float:
    return site.shop.allowance.plated


@planter(RING)
def small_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole in the middle of round lands that are too small on one layer."""
    patch = through_board(site, rng)
    copper = site.board.copper
    thin = copper[int(rng.integers(len(copper)))]
    hole = round(float(rng.uniform(0.3, 0.9)), 3)
    drill = patch.drill(True)
    ring = aim.at(rng, patch.on(thin).slack + drill.slack) + _plated(site) / 2
    at = edit_round(drill, patch.middle)
    told = patch.on(thin).round(at[0]), patch.on(thin).round(at[1])
    off = math.dist(at, told)
    land = patch.on(thin).size(hole + 2 * (ring + off))[1]
    for layer in copper:
        patch.disc(layer, land if layer is thin else hole + 0.8, at)
    patch.hole(True, hole, at)
    truth = land / 2 - hole / 2 - off - _plated(site) / 2
    where = ring_place(told, land / 2, at, hole / 2)
    return patch.plant(Expect(RING, thin.name, truth, where))


@planter(RING)
def hole_off_centre(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole beside the middle of its lands, in any direction."""
    patch = through_board(site, rng)
    drill = patch.drill(True)
    copper = site.board.copper
    hole = round(float(rng.uniform(0.3, 0.9)), 3)
    slack = max(patch.on(layer).slack for layer in copper)
    ring = aim.at(rng, slack + drill.slack) + _plated(site) / 2
    angle, off = float(rng.uniform(0, 2 * math.pi)), float(rng.uniform(0.05, 0.2))
    x, y = patch.middle
    at = drill.round(x + off * math.cos(angle)), drill.round(y + off * math.sin(angle))
    expect = []
    for layer in copper:
        edit = patch.on(layer)
        told = edit_round(edit, patch.middle)
        land = edit.size(2 * (ring + math.dist(at, told)) + hole)[1]
        patch.disc(layer, land, told)
        truth = land / 2 - hole / 2 - math.dist(at, told) - _plated(site) / 2
        where = ring_place(told, land / 2, at, hole / 2)
        expect.append(Expect(RING, layer.name, truth, where))
    patch.hole(True, hole, at)
    return patch.plant(*expect)


@planter(RING)
def oblong_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole in an oblong or square land whose short side is too short."""
    patch = through_board(site, rng)
    drill = patch.drill(True)
    copper = site.board.copper
    thin = copper[int(rng.integers(len(copper)))]
    edit = patch.on(thin)
    hole = round(float(rng.uniform(0.3, 0.9)), 3)
    ring = aim.at(rng, edit.slack + drill.slack) + _plated(site) / 2
    at = edit_round(drill, patch.middle)
    told = edit.round(at[0]), edit.round(at[1])
    lying = bool(rng.random() < 0.5)
    off = abs(told[1] - at[1]) if lying else abs(told[0] - at[0])
    short = edit.size(hole + 2 * (ring + off))[1]
    sizes = (hole + 1.2, short) if lying else (short, hole + 1.2)
    for layer in copper:
        if layer is not thin:
            patch.disc(layer, hole + 0.8, at)
    edit.flash(patch.code(thin, "R" if rng.random() < 0.5 else "O", *sizes), *told)
    patch.hole(True, hole, at)
    truth = short / 2 - off - hole / 2 - _plated(site) / 2
    box = shapely.box(told[0] - sizes[0] / 2, told[1] - sizes[1] / 2,
                      told[0] + sizes[0] / 2, told[1] + sizes[1] / 2)  # fmt: skip
    return patch.plant(Expect(RING, thin.name, truth, box))


@planter("drill.hole-to-hole")
def two_holes_in_one_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two plated holes beside each other in one oblong land."""
    patch = through_board(site, rng, 5.0)
    drill = patch.drill(True)
    frame = patch.turned(rng)
    first = round(float(rng.uniform(0.3, 0.8)), 3)
    wall = aim.at(rng, 2 * drill.slack) + _plated(site)
    half = 0.5
    a, b = ((drill.round(x), drill.round(y)) for x, y in (frame.at(-half, 0), frame.at(half, 0)))
    second = round(2 * (math.dist(a, b) - first / 2 - wall), 6)
    if not 0.25 <= second <= 1.2:
        first = second = round(math.dist(a, b) - wall, 6)
    truth = math.dist(a, b) - first / 2 - second / 2 - _plated(site)
    for layer in site.board.copper:
        patch.line(layer, max(first, second) + 0.8, a, b)
    patch.hole(True, first, a)
    patch.hole(True, second, b)
    gap = along(a, b).interpolate(first / 2 + (truth + _plated(site)) / 2)
    return patch.plant(Expect("drill.hole-to-hole", "", truth, gap))


@planter("drill.unplated-to-copper")
def unplated_hole_beside_conductor(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An unplated hole beside a conductor that runs between two plated holes."""
    patch = through_board(site, rng, 6.0)
    drill = patch.drill(False)
    layer = site.copper(rng, outer=False)
    edit = patch.on(layer)
    return _hole_beside(site, patch, rng, aim, layer.name, False, edit.slack + drill.slack)


@planter("drill.hole-to-copper")
def plated_hole_beside_conductor(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole without a land on one layer, beside a conductor there."""
    if len(site.board.copper) < 2:
        raise NoPlace("one copper layer: a plated hole needs a land on another")
    patch = through_board(site, rng, 6.0)
    drill = patch.drill(True)
    layer = site.copper(rng, outer=False)
    edit = patch.on(layer)
    return _hole_beside(site, patch, rng, aim, layer.name, True, edit.slack + drill.slack)


def _hole_beside(
    site: Site, patch: Ground, rng: Generator, aim: Aim, name: str, plated: bool,
    slack: float,
) -> Plant:  # fmt: skip
    layer = next(one for one in site.board.copper if one.name == name)
    edit, drill = patch.on(layer), patch.drill(plated)
    allowance = _plated(site) if plated else site.shop.allowance.unplated
    frame = patch.turned(rng)
    gap = aim.at(rng, slack) + allowance / 2
    width = edit.size(float(rng.uniform(0.2, 0.4)))[1]
    ends = [frame.at(u, -0.9) for u in (-1.8, 1.8)]
    told = patch.line(layer, width, *ends)
    for end in told:
        _lands(patch, 0.9, end)
        patch.hole(True, 0.35, end)
    centre = frame.at(float(rng.uniform(-0.4, 0.4)), 0.2)
    at = drill.round(centre[0]), drill.round(centre[1])
    apart = point_to_segment(*at, (*told[0], *told[1]))
    hole = round(2 * (apart - width / 2 - gap), 6)
    patch.hole(plated, hole, at)
    if plated:
        _lands(patch, hole + 0.6, at, skip=name)
    truth = apart - width / 2 - hole / 2 - allowance / 2
    line = along(*told)
    foot = line.interpolate(line.project(shapely.Point(at)))
    mid = along(at, (foot.x, foot.y)).interpolate(hole / 2 + (truth + allowance / 2) / 2)
    rule = "drill.hole-to-copper" if plated else "drill.unplated-to-copper"
    bare = Companion("drill.hit-without-land", shapely.Point(at), "one end has no land")
    return patch.plant(Expect(rule, name, truth, mid), companions=(bare,) if plated else ())


@planter("drill.aspect-ratio")
def narrow_hole(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole with ample lands and a diameter too small for the board's thickness."""
    patch = through_board(site, rng)
    drill = patch.drill(True)
    hole = round(THICKNESS / aim.at(rng) - _plated(site), 6)
    if hole <= 0.02:
        hole = 0.05
    at = edit_round(drill, patch.middle)
    _lands(patch, hole + 0.8, at)
    patch.hole(True, hole, at)
    truth = THICKNESS / (hole + _plated(site))
    return patch.plant(Expect("drill.aspect-ratio", "", truth, shapely.Point(at)),
                       companions=_small(site, hole, shapely.Point(at)))  # fmt: skip


@planter("drill.aspect-ratio")
def shrunk_tool(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A tool of the real drill file made smaller, with all the holes it drills."""
    patch = Patch(site)
    number = site.drill_file(True)
    drill = patch.drill_file(number)
    holes = site.board.holes
    mine = (holes.file == number) & (holes.plated == 1) & (holes.x0 == holes.x1)
    tools = sorted({int(t) for t in holes.tool[mine]} & set(drill.tools))
    slots = {int(t) for t in holes.tool[(holes.file == number) & ~mine]}
    small = [t for t in tools
             if 2 * holes.r[mine & (holes.tool == t)].min() < 1.3 and t not in slots]  # fmt: skip
    if not small:
        raise NoPlace("no tool to make smaller")
    tool = small[int(rng.integers(len(small)))]
    hole = max(round(THICKNESS / aim.at(rng) - _plated(site), 6), 0.05)
    drill.resize(tool, hole)
    truth = THICKNESS / (hole + _plated(site))
    rows = mine & (holes.tool == tool)
    points = shapely.MultiPoint([(x, y) for x, y in zip(holes.x0[rows], holes.y0[rows],
                                                        strict=True)])  # fmt: skip
    round_it = points.buffer(2 * float(holes.r[rows].max()) + 0.5)
    ink = (
        Companion("legend.ink-in-hole", round_it, "its ink"),
        Companion("stencil.opening-over-hole", round_it, "its paste"),
        Companion("drill.slot-width", None, "its slots"),
        Companion("drill.tool-spacing", None, "nearly as large as another tool now"),
    )
    return patch.plant(
        Expect("drill.aspect-ratio", "", truth, points),
        companions=(*_small(site, hole, points), *ink),
    )


def _small(site: Site, hole: float, where: shapely.Geometry) -> tuple[Companion, ...]:
    """A hole may be too small to drill as well as too deep."""
    if hole + _plated(site) >= site.limit("drill.smallest-diameter"):
        return ()
    return (Companion("drill.smallest-diameter", where, "too small to drill, too"),)
