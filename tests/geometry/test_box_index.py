"""The index of boxes against every box compared with every other."""

from __future__ import annotations

import gc

import numpy as np
import pytest

from dfmcheck.geometry.index import BoxIndex, Recent


def _boxes(rng: np.random.Generator, n: int, far: float) -> list[np.ndarray]:
    """Small boxes along a line, as the facets of an outline lie, and some long ones."""
    x, y = np.cumsum(rng.normal(0, 0.1, n)), np.cumsum(rng.normal(0, 0.1, n))
    w, h = rng.exponential(0.05, n), rng.exponential(0.05, n)
    w[::17] *= 100
    return [x - far, y - far, x + w + far, y + h + far]


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

    assert meeting(0.0) <= found <= meeting(1e-5)


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
