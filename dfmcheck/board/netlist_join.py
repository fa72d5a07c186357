"""The package's netlists: read, compared with the board, and their names given to its nets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dfmcheck.board.load import unreadable
from dfmcheck.board.model import Board
from dfmcheck.board.netlist import compare_netlist, net_names, opens_show
from dfmcheck.board.netlist_place import place
from dfmcheck.errors import FormatError
from dfmcheck.formats.ipc356 import Netlist, read_netlist
from dfmcheck.intake import Package
from dfmcheck.terms import Defect, Function, Gap


def read_netlists(
    package: Package, unread: set[str]
) -> tuple[tuple[Netlist, ...], tuple[Defect, ...]]:
    """Every IPC-D-356 netlist of the package; names of unreadable ones are added to ``unread``."""
    netlists: list[Netlist] = []
    defects: list[Defect] = []
    for file in package.files:
        if file.role.function is not Function.NETLIST or file.format != "ipc-d-356":
            continue
        try:
            netlists.append(read_netlist(file.data, file.name))
        except FormatError as error:
            unread.add(file.name)
            defects.append(unreadable(file.name, error))
    return tuple(netlists), tuple(defects)


def join_netlists(board: Board, netlists: Sequence[Netlist]) -> Board:
    """The board with what its netlists say: disagreements, names of nets, and gaps."""
    for netlist in netlists:
        defects, assumptions = list(netlist.defects), list(netlist.assumptions)
        gaps: list[Gap] = []
        names = board.net_names
        if board.copper:
            placed = place(board, netlist)
            defects += compare_netlist(board, netlist, placed)
            assumptions += placed.assumptions
            names = net_names(board, netlist, placed)
        if not board.copper or not placed.trusted:
            why = "does not lie on the board" if board.copper else "has no copper to lie on"
            gaps.append(Gap("", "netlist", f"{netlist.file} was not compared: it {why}"))
        elif not opens_show(board):
            why = "no plated hole could be read, so nothing joins the layers"
            gaps.append(Gap("", "netlist", f"open nets were not looked for: {why}"))
        board = replace(
            board,
            net_names=names,
            gaps=board.gaps + tuple(gaps),
            defects=board.defects + tuple(defects),
            assumptions=board.assumptions + tuple(assumptions),
        )
    return board
