"""Rows of sorted columns."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def run_starts(*columns: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Marks the first row of every run of rows that are equal in all columns, (n,).

    Examples
    --------
    >>> run_starts(np.array([3, 3, 5, 5, 5]), np.array([0, 0, 0, 0, 1])).tolist()
    [True, False, True, False, True]
    >>> run_starts(np.array([])).tolist()
    []
    """
    starts = np.zeros(len(columns[0]), dtype=np.bool_)
    starts[:1] = True
    for column in columns:
        starts[1:] |= column[1:] != column[:-1]
    return starts


def repeats(count: npt.NDArray[Any]) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Every row as often as ``count`` says, and which of its repeats each is, from 0.

    Examples
    --------
    >>> [column.tolist() for column in repeats(np.array([2, 0, 3]))]
    [[0, 0, 2, 2, 2], [0, 1, 0, 1, 2]]
    """
    row = np.repeat(np.arange(len(count)), count)
    return row, np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
