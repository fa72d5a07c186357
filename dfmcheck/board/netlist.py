"""Holds the netlist against the board: opens, shorts, points without copper, holes.

Source: IPC-D-356A (what a netlist states); the comparison itself is common practice.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree

from dfmcheck.board.model import Board
from dfmcheck.board.netlist_holes import hole_defects
from dfmcheck.board.netlist_place import Placement, parts_at, place
from dfmcheck.formats.ipc356 import UNCONNECTED, Netlist
from dfmcheck.terms import Defect, Weight

LISTED = 20
"""Opens or shorts told one by one; the rest is counted."""
_NAMED = 4  # points or nets named within one sentence
_GENERATED = re.compile(r"net \d+")
Rows = npt.NDArray[Any]


def compare_netlist(
    board: Board, netlist: Netlist, placement: Placement | None = None
) -> tuple[Defect, ...]:
    """What board and netlist disagree on.

    Parameters
    ----------
    board : Board
        Assembled, with nets.
    netlist : Netlist
    placement : Placement, optional
        From :func:`~dfmcheck.board.netlist_place.place`; made when not given.

    Returns
    -------
    tuple of Defect
        ``data.netlist-open``, ``data.netlist-short`` (hold), ``data.netlist-point``,
        ``data.netlist-hole`` (query), coordinates on the board's datum. A netlist that lies
        nowhere on the board gives one ``data.datum-offset`` and nothing else.
    """
    placed = placement or place(board, netlist)
    if not placed.trusted:
        return placed.defects
    out = [*placed.defects, *_layer_count(board, netlist)]
    net = netlist.points.net
    idle = netlist.names.index(UNCONNECTED) if UNCONNECTED in netlist.names else -2
    rows = np.flatnonzero((placed.net >= 0) & (net >= 0) & (net != idle))
    pairs = np.unique(np.stack([net[rows], placed.net[rows]], axis=-1), axis=0)
    if opens_show(board):
        out += _opens(board, netlist, placed, rows, pairs)
    out += _shorts(board, netlist, placed, rows, pairs)
    out += _idle(board, netlist, placed, rows, np.flatnonzero((net == idle) & (placed.net >= 0)))
    out += _bare_points(board, netlist, placed)
    out += hole_defects(board, netlist, placed)
    return tuple(out)


def opens_show(board: Board) -> bool:
    """Whether an open net is one: without plated holes nothing joins the layers."""
    return len(board.copper) < 2 or bool((board.holes.plated == 1).any())


def net_names(
    board: Board, netlist: Netlist, placement: Placement | None = None
) -> tuple[str, ...]:
    """The board's net names, those that were only numbered replaced by the netlist's.

    A net takes the name most of its points carry. Shorted nets thus keep one of their names
    and the pieces of an open net share one.
    """
    placed = placement or place(board, netlist)
    votes: dict[int, Counter[str]] = {}
    rows = np.flatnonzero((placed.net >= 0) & (netlist.points.net >= 0))
    pairs, count = np.unique(
        np.stack([placed.net[rows], netlist.points.net[rows]], axis=-1), axis=0, return_counts=True
    )
    for (mine, theirs), n in zip(pairs.tolist(), count.tolist(), strict=True):
        if netlist.names[theirs] != UNCONNECTED:
            votes.setdefault(mine, Counter())[netlist.names[theirs]] += n
    return tuple(
        min(votes[n].items(), key=lambda item: (-item[1], item[0]))[0]
        if n in votes and _GENERATED.fullmatch(name)
        else name
        for n, name in enumerate(board.net_names)
    )


def _defect(
    board: Board, netlist: Netlist, placed: Placement, row: int,
    rule: str, weight: Weight, found: str, expected: str, action: str, layer: str = "",
) -> Defect:  # fmt: skip
    return Defect(
        rule, weight, found, expected, action, netlist.file, int(netlist.points.line[row]), layer,
        float(placed.x[row] - board.origin[0]), float(placed.y[row] - board.origin[1]),
    )  # fmt: skip


def _layer_count(board: Board, netlist: Netlist) -> list[Defect]:
    if netlist.conductors in (None, len(board.copper)):
        return []
    return [
        Defect(
            "data.job-contradiction", Weight.QUERY,
            f"{len(board.copper)} conductor layers in the package",
            f"{netlist.conductors} as the netlist's comments state",
            "Ask which of the two holds.", netlist.file,
        )
    ]  # fmt: skip


def _several(texts: Sequence[str], of: int = _NAMED) -> str:
    """``A, B and 3 more``."""
    shown = list(texts[:of])
    if len(texts) > of:
        return f"{', '.join(shown)} and {len(texts) - of} more"
    return " and ".join([", ".join(shown[:-1]), shown[-1]] if len(shown) > 1 else shown)


def _points(netlist: Netlist, rows: Rows) -> str:
    labels = list(dict.fromkeys(netlist.label(int(r)) for r in rows))
    return f"{len(rows)} point{'s' if len(rows) != 1 else ''} ({_several(labels, 3)})"


def _by(key: Rows, rows: Rows) -> dict[int, Rows]:
    """Rows grouped by key, in their order."""
    if len(rows) == 0:
        return {}
    order = np.argsort(key, kind="stable")
    values, start = np.unique(key[order], return_index=True)
    return dict(zip(values.tolist(), np.split(rows[order], start[1:]), strict=True))


def _opens(
    board: Board, netlist: Netlist, placed: Placement, rows: Rows, pairs: Rows
) -> list[Defect]:
    nets, count = np.unique(pairs[:, 0], return_counts=True)
    split = nets[count > 1]
    mine = rows[np.isin(netlist.points.net[rows], split)]
    found: list[tuple[int, int, str]] = []
    for net, group in _by(netlist.points.net[mine], mine).items():
        pieces = sorted(_by(placed.net[group], group).values(), key=lambda g: (-len(g), int(g[0])))
        told = "; ".join(_points(netlist, g) for g in pieces[:_NAMED])
        rest = f"; {len(pieces) - _NAMED} more pieces" if len(pieces) > _NAMED else ""
        text = f"net {netlist.names[net]} is open: {len(pieces)} pieces of copper: {told}{rest}"
        found.append((len(group), int(pieces[-1][0]), text))
    found.sort(key=lambda f: (-f[0], f[1]))
    out = [
        _defect(
            board, netlist, placed, row, "data.netlist-open", Weight.HOLD, text,
            "one connected piece, as the netlist states",
            "Ask which of artwork, drill data and netlist holds.",
        )
        for _, row, text in found[:LISTED]
    ]  # fmt: skip
    if len(found) > LISTED:
        names = [netlist.names[netlist.points.net[f[1]]] for f in found[LISTED:]]
        out.append(
            _defect(
                board, netlist, placed, found[LISTED][1], "data.netlist-open", Weight.HOLD,
                f"{len(names)} more open nets: {_several(names)}", "nets as the netlist states",
                "So many point to one cause, for example a missing layer or drill file.",
            )
        )  # fmt: skip
    return out


def _shorts(
    board: Board, netlist: Netlist, placed: Placement, rows: Rows, pairs: Rows
) -> list[Defect]:
    nets, count = np.unique(pairs[:, 1], return_counts=True)
    joined = nets[count > 1]
    mine = rows[np.isin(placed.net[rows], joined)]
    groups = [
        sorted(_by(netlist.points.net[group], group).items(), key=lambda s: (-len(s[1]), s[0]))
        for group in _by(placed.net[mine], mine).values()
    ]
    groups.sort(key=lambda sides: (-len(sides), int(sides[0][1][0])))
    told = [[group for _, group in sides] for sides in groups[:LISTED]]
    on_layer = _components(board, placed, np.concatenate([mine[:0], *(r for g in told for r in g)]))
    out: list[Defect] = []
    for sides, each in zip(groups, told, strict=False):
        row, near, other = _nearest(placed, each[:LISTED])
        group = np.concatenate(each)
        where = _joining_layers(board, on_layer[:, group], netlist.points.net[group])
        names = _several([netlist.names[n] for n, _ in sides])
        on = f" on {_several(where)}" if where else ""
        text = (
            f"nets {names} are joined{on}; their nearest points are "
            f"{netlist.label(row)} and {netlist.label(other)}, {near:.3f} mm apart"
        )
        out.append(
            _defect(
                board, netlist, placed, row, "data.netlist-short", Weight.HOLD, text,
                "nets apart, as the netlist states",
                "Ask whether they are joined on purpose; if not, the artwork must be changed.",
                where[0] if len(where) == 1 else "",
            )
        )  # fmt: skip
    if len(groups) > LISTED:
        out.append(
            _defect(
                board, netlist, placed, int(groups[LISTED][0][1][0]), "data.netlist-short",
                Weight.HOLD, f"{len(groups) - LISTED} more groups of joined nets",
                "nets as the netlist states",
                "So many point to one cause, for example layers of different revisions.",
            )
        )  # fmt: skip
    return out


def _nearest(placed: Placement, sides: list[Rows]) -> tuple[int, float, int]:
    """Nearest pair of points of two nets: row of the one, distance, row of the other."""
    at = np.stack([placed.x, placed.y], axis=-1)
    best = (int(sides[0][0]), np.inf, int(sides[1][0]))
    # The smaller nets are each held against all larger ones together.
    for n in range(1, len(sides)):
        others = np.concatenate(sides[:n])
        distance, hit = map(np.asarray, KDTree(at[others]).query(at[sides[n]]))
        k = int(np.argmin(distance))
        if distance[k] < best[1]:
            best = (int(sides[n][k]), float(distance[k]), int(others[hit[k]]))
    return best


def _components(board: Board, placed: Placement, rows: Rows) -> Rows:
    """Component every point touches on every layer, (layers, points); -1 for none.

    Only ``rows`` are looked at; a point at a plated hole touches what the hole's wall does.
    """
    out = np.full((len(board.copper), len(placed.x)), -1, dtype=np.int64)
    h, hole, access = board.holes, placed.hole[rows], placed.access[rows]
    for number, layer in enumerate(board.copper, start=1):
        here = (access == number) | (access <= 0)
        reach = np.zeros(len(rows))
        if len(h):
            drilled = (hole >= 0) & (h.plated[hole] == 1)
            here = np.where(drilled, (h.first[hole] <= number) & (h.last[hole] >= number), here)
            reach = np.where(drilled, h.r[hole], 0.0)
        mine = np.flatnonzero(here)
        part = parts_at(layer, placed.x[rows[mine]], placed.y[rows[mine]], reach[mine])
        met = part >= 0
        out[number - 1, rows[mine[met]]] = layer.image.component[part[met]]
    return out


def _joining_layers(board: Board, on_layer: Rows, net: Rows) -> list[str]:
    """Layers on which one piece of copper holds points or holes of more than one net."""
    out: list[str] = []
    for layer, component in zip(board.copper, on_layer, strict=True):
        met = component >= 0
        both = np.unique(np.stack([component[met], net[met]], axis=-1), axis=0)
        if len(both) and np.unique(both[:, 0], return_counts=True)[1].max() > 1:
            out.append(layer.name)
    return out


def _idle(
    board: Board, netlist: Netlist, placed: Placement, named: Rows, idle: Rows
) -> list[Defect]:
    """Points that should belong to no net, on copper of one."""
    out: list[Defect] = []
    name_of: dict[int, Counter[int]] = {}
    for n, net in zip(placed.net[named].tolist(), netlist.points.net[named].tolist(), strict=True):
        name_of.setdefault(n, Counter())[net] += 1
    groups = {n: g for n, g in _by(placed.net[idle], idle).items() if n in name_of}
    for n, group in list(groups.items())[:LISTED]:
        name = netlist.names[name_of[n].most_common(1)[0][0]]
        out.append(
            _defect(
                board, netlist, placed, int(group[0]), "data.netlist-short", Weight.QUERY,
                f"{_points(netlist, group)} without a net on copper of net {name}",
                "copper of their own, as the netlist states",
                "Ask whether the connection is meant.",
            )
        )  # fmt: skip
    if len(groups) > LISTED:
        row = int(list(groups.values())[LISTED][0])
        out.append(
            _defect(
                board, netlist, placed, row, "data.netlist-short", Weight.QUERY,
                f"points without a net on copper of {len(groups) - LISTED} more nets",
                "copper of their own, as the netlist states",
                "Ask whether the connections are meant.",
            )
        )  # fmt: skip
    return out


def _bare_points(board: Board, netlist: Netlist, placed: Placement) -> list[Defect]:
    """Points that meet no copper, told once for each side they are reached from."""
    p = netlist.points
    # An unplated hole or one without a net need not have copper.
    rows = np.flatnonzero((placed.net < 0) & (p.net >= 0) & (p.plated != 0) & (p.record != 367))
    if len(rows) == 0:
        return []
    number = np.where(np.isnan(p.hole[rows]), placed.access[rows], 0)
    out: list[Defect] = []
    for n, group in _by(np.maximum(number, 0), rows).items():
        known = 0 < n <= len(board.copper)
        layer = board.copper[n - 1].name if known else ""
        absent = "" if known or n == 0 else f" on conductor {n}, which is not in the package,"
        out.append(
            _defect(
                board, netlist, placed, int(group[0]), "data.netlist-point", Weight.QUERY,
                f"{_points(netlist, group)}{absent} of the netlist meet no copper",
                "copper at every test point",
                "Ask whether artwork or netlist is out of date.", layer,
            )
        )  # fmt: skip
    return out
