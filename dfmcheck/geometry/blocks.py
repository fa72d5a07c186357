"""Work cut into blocks, so that memory stays bounded however much lies near each row."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

Rows = npt.NDArray[np.intp]

PAIRS = 2_000_000
"""Pairs worked on at a time: about 300 MB."""

_FEW = 1_000  # rows; so few are one block
_SAMPLE = 200  # rows, spread over all, that tell for the others
_LEAST = 50  # rows of a block


def mean_near(count: int, near: Callable[[Rows], int]) -> float:
    """About how much lies near each of ``count`` rows; ``near`` counts for some of them."""
    if count == 0:
        return 0.0
    sample = np.unique(np.linspace(0, count - 1, _SAMPLE).astype(np.intp))
    return near(sample) / len(sample)


def blocks(count: int, near: Callable[[Rows], int]) -> Iterator[Rows]:
    """Runs of ``count`` rows that together have about :data:`PAIRS` things near them.

    Examples
    --------
    >>> [len(rows) for rows in blocks(5000, lambda rows: 1000 * len(rows))]
    [2000, 2000, 1000]
    """
    step = _FEW
    if count > _FEW:
        step = max(_LEAST, int(PAIRS / max(mean_near(count, near), 1.0)))
    for start in range(0, count, step):
        yield np.arange(start, min(start + step, count))
