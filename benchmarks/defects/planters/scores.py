"""Score lines beside copper: a file of the grooves the board is broken out along."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.ground import edit_round, through_board
from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.real_features import edges_of, shuffled
from benchmarks.defects.planters.shares import blank
from benchmarks.defects.site import Site
from benchmarks.defects.truth import Axis, gap_place, segments_apart
from dfmcheck.board.model import Layer
from dfmcheck.formats.records import Kind

NAME = "vscore.gbr"


def _score(axis: Axis) -> dict[str, bytes]:
    """A score file of one line. Its own width counts for nothing."""
    edit = blank(NAME, function="Vcut")
    edit.draw(edit.aperture("C", 0.2), *axis)
    return {NAME: edit.data()}


def _told(axis: Axis) -> Axis:
    edit = blank(NAME)
    x0, y0, x1, y1 = (edit.round(value) for value in axis)
    return x0, y0, x1, y1


@planter("rout.copper-to-score")
def conductor_beside_score(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A conductor between two lands beside a score line, along it or slanting."""
    layer = site.copper(rng)
    patch = through_board(site, rng, 7.0, rim=1.5)
    edit = patch.on(layer)
    gap = aim.at(rng, edit.slack)
    frame = patch.turned(rng)
    ends = [edit_round(edit, frame.at(u, -0.9)) for u in (-1.4, 1.4)]
    axis = (*ends[0], *ends[1])
    lean = float(rng.uniform(0.0, 0.3)) if rng.random() < 0.5 else 0.0
    high = -0.9 + gap + 0.2
    line = _told((*frame.at(-1.0, high), *frame.at(1.0, high + lean)))
    apart = segments_apart(axis, line)
    width = edit.size(2 * (apart - gap))[1]
    patch.line(layer, width, *ends)
    for u in (-1.4, 1.4):
        patch.line(layer, width, frame.at(u, -0.9), frame.at(u * 1.5, -1.8))
        patch.land(layer, 0.9, frame.at(u * 1.5, -1.8))
    truth = apart - width / 2
    where = gap_place(axis, line, width / 2, 0.0)
    told = Expect("rout.copper-to-score", layer.name, truth, where)
    return patch.plant(told, beside=_score(line))


@planter("rout.copper-to-score")
def score_beside_draw(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A score line beside a straight draw of a real conductor."""
    layer = site.copper(rng)
    image, e = layer.image, layer.image.edges
    slack = site.edit(layer).slack
    axes = edges_of(layer)
    long = np.hypot(e.x1 - e.x0, e.y1 - e.y0) > 2.0
    rows = np.flatnonzero(long & (e.r > 0) & (image.kind[e.piece] == Kind.DRAW)
                          & image.whole[e.piece])  # fmt: skip
    inner = site.area.buffer(-1.0)
    for k in shuffled(rng, rows, 150):
        a, b = axes[k][:2], axes[k][2:]
        d = (b - a) / math.dist(a, b)
        n = np.array([-d[1], d[0]]) * (1 if rng.random() < 0.5 else -1)
        gap = aim.at(rng, slack)
        foot = a + (b - a) * float(rng.uniform(0.4, 0.6)) + n * (float(e.r[k]) + gap)
        line = _told((*(foot - 0.4 * d), *(foot + 0.4 * d)))
        truth = segments_apart((*a, *b), line) - float(e.r[k])
        if not inner.covers(shapely.LineString([line[:2], line[2:]])):
            continue
        # Past the limit other layers' copper may be near, too, and is told besides.
        layers = (layer,) if aim.past else site.board.copper
        far = (truth if aim.past else aim.limit) + 0.05
        if not _alone(layers, layer, int(e.piece[k]), line, far):
            continue
        where = gap_place((*a, *b), line, float(e.r[k]), 0.0)
        room = shapely.LineString([line[:2], line[2:]]).buffer(aim.limit)
        more = (Companion("rout.copper-to-score", room, "other copper is near, too"),)
        told = Expect("rout.copper-to-score", layer.name, truth, where)
        return Plant(dict(_score(line)), (told,), more if aim.past else ())
    raise NoPlace("no draw with room beside it")


def _alone(layers: Sequence[Layer], layer: Layer, own: int, line: Axis, far: float) -> bool:
    """Whether no copper but the one piece of ``layer`` is so near a line."""
    room = shapely.LineString([line[:2], line[2:]]).buffer(far)
    for one in layers:
        near = shapely.STRtree(one.image.pieces).query(room, predicate="intersects")
        if set(near.tolist()) - ({own} if one is layer else set()):
            return False
    return True
