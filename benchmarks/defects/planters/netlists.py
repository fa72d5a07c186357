"""Data: a netlist beside the layers (IPC-D-356A records), true to the copper but for one line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.random import Generator

from benchmarks.defects.plant import Aim, Companion, Expect, NoPlace, Plant, planter
from benchmarks.defects.planters.shares import closed
from benchmarks.defects.site import Site

MOST = 400
"""Lands without a hole that the netlist lists, of either side."""


@dataclass(slots=True)
class Row:
    """One test point, mm; ``hole`` nought for a land without one, ``access`` nought for both."""

    net: str
    x: float
    y: float
    hole: float
    access: int

    def text(self, number: int, inch: bool = False) -> str:
        """The record, in thousandths of a mm or ten thousandths of an inch."""
        k = 10_000 / 25.4 if inch else 1000
        drilled = f"D{round(k * self.hole):04d}P" if self.hole else " " * 6
        kind = "317" if self.hole else "327"
        width = round(k * (self.hole + 0.3)) if self.hole else round(k * 0.4)
        return (
            f"{kind}{self.net:<14}   {f'J{number // 50}':<6}-{number % 50:<4} {drilled}"
            f"A{self.access:02d}X{round(k * self.x):+07d}Y{round(k * self.y):+07d}"
            f"X{width:04d}Y    R000 S3"
        )


def true_netlist(site: Site) -> list[Row]:
    """A point at every plated hole and at lands without one, named by the copper it is on."""
    b, h = site.board, site.board.holes
    plated = (h.plated == 1) & (h.x0 == h.x1) & (h.y0 == h.y1) & (h.net >= 0)
    if (h.plated == 1).sum() != plated.sum():
        raise NoPlace("slots, or holes without copper")
    rows = [Row(f"N{int(h.net[k])}", float(h.x0[k]), float(h.y0[k]), 2 * float(h.r[k]), 0)
            for k in np.flatnonzero(plated)]  # fmt: skip
    for number, layer in ((1, b.copper[0]), (len(b.copper), b.copper[-1])):
        image = layer.image
        flashed = np.flatnonzero(image.flash)
        holed = np.unique(site.hole_tree.query(image.pieces[flashed], predicate="intersects")[0])
        for k in np.delete(flashed, holed)[:MOST].tolist():
            net = int(layer.net[image.piece_component[k]])
            rows.append(Row(f"N{net}", float(image.x[k]), float(image.y[k]), 0.0, number))
        if len(b.copper) == 1:
            break
    if len(rows) < 12:
        raise NoPlace("too few points for a netlist")
    return rows


def _plant(rows: list[Row], rule: str, past: bool) -> Plant:
    text = ["P  UNITS CUST 1", *(row.text(n) for n, row in enumerate(rows)), "999", ""]
    # how a netlist fits the board at all is a matter of its own, the same with either
    more = (Companion("data.assumption", None, "whose netlist it is"),)
    return Plant({"points.ipc": "\n".join(text).encode()}, (Expect(rule),) if past else (), more)


def _names(rows: list[Row]) -> dict[str, list[int]]:
    out: dict[str, list[int]] = {}
    for n, row in enumerate(rows):
        out.setdefault(row.net, []).append(n)
    return out


@planter("data.netlist-short")
def two_names_on_one_net(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A test point renamed: its copper now joins two nets; harmless: every point as it is."""
    rows = true_netlist(site)
    many = [points for points in _names(rows).values() if len(points) > 2]
    if not many:
        raise NoPlace("no net of three points")
    points = many[int(rng.integers(len(many)))]
    if aim.past:
        rows[points[int(rng.integers(len(points)))]].net = "PLANTED"
    return _plant(rows, "data.netlist-short", aim.past)


@planter("data.netlist-open")
def one_name_on_two_nets(site: Site, rng: Generator, aim: Aim) -> Plant:
    """Two nets of one name: what should be joined is not; harmless: named in another order."""
    rows = true_netlist(site)
    names = list(_names(rows).values())
    if len(names) < 4:
        raise NoPlace("too few nets")
    a, b = (names[int(n)] for n in rng.permutation(len(names))[:2])
    for n in a if aim.past else ():
        rows[n].net = "PLANTED"
    for n in b if aim.past else ():
        rows[n].net = "PLANTED"
    return _plant(rows if aim.past else rows[::-1], "data.netlist-open", aim.past)


@planter("data.netlist-point")
def point_on_nothing(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A test point more, over bare laminate; harmless: over the land of its net."""
    rows = true_netlist(site)
    points = [n for n, row in enumerate(rows) if row.hole == 0]
    if not points:
        raise NoPlace("no land without a hole")
    old = rows[points[int(rng.integers(len(points)))]]
    if not aim.past:
        rows.append(Row(old.net, old.x, old.y, 0.0, old.access))
        return _plant(rows, "data.netlist-point", False)
    layer = site.board.copper[0 if old.access == 1 else -1]
    spot = site.free(rng, (layer,), 2.0, pour=False)
    rows.append(Row(old.net, spot.x, spot.y, 0.0, old.access))
    return _plant(rows, "data.netlist-point", True)


@planter("data.netlist-hole")
def hole_not_drilled(site: Site, rng: Generator, aim: Aim) -> Plant:
    """A plated hole in the netlist where none is drilled; harmless: the drilled ones only."""
    rows = true_netlist(site)
    closed(site)
    points = [row for row in rows if row.hole == 0]
    if not points:
        raise NoPlace("no land without a hole")
    if aim.past:
        old = points[int(rng.integers(len(points)))]
        if not len(site.hole_tree.query(shapely.Point(old.x, old.y).buffer(0.5))):
            old.hole, old.access = 0.3, 0
        else:
            raise NoPlace("a hole stands near")
    return _plant(rows, "data.netlist-hole", aim.past)
