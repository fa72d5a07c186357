"""Columns of places that stand at holes, for the rules that measure holes as such."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.board.model import Board, Holes
from dfmcheck.measure.common import Rows, hole_source, names, place_points


def at_holes(board: Board, rows: Rows) -> dict[str, Any]:
    """Layer, points, size, plating, net and source of ``rows`` of the board's holes.

    A slot is placed along its centre line.
    """
    holes = board.holes
    p = np.stack([holes.x0[rows], holes.y0[rows]], axis=-1)
    q = np.stack([holes.x1[rows], holes.y1[rows]], axis=-1)
    return {
        "layer": names(board.drill_roles, holes.file[rows]),
        **place_points(board, p, q),
        "hole": 2 * holes.r[rows],
        "plated": holes.plated[rows],
        "group": rows.astype(np.int64),
        "net_a": names(board.net_names, holes.net[rows]),
        **hole_source(board, rows, "a"),
    }


def lengths(holes: Holes) -> npt.NDArray[np.float64]:
    """Length of the centre line of every hole, nought for a round one."""
    return np.asarray(np.hypot(holes.x1 - holes.x0, holes.y1 - holes.y0))


def path_numbers(holes: Holes) -> npt.NDArray[np.int64]:
    """One number per routed path or single hit, across drill files."""
    return np.asarray(holes.file.astype(np.int64) * (1 << 32) + holes.path)


def counted(word: str, count: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """``1 hole``, ``12 holes`` for each count.

    >>> counted("hole", np.array([1, 12])).tolist()
    ['1 hole', '12 holes']
    """
    words = [f"{n} {word}" if n == 1 else f"{n} {word}s" for n in count.tolist()]
    return np.array(words, dtype=object)
