"""Four layers and six made of two, where a board's files say which layer is which."""

from __future__ import annotations

import math

import shapely
from numpy.random import Generator

from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.plant import Aim, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.shares import (
    blank,
    closed,
    half_striped,
    others,
    region,
    share_of,
    up_to,
)
from benchmarks.defects.site import Site
from benchmarks.defects.truth import point_to_segment

WHY = "the board has two layers more, which fit nothing"


def _stack(site: Site, inner: int = 2) -> tuple[dict[str, bytes | None], tuple[GerberEdit, ...]]:
    """The bottom layer told as the last, and so many inner layers, still empty."""
    if len(site.board.copper) != 2:
        raise NoPlace("not two layers")
    bottom = site.board.copper[1].image.file
    data = site.files[bottom]
    if b"FileFunction,Copper,L2,Bot" not in data:
        raise NoPlace("the files do not say which layer is which")
    stem, dot, end = bottom.rpartition(".")
    layers = tuple(
        blank(f"{stem}_inner{n}{dot}{end}", function=f"Copper,L{n},Inr")
        for n in range(2, inner + 2)
    )
    last = f"Copper,L{inner + 2},Bot".encode()
    return {bottom: data.replace(b"Copper,L2,Bot", last)}, layers


@planter("press.copper-balance")
def lopsided_stack(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two inner layers, one with much copper, the other with little."""
    area = closed(site)
    files, (two, three) = _stack(site)
    least = 0.01
    most = least + min(aim.at(rng), 0.97)
    shares = [share_of([region(edit, up_to(area, share))], area)
              for edit, share in ((two, least), (three, most))]  # fmt: skip
    files |= {two.name: two.data(), three.name: three.data()}
    truth = abs(shares[0] - shares[1])
    return Plant(files, (Expect("press.copper-balance", "conductor-2", truth),),
                 others("press.copper-balance", WHY))  # fmt: skip


@planter("press.facing-share")
def bare_prepreg(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Of four inner layers the two with prepreg between them nearly bare on one side."""
    return _striped(site, rng, aim, "press.facing-share")


@planter("press.stacked-copper")
def stacked_layers(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two inner layers, both full on one side of the board and barer on the other."""
    return _striped(site, rng, aim, "press.stacked-copper")


def _striped(site: Site, rng: Generator, aim: Aim, rule: str) -> Plant:
    area = closed(site)
    facing = rule == "press.facing-share"
    files, inner = _stack(site, 4 if facing else 2)
    value = aim.at(rng)
    for edit in inner:
        share, sound = half_striped(edit, area, value if facing else 1 - min(value, 0.97))
        files[edit.name] = edit.data()
    if not sound:
        raise NoPlace("no window lies wholly inside the board on either side")
    # With outer foils, 2-3 and 4-5 are the two sides of a core; prepreg lies between 3 and 4.
    layer = "conductor-3" if facing else ""
    return Plant(files, (Expect(rule, layer, share if facing else 1 - share),),
                 others(rule, WHY))  # fmt: skip


@planter("press.copper-to-profile")
def inner_land_at_edge(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A land on an inner layer near a straight stretch of the board's edge."""
    area = closed(site)
    profile = site.board.profile
    assert profile is not None
    files, inner = _stack(site)
    slack = site.edit_profile().slack
    edit = inner[int(rng.integers(2))]
    e = profile.edges
    straight = [k for k in range(len(e.x0)) if e.error[k] < 2e-3
                and math.hypot(e.x1[k] - e.x0[k], e.y1[k] - e.y0[k]) > 5]  # fmt: skip
    if not straight:
        raise NoPlace("no straight stretch of edge")
    gap = aim.at(rng, slack)
    for _ in range(60):
        k = straight[int(rng.integers(len(straight)))]
        a, b = (float(e.x0[k]), float(e.y0[k])), (float(e.x1[k]), float(e.y1[k]))
        t, side = float(rng.uniform(0.3, 0.7)), 1 if rng.random() < 0.5 else -1
        long = math.dist(a, b)
        n = (-(b[1] - a[1]) / long * side, (b[0] - a[0]) / long * side)
        foot = (a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]))
        at = edit.round(foot[0] + n[0] * 1.0), edit.round(foot[1] + n[1] * 1.0)
        if not area.covers(shapely.Point(at)):
            continue
        rest = [j for j in range(len(e.x0)) if j != k]
        apart = point_to_segment(*at, (*a, *b))
        if any(point_to_segment(*at, (float(e.x0[j]), float(e.y0[j]), float(e.x1[j]),
                                      float(e.y1[j]))) < 1.6 for j in rest):  # fmt: skip
            continue
        size = edit.size(2 * (apart - gap))[1]
        edit.flash(edit.aperture("C", size), *at)
        for one in inner:
            region(
                one,
                area.buffer(-3).bounds
                if one is not edit
                else (
                    at[0] + 3 * n[0],
                    at[1] + 3 * n[1],
                    at[0] + 3 * n[0] + 1,
                    at[1] + 3 * n[1] + 1,
                ),
            )
            files[one.name] = one.data()
        truth = apart - size / 2
        mid = shapely.Point(at[0] - n[0] * (size / 2 + truth / 2),
                            at[1] - n[1] * (size / 2 + truth / 2))  # fmt: skip
        layer = f"conductor-{2 + inner.index(edit)}"
        return Plant(files, (Expect("press.copper-to-profile", layer, truth, mid),),
                     others("press.copper-to-profile", WHY))  # fmt: skip
    raise NoPlace("no free stretch of edge")


@planter("press.unconnected-land", ("planted", "harmless"))
def idle_inner_land(site: Site, rng: Generator, aim: Aim) -> Plant:
    """An inner land round a plated hole, joined to nothing there; harmless: with a conductor."""
    files, inner = _stack(site)
    h, nets = site.board.holes, site.board.holes.net
    rows = [k for k in range(len(h.r)) if h.plated[k] == 1 and h.x0[k] == h.x1[k]
            and h.y0[k] == h.y1[k] and (nets == nets[k]).sum() > 1]  # fmt: skip
    rng.shuffle(rows)
    edit = inner[int(rng.integers(2))]
    for k in rows[:40]:
        x, y, r = float(h.x0[k]), float(h.y0[k]), float(h.r[k])
        at = edit.round(x), edit.round(y)
        room = shapely.Point(at).buffer(r + 1.2)
        if len(site.hole_tree.query(room, predicate="intersects")) > 1:
            continue
        edit.flash(edit.aperture("C", 2 * r + 0.6), *at)
        if not aim.past:
            edit.draw(edit.aperture("C", 0.3), *at, at[0] + r + 0.8, at[1])
        _, _, x1, y1 = closed(site).bounds
        for one in inner:
            region(one, (x1 + 5, y1 + 5, x1 + 6, y1 + 6))  # beside the board: no layer is empty
            files[one.name] = one.data()
        layer = f"conductor-{2 + inner.index(edit)}"
        expect = Expect("press.unconnected-land", layer, 1.0, shapely.Point(at))
        return Plant(files, (expect,) if aim.past else (), others("press.unconnected-land", WHY))
    raise NoPlace("no plated hole that stands alone")
