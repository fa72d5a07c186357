"""The nets of a board as a list: pins, holes, copper on each layer, narrowest place."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board, Layer
from dfmcheck.board.net_attributes import attribute_claims
from dfmcheck.board.netlist_place import place
from dfmcheck.formats.ipc356 import UNCONNECTED, Netlist
from dfmcheck.geometry.facing import narrow_places

REACH = 0.25
"""Narrow places are listed up to this width, mm."""
_WIDER = (0.25, 0.5, 1.0, 2.0, 4.0)  # mm; tried in turn for one net
_GENERATED = re.compile(r"net \d+")
Rows = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Narrow:
    """A narrow place: width, middle and layer, mm on the board's datum."""

    width: float
    x: float
    y: float
    layer: str


@dataclass(frozen=True, slots=True)
class NetHole:
    """One plated hole of a net; a slot has a second end."""

    x: float
    y: float
    x1: float
    y1: float
    diameter: float
    first: int
    last: int
    file: str
    line: int


@dataclass(frozen=True, slots=True)
class NetRow:
    """One net by name.

    Attributes
    ----------
    pieces : int
        Pieces of copper that share the name but are not joined; 1 for a sound net.
    others : tuple of str
        Other names stated for the same copper; none for a sound net.
    generated : bool
        The name is made up: the data names no net here.
    joined : bool
        It has a plated hole or a land the mask opens; others are letters and fill.
    area : tuple of float
        Copper on each layer, top to bottom, mm².
    narrowest : Narrow or None
        None where nothing as narrow as ``reach`` was found.
    """

    name: str
    pieces: int
    others: tuple[str, ...]
    generated: bool
    joined: bool
    pins: tuple[str, ...]
    holes: tuple[NetHole, ...]
    area: tuple[float, ...]
    narrowest: Narrow | None
    reach: float


def net_table(
    board: Board, netlists: Sequence[Netlist] = (), only: str | None = None
) -> tuple[NetRow, ...]:
    """Every net with copper, by name; or the one called ``only``, looked at further.

    Pins are those the objects' attributes name (.P) and those of the netlists' points. Names
    are compared as written, then without regard to case.
    """
    names = np.array(board.net_names, dtype=object)
    alive = _with_copper(board)
    wanted = np.unique(np.concatenate([*(np.unique(layer.net) for layer in board.copper), [-1]]))
    wanted = wanted[wanted >= 0]
    wanted = wanted[alive[wanted]]
    stated = _stated(board, netlists)
    if only is not None:
        mine = {n for n in wanted.tolist() if only in (names[n], *stated[n][0])}
        if not mine:
            low = only.casefold()
            mine = {
                n
                for n in wanted.tolist()
                if low in (str(names[n]).casefold(), *(s.casefold() for s in stated[n][0]))
            }
        wanted = np.array(sorted(mine), dtype=np.int64)
    area = _areas(board)
    narrow = _narrowest(board, wanted, _WIDER if only is not None else (REACH,))
    groups: dict[str, list[int]] = {}
    for n in wanted.tolist():
        groups.setdefault(str(names[n]), []).append(n)
    return tuple(
        _row(board, name, group, stated, area, narrow)
        for name, group in sorted(groups.items(), key=lambda item: _order(item[0]))
    )


def _order(name: str) -> tuple[bool, list[tuple[int, str]]]:
    """Named nets first, digits by their value."""
    split = re.split(r"(\d+)", name.casefold())
    return bool(_GENERATED.fullmatch(name)), [
        (int(text), "") if k % 2 else (0, text) for k, text in enumerate(split)
    ]


def _with_copper(board: Board) -> npt.NDArray[np.bool_]:
    out = np.zeros(len(board.net_names), dtype=np.bool_)
    for layer in board.copper:
        out[layer.net[layer.image.component]] = True
    return out


def _stated(
    board: Board, netlists: Sequence[Netlist]
) -> list[tuple[dict[str, None], dict[str, None]]]:
    """Names and pins stated for each board net."""
    out: list[tuple[dict[str, None], dict[str, None]]] = [({}, {}) for _ in board.net_names]
    claims, _ = attribute_claims(board)
    for net, name in np.unique(np.stack([claims.net, claims.name], axis=-1), axis=0).astype(int):
        out[net][0][claims.names[name]] = None
    for layer in board.copper:
        image = layer.image
        rows = np.flatnonzero(image.pin >= 0)
        nets = layer.net[image.piece_component[rows]]
        for net, pin in zip(nets.tolist(), image.pin[rows].tolist(), strict=True):
            out[net][1]["-".join(part for part in image.pins[pin] if part)] = None
    for netlist in netlists:
        placed = place(board, netlist)
        p = netlist.points
        for k in np.flatnonzero(placed.net >= 0).tolist():
            if p.net[k] >= 0 and netlist.names[p.net[k]] != UNCONNECTED:
                out[placed.net[k]][0][netlist.names[p.net[k]]] = None
            if p.pin[k] >= 0 and netlist.pins[p.pin[k]][1]:
                out[placed.net[k]][1]["-".join(netlist.pins[p.pin[k]])] = None
    return out


def _areas(board: Board) -> npt.NDArray[np.float64]:
    out = np.zeros((len(board.net_names), len(board.copper)))
    for number, layer in enumerate(board.copper):
        net = layer.net[layer.image.component]
        np.add.at(out[:, number], net, shapely.area(layer.image.parts))
    return out


def _narrowest(board: Board, nets: Rows, reaches: Sequence[float]) -> dict[int, Narrow]:
    """The narrowest place of each net; wider ones are looked for while a net has none."""
    out: dict[int, Narrow] = {}
    for reach in reaches:
        left = nets[~np.isin(nets, list(out))]
        for layer in board.copper:
            for net, found in _on_layer(board, layer, left, reach):
                if net not in out or found.width < out[net].width:
                    out[net] = found
    return out


def _on_layer(board: Board, layer: Layer, nets: Rows, reach: float) -> list[tuple[int, Narrow]]:
    of_part = layer.net[layer.image.component]
    rows = np.flatnonzero(np.isin(of_part, nets))
    places = narrow_places(layer.image.parts[rows], reach)
    if len(places) == 0:
        return []
    net = of_part[rows[places.part]]
    order = np.lexsort((places.value, net))
    first = order[np.unique(net[order], return_index=True)[1]]
    middle = (places.p[first] + places.q[first]) / 2 - np.array(board.origin)
    return [
        (int(n), Narrow(float(w), float(x), float(y), layer.name))
        for n, w, (x, y) in zip(net[first], places.value[first], middle, strict=True)
    ]


def _row(
    board: Board, name: str, group: list[int],
    stated: Sequence[tuple[dict[str, None], dict[str, None]]],
    area: npt.NDArray[np.float64], narrow: dict[int, Narrow],
) -> NetRow:  # fmt: skip
    h = board.holes
    ox, oy = board.origin
    rows = np.flatnonzero(np.isin(h.net, group))
    holes = tuple(
        NetHole(
            float(h.x0[k] - ox), float(h.y0[k] - oy), float(h.x1[k] - ox), float(h.y1[k] - oy),
            float(2 * h.r[k]), int(h.first[k]), int(h.last[k]),
            board.drill_files[int(h.file[k])], int(h.line[k]),
        )
        for k in rows.tolist()
    )  # fmt: skip
    others = dict.fromkeys(other for n in group for other in stated[n][0] if other != name)
    pins = sorted({pin for n in group for pin in stated[n][1]}, key=_order)
    found = [narrow[n] for n in group if n in narrow]
    joined = board.net_joined
    return NetRow(
        name, len(group), tuple(others), bool(_GENERATED.fullmatch(name)),
        any(bool(joined[n]) for n in group), tuple(pins), holes,
        tuple(area[group].sum(axis=0).tolist()),
        min(found, key=lambda place: place.width) if found else None, REACH,
    )  # fmt: skip
