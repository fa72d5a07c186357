"""The index of boxes against every box compared with every other."""

from __future__ import annotations

import gc

import numpy as np
import pytest

from dfmcheck.geometry.index import BoxIndex, Recent, _along_curve, _curve

Sides = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _boxes(rng: np.random.Generator, n: int, far: float) -> Sides:
    """Small boxes along a line, as the facets of an outline lie, and some long ones."""
    x, y = np.cumsum(rng.normal(0, 0.1, n)), np.cumsum(rng.normal(0, 0.1, n))
    w, h = rng.exponential(0.05, n), rng.exponential(0.05, n)
    w[::17] *= 100
    return x - far, y - far, x + w + far, y + h + far


@pytest.mark.parametrize("n", [0, 1, 3, 4, 5, 403])
@pytest.mark.parametrize("m", [1, 6, 250])
def test_it_finds_what_meets_and_little_else(n: int, m: int) -> None:
    rng = np.random.default_rng(n * 1000 + m)
    held, asked = _boxes(rng, n, 0.0), _boxes(rng, m, 0.2)
    of, item = BoxIndex(*held).query(*asked)
    found = set(zip(of.tolist(), item.tolist(), strict=True))
    assert len(found) == len(of)

    def meeting(slack: float) -> set[tuple[int, int]]:
        a, b = [c[:, None] for c in asked], [c[None, :] for c in held]
        meet = (a[0] <= b[2] + slack) & (b[0] <= a[2] + slack)
        meet &= (a[1] <= b[3] + slack) & (b[1] <= a[3] + slack)
        return set(zip(*(rows.tolist() for rows in np.nonzero(meet)), strict=True))

    extent = max(np.ptp(np.concatenate(sides)) for sides in (held[::2], held[1::2])) if n else 0.0
    assert meeting(0.0) <= found <= meeting(extent / 65_000)

    # Of the same pairs, those with a mark in common.
    bit = np.uint64(1) << rng.integers(0, 64, (2, max(n, m), 6)).astype(np.uint64)
    marks = [np.bitwise_or.reduce(b, axis=-1)[:k] for b, k in zip(bit, (n, m), strict=True)]
    of, item = BoxIndex(*held, marks=marks[0]).query(*asked, marks=marks[1])
    common = {(a, b) for a, b in found if marks[1][a] & marks[0][b]}
    assert set(zip(of.tolist(), item.tolist(), strict=True)) == common and len(of) == len(common)
    assert n * m < 1000 or 0 < len(common) < len(found)


def test_beside_a_stray_object_a_board_keeps_its_order() -> None:
    """What fills a few cells of the curve is followed closely all the same."""
    rng = np.random.default_rng(11)
    board = rng.integers(20_000, 21_300, (2, 20_000)).astype(np.uint16)  # 200 mm of 10 m
    x, y = np.append(board, [[2], [65_000]], axis=1).astype(np.uint16)
    order = _along_curve(x, y)
    assert (np.sort(order) == np.arange(len(x))).all()
    steps = np.hypot(*np.diff([x[order], y[order]]).astype(np.int16))
    assert steps.sum() < 2 * 1300 * np.sqrt(len(x)) + 4 * 65_536


def test_boxes_far_apart_and_of_no_size() -> None:
    """Rows that share no leaf, more of them asked for than held and the other way round."""
    rng = np.random.default_rng(7)
    few, many = rng.integers(0, 50, (2, 30)) * 1.0, rng.integers(0, 50, (2, 5000)) * 1.0
    for held, asked in ((few, many), (many, few)):
        of, item = BoxIndex(*held, *held).query(*asked, *asked)
        same = (held[:, None, :] == asked[:, :, None]).all(axis=0)
        expected = np.stack(np.nonzero(same))
        found = np.stack([of, item])
        assert len(of) and (found[:, np.lexsort(found[::-1])] == expected).all()


def test_the_curve_goes_from_cell_to_neighbouring_cell_through_all() -> None:
    cell = np.argsort(_curve())
    assert (np.sort(_curve()) == np.arange(1 << 16)).all()
    step = np.abs(np.diff(np.stack(np.divmod(cell, 256))))
    assert (step.sum(axis=0) == 1).all()


def test_what_was_made_is_kept_while_its_arrays_live() -> None:
    recent: Recent[object] = Recent(2)
    a, b, c = (np.zeros(3) for _ in range(3))
    first = recent.of((a, b), object)
    assert recent.of((a, b), object) is first
    assert recent.of((a,), object) is not first
    assert recent.of((a, b), object) is first  # asked for again, so kept before others
    recent.of((c,), object)
    assert recent.of((a, b), object) is first
    del b
    gc.collect()
    assert all(len(refs) == 1 for refs, _ in recent._kept)


def test_no_more_are_kept_than_asked_for() -> None:
    arrays = [np.zeros(3) for _ in range(4)]
    for most in (1, 2, 3):
        recent: Recent[object] = Recent(most)
        for array in arrays:
            recent.of((array,), object)
        assert [refs[0]() is array for (refs, _), array in zip(
            recent._kept, arrays[-most:], strict=True
        )] == [True] * most  # fmt: skip


def test_questions_leave_the_index_as_it_was() -> None:
    """Threads may ask one index at once."""
    rng = np.random.default_rng(3)
    index = BoxIndex(*_boxes(rng, 5, 0.0))
    assert index._held is not None
    levels = len(index._held.tables)
    before = sorted(zip(*index.query(*_boxes(np.random.default_rng(4), 3, 1.0)), strict=True))
    of, _ = index.query(*_boxes(rng, 5000, 0.5))
    assert len(of) and len(index._held.tables) == levels
    after = sorted(zip(*index.query(*_boxes(np.random.default_rng(4), 3, 1.0)), strict=True))
    assert before == after
