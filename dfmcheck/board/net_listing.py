"""From a package to the list of its nets."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from pathlib import Path

from dfmcheck.board.assemble import assemble
from dfmcheck.board.model import Board
from dfmcheck.board.net_table import NetRow, net_table
from dfmcheck.board.netlist_join import read_netlists
from dfmcheck.errors import UsageError
from dfmcheck.intake import open_package, select_board
from dfmcheck.terms import Defect

PREFIXES = ("data.netlist-", "data.attribute-")
"""Rules of what stated nets and copper disagree on."""


def list_nets(
    path: Path,
    *,
    roles: Mapping[str, str] | None = None,
    board: str | None = None,
    only: str | None = None,
    workers: int | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[Board, tuple[NetRow, ...]]:
    """Read a package and list its nets.

    Parameters
    ----------
    path : Path
        Folder, archive or file.
    only : str, optional
        Name of the one net meant; the list is empty where there is none.

    Raises
    ------
    PackageError
        The package cannot be opened.
    UsageError
        A role does not fit, or the package holds several boards and none is chosen.
    """
    package = open_package(path, roles=roles or {})
    if board:
        package = select_board(package, board)
    if len(package.boards) > 1:
        raise UsageError(
            f"the package holds several boards ({', '.join(package.boards)})",
            "one board",
            "Choose one with --board.",
        )
    model = assemble(package, workers=workers or os.cpu_count() or 1, progress=progress)
    netlists = read_netlists(package, set())[0] if model.copper else ()
    return model, net_table(model, netlists, only)


def net_problems(board: Board, rows: tuple[NetRow, ...] | None = None) -> tuple[Defect, ...]:
    """What stated nets and copper disagree on; with ``rows`` only what names one of these."""
    found = [defect for defect in board.defects if defect.rule.startswith(PREFIXES)]
    if rows is None:
        return tuple(found)
    names = [re.escape(name) for row in rows for name in (row.name, *row.others)]
    if not names:
        return ()
    word = re.compile(rf"(?<![^\s,])(?:{'|'.join(names)})(?![^\s,;:])")
    return tuple(defect for defect in found if word.search(defect.found))
