"""Spacing between nets whose voltage is stated, and voltages of nets there are not."""

from __future__ import annotations

import math
from typing import Any

import shapely
from numpy.random import Generator

from benchmarks.defects.gerber_edit import GerberEdit
from benchmarks.defects.ground import Ground, edit_round, on_copper
from benchmarks.defects.patch import Frame, along
from benchmarks.defects.plant import SIZES, Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.etch_patterns import LAND, bow
from benchmarks.defects.site import Site
from benchmarks.defects.truth import Axis, gap_place, segments_apart
from dfmcheck.board.model import Layer
from dfmcheck.board.voltages import Stated, Voltages

HIGH, LOW = "PLANTED_HIGH", "PLANTED_LOW"
LEAST = 0.15
"""No narrower, mm, so that spacing of any voltage stays clear of its limit."""


def _stated(**volts: float) -> Voltages:
    entries = (Stated(name, value, n) for n, (name, value) in enumerate(volts.items(), start=2))
    return Voltages("voltages.toml", tuple(entries))


def _row(edit: GerberEdit, frame: Frame, v: float, half: float) -> Axis:
    (x0, y0), (x1, y1) = (edit_round(edit, frame.at(u, v)) for u in (-half, half))
    return x0, y0, x1, y1


def _conductor(
    patch: Ground, layer: Layer, frame: Frame, net: str, width: float, axis: Axis, v: float
) -> None:
    """A conductor along v with a land at either end, its net told by attributes."""
    edit = patch.on(layer)
    edit.tail.append(f"%TO.N,{net}*%")
    patch.line(layer, width, axis[:2], axis[2:])
    bow(patch, layer, frame, width, v, math.dist(axis[:2], axis[2:]) / 2)
    edit.tail.append("%TD*%")


def _between(a: Axis, b: Axis) -> Any:
    return shapely.Polygon([a[:2], a[2:], b[2:], b[:2]])


@planter("etch.voltage-spacing", (*SIZES, "harmless"))
def two_voltages(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two conductors whose nets are 48 V apart; harmless: near each other, of one voltage."""
    patch, layer = on_copper(site, rng, 6.4)
    edit = patch.on(layer)
    alike = aim.size == "harmless"
    gap = 0.2 if alike else max(aim.at(rng, 2 * edit.slack), LEAST)
    frame = patch.turned(rng)
    v, half = 0.4, float(rng.uniform(0.9, 1.2))
    a, b = (_row(edit, frame, w, half) for w in (-v, v))
    apart = segments_apart(a, b)
    first = float(rng.uniform(0.2, 0.4))
    second = 2 * (apart - gap) - first
    if not LEAST <= second <= 1.0:
        first = second = apart - gap
    first, second = edit.size(first)[1], edit.size(second)[1]
    for net, width, axis, w in ((HIGH, first, a, -v), (LOW, second, b, v)):
        _conductor(patch, layer, frame, net, width, axis, w)
    truth = apart - first / 2 - second / 2
    where = gap_place(a, b, first / 2, second / 2)
    volts = _stated(**{HIGH: 48.0, LOW: 48.0 if alike else 0.0})
    if not aim.past:
        return patch.plant(voltages=volts)
    return patch.plant(
        Expect("etch.voltage-spacing", layer.name, truth, where),
        companions=(Companion("etch.voltage-spacing", _between(a, b),
                              "the same gap further along"),),
        voltages=volts,
    )  # fmt: skip


@planter("etch.voltage-spacing")
def voltage_across_third_net(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two conductors 48 V apart, with one of no stated voltage between them."""
    patch, layer = on_copper(site, rng, 6.4)
    edit = patch.on(layer)
    free = max(aim.at(rng, 4 * edit.slack), 2 * LEAST)
    frame = patch.turned(rng)
    v, half = 0.4, 0.9
    a, b, middle = (_row(edit, frame, w, u) for w, u in ((-v, half), (v, half), (0.0, 2.3)))
    apart = segments_apart(a, b)
    narrow = edit.size(float(rng.uniform(0.12, 0.2)))[1]
    wide = edit.size(apart - free - narrow)[1]
    for net, axis, w in ((HIGH, a, -v), (LOW, b, v)):
        _conductor(patch, layer, frame, net, wide, axis, w)
    patch.line(layer, narrow, middle[:2], middle[2:])
    for end in (middle[:2], middle[2:]):
        patch.land(layer, LAND, end)
    # The way steps on and off the third conductor wherever that is nearest.
    truth = sum(segments_apart(axis, middle) - wide / 2 - narrow / 2 for axis in (a, b))
    where = along(*(edit_round(edit, frame.at(u, 0.0)) for u in (-half, half)))
    return patch.plant(
        Expect("etch.voltage-spacing", layer.name, truth, where),
        companions=(Companion("etch.voltage-spacing", _between(a, b),
                              "the same gap further along"),) if aim.past else (),
        voltages=_stated(**{HIGH: 48.0, LOW: 0.0}),
    )  # fmt: skip


@planter("data.unknown-net-voltage")
def voltage_of_no_net(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A voltage of a net, or of a pattern, the board has not; harmless: of nets it has."""
    names = site.board.net_names
    if not names:
        raise NoPlace("no nets")
    real = names[int(rng.integers(len(names)))]
    strange = ("PLANTED_12V", "PLANTED_*")[int(rng.integers(2))]
    volts = _stated(**{"*": 0.0, strange if aim.past else real: 0.0})
    expect = (Expect("data.unknown-net-voltage", source=("voltages.toml", 3)),) if aim.past else ()
    return Plant({}, expect, voltages=volts)
