"""One gap per place, whatever the way there: held against plain loops over every gap."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from dfmcheck.geometry.gaps import Gaps, all_but_largest, thin, thin_free

CELL = 0.5
Mask = npt.NDArray[np.bool_]


def made_up(seed: int, count: int = 600) -> tuple[Gaps, npt.NDArray[Any], npt.NDArray[Any]]:
    """Gaps about the origin with many equal values; their keys and pieces. ``a`` is the row."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(-3, 3, (count, 2))
    q = p + rng.uniform(-0.2, 0.2, (count, 2))
    rows = np.arange(count)
    value = rng.integers(1, 12, count) / 64
    piece = rng.integers(0, 12, count)
    return Gaps(rows, rows, value, p, q, np.zeros(count)), piece // 3, piece


def by_hand(gaps: Gaps, key: npt.NDArray[Any], rows: list[int]) -> list[int]:
    best: dict[tuple[int, int, int], int] = {}
    for row in rows:
        x, y = ((gaps.p[row] + gaps.q[row]) / 2 // CELL).tolist()
        place = (int(key[row]), int(x), int(y))
        if place not in best or gaps.value[row] < gaps.value[best[place]]:
            best[place] = row
    return sorted(best.values())


@pytest.mark.parametrize("seed", range(5))
def test_the_first_of_the_narrowest_stands_for_its_place(seed: int) -> None:
    gaps, key, _ = made_up(seed)
    assert thin(gaps, key, CELL).tolist() == by_hand(gaps, key, list(range(len(gaps))))


def test_cells_opposite_each_other_across_the_origin_stay_two() -> None:
    count = 40
    side = np.repeat(np.arange(count) * 2 + 1, 4) * CELL * np.tile([1.0, -1.0, 1.0, -1.0], count)
    middle = np.stack([side, side], axis=-1) + CELL / 2
    rows = np.arange(len(middle))
    gaps = Gaps(rows, rows, np.full(len(rows), 0.1), middle, middle, np.zeros(len(rows)))
    assert len(thin(gaps, np.zeros(len(rows), dtype=np.int64), CELL)) == 2 * count


@pytest.mark.parametrize("share", [0.0, 0.2, 0.6, 0.95, 1.0])
@pytest.mark.parametrize("seed", range(4))
def test_a_hidden_gap_does_not_stand_for_a_free_one(seed: int, share: float) -> None:
    gaps, key, piece = made_up(seed)
    is_free = np.random.default_rng(seed + 100).random(len(gaps)) < share
    asked: list[int] = []

    def free(some: Gaps) -> Mask:
        asked.extend(some.a.tolist())
        return np.asarray(is_free[some.a])

    pieces = by_hand(gaps, piece, list(range(len(gaps))))
    expected = by_hand(gaps, key, [row for row in pieces if is_free[row]])
    assert thin_free(gaps, key, piece, CELL, free).tolist() == expected
    if share == 1.0:
        assert len(asked) == len(expected) < len(pieces)


def test_no_gaps_give_none() -> None:
    def free(gaps: Gaps) -> Mask:
        return np.ones(len(gaps), dtype=np.bool_)

    none = np.empty(0, dtype=np.int64)
    assert len(thin(Gaps.concat([]), none, CELL)) == 0
    assert len(thin_free(Gaps.concat([]), none, none, CELL, free)) == 0


@pytest.mark.parametrize(
    "group", [np.array([-1, 4, 4, 9, -1, 4]), np.array([0.5, 1e6, 1e6, -2.0, 0.5, 1e6])]
)
def test_all_but_the_most_frequent_group_are_marked(group: npt.NDArray[Any]) -> None:
    assert all_but_largest(group).tolist() == [True, False, False, True, True, False]
