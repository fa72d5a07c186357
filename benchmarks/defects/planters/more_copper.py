"""Etch, further: lettering, islands, pinholes, tongues of pour, sharp inner angles."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.ground import edit_round, in_pour, on_copper
from benchmarks.defects.patch import along
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.etch_patterns import LAND
from benchmarks.defects.site import Site


@planter("etch.text-stroke")
def thin_letter(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A letter of three strokes in copper that hangs on no circuit."""
    patch, layer = on_copper(site, rng, 4.0)
    frame = patch.turned(rng)
    width = patch.on(layer).size(aim.at(rng))[1]
    points = [frame.at(u, v) for u, v in ((-0.5, 0.8), (-0.5, -0.8), (0.5, -0.8), (0.5, 0.4))]
    told = patch.line(layer, width, *points)
    return patch.plant(Expect("etch.text-stroke", layer.name, width, along(*told)))


@planter("etch.isolated-copper")
def small_island(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An oblong island without a net, drawn as a region."""
    patch, layer = on_copper(site, rng, 4.0)
    edit = patch.on(layer)
    short = aim.at(rng, 2 * edit.slack)
    x0, y0 = edit_round(edit, patch.middle)
    wide = round(short / edit.step) * edit.step
    if aim.past and wide >= aim.limit - 0.0015 - 2 * edit.slack:
        wide -= edit.step
    if not aim.past and wide < aim.limit:
        wide += edit.step
    corners = [(x0, y0), (x0 + wide, y0), (x0 + wide, y0 + 1.4), (x0, y0 + 1.4)]
    if rng.random() < 0.5:
        corners = [(x0 + v - y0, y0 + u - x0) for u, v in corners]
    edit.region(corners)
    where = shapely.Polygon(corners)
    return patch.plant(Expect("etch.isolated-copper", layer.name, wide, where))


@planter("etch.pinhole")
def hole_in_pour(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A round clear dot in a real pour."""
    patch, layer = in_pour(site, rng, 3.2)
    edit = patch.on(layer)
    width = edit.size(aim.at(rng))[1]
    edit.clear()
    at = patch.disc(layer, width, patch.middle)
    edit.dark()
    return patch.plant(Expect("etch.pinhole", layer.name, width, shapely.Point(at)))


@planter("etch.pinhole")
def hole_in_region(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A square clear dot in a region joined to a land."""
    patch, layer = on_copper(site, rng, 7.4)
    edit = patch.on(layer)
    width = edit.size(aim.at(rng))[1]
    frame = patch.turned(rng, skew=False)
    edit.region([frame.at(u, v) for u, v in ((-1.6, -1.4), (1.6, -1.4), (1.6, 1.4), (-1.6, 1.4))])
    edit.clear()
    at = edit_round(edit, frame.at(0.4, 0.3))
    edit.flash(patch.code(layer, "R", width, width), *at)
    edit.dark()
    patch.line(layer, 0.5, frame.at(-1.3, -0.5), frame.at(-2.5, -0.5))
    patch.land(layer, LAND, frame.at(-2.5, -0.5))
    return patch.plant(Expect("etch.pinhole", layer.name, width, shapely.Point(at)))


@planter("etch.copper-sliver")
def tongue_of_region(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A region joined to a land, with a narrow tongue."""
    patch, layer = on_copper(site, rng, 7.4)
    edit = patch.on(layer)
    frame = patch.turned(rng, skew=False)
    x, y = edit_round(edit, (frame.x, frame.y))
    slack = 2 * edit.slack
    steps = aim.at(rng, slack) / edit.step
    wide = (math.floor(steps) if aim.past else math.ceil(steps)) * edit.step
    turn = type(frame)(x, y, frame.angle)
    edit.region([turn.at(u, v) for u, v in (
        (-1.6, -1.2), (1.0, -1.2), (1.0, 0.0), (2.2, 0.0), (2.2, wide), (1.0, wide), (1.0, 1.2),
        (-1.6, 1.2))])  # fmt: skip
    patch.line(layer, 0.5, turn.at(-1.3, -0.5), turn.at(-2.5, -0.5))
    patch.land(layer, LAND, turn.at(-2.5, -0.5))
    where = along(turn.at(1.0, wide / 2), turn.at(2.2, wide / 2))
    return patch.plant(Expect("etch.copper-sliver", layer.name, wide, where))


@planter("etch.acute-angle")
def sharp_fork(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two wide draws that meet in a sharp angle, each with a land at its other end."""
    patch, layer = on_copper(site, rng, 9.4)
    edit = patch.on(layer)
    frame = patch.turned(rng)
    # both ends of both legs may be off by the grid
    angle = math.radians(aim.at(rng, math.degrees(4 * edit.slack / 4.5)))
    if math.degrees(angle) < 14:
        raise NoPlace("the strokes would run into each other")
    tip = edit_round(edit, frame.at(-3.2, 0.0))
    far = 6.0
    ends = [edit_round(edit, (tip[0] + far * math.cos(frame.angle + s * angle / 2),
                              tip[1] + far * math.sin(frame.angle + s * angle / 2)))
            for s in (-1, 1)]  # fmt: skip
    told = [math.atan2(y - tip[1], x - tip[0]) for x, y in ends]
    truth = math.degrees(abs((told[1] - told[0] + math.pi) % (2 * math.pi) - math.pi))
    width = 0.25
    for end in ends:
        patch.line(layer, width, tip, end)
        patch.land(layer, 0.6, end)
    inner = width / 2 / math.sin(math.radians(truth) / 2)
    where = shapely.Point(tip[0] + inner * math.cos(frame.angle),
                          tip[1] + inner * math.sin(frame.angle))  # fmt: skip
    return patch.plant(
        Expect("etch.acute-angle", layer.name, truth, where),
        companions=(
            Companion("etch.notch", where.buffer(0.6), "the angle is narrow at its point"),
        ),
    )
