"""Etch: small patterns of conductors in free places, or in windows cut into a pour."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.ground import edit_round, in_pour, on_copper
from benchmarks.defects.patch import Frame, Patch, along
from benchmarks.defects.plant import Aim, Companion, Expect, Plant, planter
from benchmarks.defects.site import Site
from benchmarks.defects.truth import gap_place, point_to_segment, segments_apart
from dfmcheck.board.model import Layer

LAND = 0.9


def bow(patch: Patch, layer: Layer, frame: Frame, width: float, v: float, half: float) -> None:
    """The ends of a conductor along v: legs away from v = 0 to a land each."""
    away = math.copysign(1.3, v)
    for u in (-half, half):
        patch.line(layer, width, frame.at(u, v), frame.at(u, v + away))
        patch.land(layer, LAND, frame.at(u, v + away))


@planter("etch.conductor-spacing")
def two_conductors(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two conductors side by side, each between two lands of its own, straight or slanting."""
    patch, layer = on_copper(site, rng, 6.4)
    edit = patch.on(layer)
    gap = aim.at(rng, 2 * edit.slack)
    frame = patch.turned(rng)
    # Rounding moves the strokes; the second one's width takes it up.
    first, half = float(rng.uniform(0.2, 0.5)), float(rng.uniform(0.9, 1.2))
    v = 0.2
    ends = [[edit_round(edit, frame.at(u, w)) for u in (-half, half)] for w in (-v, v)]
    apart = segments_apart((*ends[0][0], *ends[0][1]), (*ends[1][0], *ends[1][1]))
    second = 2 * (apart - gap) - first
    if not 0.15 <= second <= 0.7:
        first = apart - gap
        second = first
    first, second = edit.size(first)[1], edit.size(second)[1]
    truth = apart - first / 2 - second / 2
    for width, w, told in ((first, -v, ends[0]), (second, v, ends[1])):
        patch.line(layer, width, *told)
        bow(patch, layer, frame, width, w, half)
    return patch.plant(
        Expect("etch.conductor-spacing", layer.name, truth,
               gap_place((*ends[0][0], *ends[0][1]), (*ends[1][0], *ends[1][1]),
                         first / 2, second / 2)),
        companions=(Companion("etch.conductor-spacing", along(*ends[0], *ends[1][::-1]),
                              "the same gap further along"),) if aim.past else (),
    )  # fmt: skip


@planter("etch.conductor-spacing")
def end_beside_conductor(site: Site, rng: Generator, aim: Aim) -> Plant:
    """The round end of one conductor beside the flank of another."""
    patch, layer = on_copper(site, rng, 6.4)
    edit = patch.on(layer)
    gap = aim.at(rng, 2 * edit.slack)
    frame = patch.turned(rng)
    half = 1.1
    flank = [edit_round(edit, frame.at(u, 0.3)) for u in (-half, half)]
    tip = edit_round(edit, frame.at(float(rng.uniform(-0.5, 0.5)), -0.2))
    wide = edit.size(float(rng.uniform(0.2, 0.4)))[1]
    apart = point_to_segment(*tip, (*flank[0], *flank[1]))
    end = edit.size(2 * (apart - wide / 2 - gap))[1]
    truth = apart - wide / 2 - end / 2
    patch.line(layer, wide, *flank)
    bow(patch, layer, frame, wide, 0.3, half)
    root = frame.at(0.0, -1.9)
    patch.line(layer, end, tip, root)
    patch.land(layer, LAND, root)
    foot = shapely.LineString(flank)
    foot = foot.interpolate(foot.project(shapely.Point(tip)))
    towards = along(tip, (foot.x, foot.y)).interpolate(end / 2 + truth / 2)
    return patch.plant(
        Expect("etch.conductor-spacing", layer.name, truth, towards),
        companions=(Companion("etch.dangling-end", towards, "the end leads nowhere"),),
    )


@planter("etch.conductor-spacing")
def conductor_beside_pour(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor along the straight edge of a window cut into a real pour."""
    patch, layer = in_pour(site, rng, 5.4, outer=True)
    spot = patch.spot
    edit = patch.on(layer)
    gap = aim.at(rng, 2 * edit.slack)
    patch.window(layer, spot)
    rim = edit.round(spot.y + spot.side / 2)
    width = edit.size(float(rng.uniform(0.2, 0.5)))[1]
    y = edit.round(rim - gap - width / 2)
    width = edit.size(2 * (rim - y - gap))[1]
    x0, x1 = edit.round(spot.x - 1.0), edit.round(spot.x + 1.0)
    patch.line(layer, width, (x0, y), (x1, y))
    for x in (x0, x1):
        patch.line(layer, width, (x, y), (x, y - 1.6))
        patch.land(layer, LAND, (x, y - 1.6))
    truth = rim - y - width / 2
    return patch.plant(
        Expect(
            "etch.conductor-spacing",
            layer.name,
            truth,
            gap_place((x0, y, x1, y), (x0, rim, x1, rim), width / 2, 0.0),
        )
    )


@planter("etch.conductor-width")
def neck_in_conductor(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor between two lands, with a short stretch drawn with a smaller aperture."""
    patch, layer = on_copper(site, rng, 5.4)
    edit = patch.on(layer)
    neck = edit.size(aim.at(rng))[1]
    frame = patch.turned(rng)
    wide = float(rng.uniform(0.35, 0.6))
    short = float(rng.uniform(0.45, 0.8))
    a, b = (edit_round(edit, frame.at(u, 0)) for u in (-short, short))
    for u, inner in ((-1.8, a), (1.8, b)):
        patch.line(layer, wide, frame.at(u, 0), inner)
        patch.land(layer, LAND, frame.at(u, 0))
    patch.line(layer, neck, a, b)
    return patch.plant(Expect("etch.conductor-width", layer.name, neck, along(a, b)))


@planter("etch.conductor-width")
def bite_out_of_conductor(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A wide conductor from whose flank a clear disc bites."""
    patch, layer = on_copper(site, rng, 6.0)
    edit = patch.on(layer)
    left = aim.at(rng, 2 * edit.slack)
    frame = patch.turned(rng)
    wide = edit.size(float(rng.uniform(0.5, 0.8)))[1]
    ends = [edit_round(edit, frame.at(u, 0)) for u in (-1.8, 1.8)]
    centre = edit_round(edit, frame.at(float(rng.uniform(-0.4, 0.4)), 0.5))
    (x0, y0), (x1, y1) = ends
    high = abs((x1 - x0) * (centre[1] - y0) - (y1 - y0) * (centre[0] - x0)) / math.hypot(
        x1 - x0, y1 - y0
    )
    bite = edit.size(2 * (high + wide / 2 - left))[1]
    truth = high + wide / 2 - bite / 2
    patch.line(layer, wide, *ends)
    edit.clear()
    patch.disc(layer, bite, centre)
    edit.dark()
    for end in ends:
        patch.land(layer, LAND, end)
    foot = frame.at(0.0, -0.25)
    return patch.plant(
        Expect("etch.conductor-width", layer.name, truth, shapely.Point(foot).buffer(0.5)),
        companions=(Companion("etch.acute-angle", shapely.Point(centre).buffer(bite),
                              "the bite's horns are sharp"),),
    )  # fmt: skip


@planter("etch.notch")
def slit_between_draws(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two draws of one net side by side, joined at one end: a slit between them."""
    patch, layer = on_copper(site, rng, 5.6)
    edit = patch.on(layer)
    gap = aim.at(rng, 2 * edit.slack)
    frame = patch.turned(rng)
    v = 0.25
    rows = [[edit_round(edit, frame.at(u, w)) for u in (-0.9, 0.9)] for w in (-v, v)]
    apart = segments_apart((*rows[0][0], *rows[0][1]), (*rows[1][0], *rows[1][1]))
    width = edit.size(apart - gap)[1]
    truth = apart - width
    for row in rows:
        patch.line(layer, width, *row)
        patch.line(layer, width, row[1], frame.at(1.9, 0.0))
    patch.line(layer, 0.8, frame.at(0.9, 0.0), frame.at(1.9, 0.0))
    for w in (-1.5, 1.5):
        sign = math.copysign(1, w)
        patch.line(layer, width, rows[0 if w < 0 else 1][0], frame.at(-0.9, w + sign * 0.2))
        patch.land(layer, LAND, frame.at(-0.9, w + sign * 0.2))
    return patch.plant(
        Expect("etch.notch", layer.name, truth, along(frame.at(-0.9, 0), frame.at(0.9, 0))),
        companions=(Companion("etch.acute-angle", shapely.Point(frame.at(0.9, 0)).buffer(0.8),
                              "the draws meet at a sharp inner angle"),),
    )  # fmt: skip


@planter("etch.resist-sliver")
def slit_in_pour(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A clear stroke in a real pour: an enclosed slit of its width."""
    patch, layer = in_pour(site, rng, 3.2)
    edit = patch.on(layer)
    width = edit.size(aim.at(rng))[1]
    frame = patch.turned(rng)
    half = float(rng.uniform(0.6, 1.0))
    edit.clear()
    told = patch.line(layer, width, frame.at(-half, 0), frame.at(half, 0))
    edit.dark()
    return patch.plant(Expect("etch.resist-sliver", layer.name, width, along(*told)))


@planter("etch.notch")
def slit_into_region(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A region with a land, and a clear stroke from its rim inwards."""
    patch, layer = on_copper(site, rng, 7.4)
    edit = patch.on(layer)
    width = edit.size(aim.at(rng))[1]
    frame = patch.turned(rng)
    corners = [(-1.8, -1.5), (1.8, -1.5), (1.8, 1.5), (-1.8, 1.5)]
    edit.region([frame.at(u, v) for u, v in corners])
    edit.clear()
    told = patch.line(layer, width, frame.at(0.3, 0.6), frame.at(2.4, 0.6))
    edit.dark()
    patch.line(layer, 0.5, frame.at(-1.5, -0.5), frame.at(-2.5, -0.5))
    patch.land(layer, LAND, frame.at(-2.5, -0.5))
    return patch.plant(
        Expect("etch.notch", layer.name, width, along(told[0], frame.at(1.8, 0.6))),
        companions=(Companion("etch.resist-sliver", along(*told), "the slit is a sliver"),),
    )
