"""Holds the net attributes of the copper's objects against the copper itself.

Source: Gerber Layer Format Specification 2024.05, 5.6.13 (.N) and 5.6.14 (.P), clause numbers
from memory; the comparison itself is common practice.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from dfmcheck.board.model import Board
from dfmcheck.board.net_claims import Claims, find_opens, find_shorts
from dfmcheck.board.netlist import opens_show
from dfmcheck.formats.records import Kind
from dfmcheck.terms import Assumption, Defect

Rows = npt.NDArray[Any]

NO_NET = ("", "N/C")
"""Values of .N that name no net: none given, and a land that is not connected."""
_COPIES_FROM = 4  # nets
_COPIES = 0.8  # share of the nets that must come equally often to be copies of one board


def compare_attributes(board: Board) -> tuple[tuple[Defect, ...], tuple[Assumption, ...]]:
    """Objects of one net in several pieces of copper, and objects of several nets on one.

    An object with several names joins these nets on purpose: they are taken as one.

    Returns
    -------
    defects : tuple of Defect
        ``data.attribute-open`` and ``data.attribute-short`` (hold), one for each net, or each
        group of joined nets.
    assumptions : tuple of Assumption
        That nearly every net comes several times because the data shows several copies.
    """
    claims, ties = attribute_claims(board)
    rows = np.flatnonzero((claims.name >= 0) & (claims.net >= 0))
    if len(rows) == 0:
        return (), ()
    out: list[Defect] = []
    copies = _copies(claims, rows)
    said: list[Assumption] = []
    if copies:
        said.append(
            Assumption(
                "net attributes", f"those of {copies} copies of one board",
                f"nearly every net name is found on {copies} pieces of copper; open nets were "
                "not looked for by name", confidence=0.7,
            )
        )  # fmt: skip
    elif opens_show(board):
        out += find_opens(board, claims, rows)
    root = _tied(len(claims.names), ties)
    out += find_shorts(board, claims, rows, lambda one, two: root[one] == root[two])
    return tuple(out), tuple(said)


def attribute_claims(board: Board) -> tuple[Claims, list[list[int]]]:
    """What the objects' net attributes say, and the names that some object joins on purpose."""
    number: dict[str, int] = {}
    ties: list[list[int]] = []
    columns: list[tuple[Rows, ...]] = []
    pins: list[tuple[str, str] | None] = []
    for place, layer in enumerate(board.copper):
        image = layer.image
        rows = np.flatnonzero(image.net >= 0)
        if len(rows) == 0:
            continue
        code = np.full(len(image.nets), -1, dtype=np.int64)
        for k, text in enumerate(image.nets):
            each = [one for one in text.split(",") if one not in NO_NET]
            known = [number.setdefault(one, len(number)) for one in each]
            if len(known) == 1:
                code[k] = known[0]
            elif len(known) > 1:
                ties.append(known)
        rows = rows[code[image.net[rows]] >= 0]
        x, y = image.x[rows].copy(), image.y[rows].copy()
        painted = image.kind[rows] == Kind.REGION
        corner = shapely.get_point(shapely.get_exterior_ring(image.pieces[rows[painted]]), 0)
        x[painted], y[painted] = shapely.get_x(corner), shapely.get_y(corner)
        columns.append(
            (
                code[image.net[rows]], layer.net[image.piece_component[rows]], x, y,
                np.full(len(rows), place, dtype=np.intp), rows, image.line[rows],
            )
        )  # fmt: skip
        pins += [image.pins[p] if p >= 0 else None for p in image.pin[rows].tolist()]
    none = np.empty(0)
    table = [np.concatenate(c) for c in zip(*columns, strict=True)] if columns else [none] * 7
    name, net, x, y, place_of, row, line = table

    def file(k: int) -> str:
        return board.copper[int(place_of[k])].image.file

    def label(some: Rows) -> list[str]:
        named = [pins[k] for k in some.tolist()]
        told = [f"{pin[0]}-{pin[1]}" if pin[1] else pin[0] for pin in named if pin is not None]
        bare = [k for k, pin in zip(some.tolist(), named, strict=True) if pin is None]
        return list(dict.fromkeys([*told, *(f"{file(k)} line {line[k]}" for k in bare)]))

    return Claims(
        "attribute", "net attributes state", tuple(number), name, net, x, y, place_of, row, line,
        label, file, np.zeros(len(name), dtype=np.bool_), "object",
    ), ties  # fmt: skip


def _copies(claims: Claims, rows: Rows) -> int:
    """How many copies of one board the data shows; nought when it is one."""
    pairs = np.unique(np.stack([claims.name[rows], claims.net[rows]], axis=-1), axis=0)
    count = Counter(Counter(pairs[:, 0].tolist()).values())
    if count.total() < _COPIES_FROM:
        return 0
    often, nets = count.most_common(1)[0]
    return often if often > 1 and nets >= _COPIES * count.total() else 0


def _tied(count: int, ties: list[list[int]]) -> list[int]:
    """Names that are joined on purpose, by the lowest of each group."""
    root = list(range(count))
    for tie in ties:
        together = {root[one] for one in tie}
        low = min(together)
        root = [low if one in together else one for one in root]
    return root
