"""Holds the netlist against the board: opens, shorts, points without copper, holes.

Source: IPC-D-356A (what a netlist states); the comparison itself is common practice.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board
from dfmcheck.board.net_claims import LISTED, Claims, by, find_opens, find_shorts, several
from dfmcheck.board.netlist_holes import hole_defects
from dfmcheck.board.netlist_place import Placement, place, spots
from dfmcheck.formats.ipc356 import UNCONNECTED, Netlist
from dfmcheck.terms import Defect, Weight

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
    claims = _claims(board, netlist, placed, rows)
    if opens_show(board):
        out += find_opens(board, claims, rows)
    out += find_shorts(board, claims, rows)
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


def _claims(board: Board, netlist: Netlist, placed: Placement, rows: Rows) -> Claims:
    """The netlist's points as claims; what lies under them is looked up where names collide."""
    p = netlist.points
    pairs = np.unique(np.stack([p.net[rows], placed.net[rows]], axis=-1), axis=0)
    nets, count = np.unique(pairs[:, 1], return_counts=True)
    layer, row = spots(board, netlist, placed, rows[np.isin(placed.net[rows], nets[count > 1])])
    return Claims(
        "netlist", "netlist states", netlist.names, p.net, placed.net, placed.x, placed.y,
        layer, row, p.line, lambda some: _labels(netlist, some), lambda _: netlist.file,
        (~np.isnan(p.hole)) & (placed.hole < 0) & (p.plated != 0),
    )  # fmt: skip


def _labels(netlist: Netlist, rows: Rows) -> list[str]:
    return list(dict.fromkeys(netlist.label(int(r)) for r in rows))


def _points(netlist: Netlist, rows: Rows) -> str:
    s = "" if len(rows) == 1 else "s"
    return f"{len(rows)} point{s} ({several(_labels(netlist, rows), 3)})"


def _idle(
    board: Board, netlist: Netlist, placed: Placement, named: Rows, idle: Rows
) -> list[Defect]:
    """Points that should belong to no net, on copper of one."""
    out: list[Defect] = []
    name_of: dict[int, Counter[int]] = {}
    for n, net in zip(placed.net[named].tolist(), netlist.points.net[named].tolist(), strict=True):
        name_of.setdefault(n, Counter())[net] += 1
    groups = {n: g for n, g in by(placed.net[idle], idle).items() if n in name_of}
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
    for n, group in by(np.maximum(number, 0), rows).items():
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
