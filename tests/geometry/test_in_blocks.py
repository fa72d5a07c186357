"""Pairs are looked at in blocks, so that memory is bounded; the outcome does not show it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from dfmcheck.formats.gerber import read_gerber
from dfmcheck.geometry import blocks, gaps
from dfmcheck.geometry.depth import Inside
from dfmcheck.geometry.gaps import along_parallels, clear_of, gaps_between, gaps_within
from dfmcheck.geometry.image import Image, layer_image


def _image() -> Image:
    """Some hundred draws, dots and a pour with holes in it, in no order."""
    random = np.random.default_rng(5)
    body = ["D10*"]
    for x, y in random.uniform(0, 20, (400, 2)):
        body.append(f"X{round(x * 1e6)}Y{round(y * 1e6)}D03*")
    body.append("D11*")
    for x, y, u, v in random.uniform(0, 20, (300, 4)):
        x1, y1 = x + (u - 10) / 5, y + (v - 10) / 5 * (u > 6)  # a third of them level
        body.append(
            f"X{round(x * 1e6)}Y{round(y * 1e6)}D02*X{round(x1 * 1e6)}Y{round(y1 * 1e6)}D01*"
        )
    text = "%FSLAX46Y46*%%MOMM*%%ADD10C,0.2*%%ADD11C,0.1*%%LPD*%G01*" + "\n".join(body) + "M02*"
    return layer_image(read_gerber(text.encode(), "t.gbr"))


def _gaps(image: Image) -> list[Any]:
    edges, label = image.edges, image.edge_component
    found = gaps_within(edges, 3.0, lambda a, b: np.asarray(label[a] != label[b]))
    found = along_parallels(found, edges, edges)
    found = found.take(found.value > 0)
    free = [clear_of(found, edges, image.parts, apart) for apart in (True, False)]
    between = gaps_between(edges.take(np.arange(0, len(edges), 7)), edges, 1.0)
    assert free[0].any() and not free[0].all()
    return [
        *(getattr(t, n) for t in (found, between) for n in ("a", "b", "value", "p", "q")),
        *free,
    ]


def _depths(image: Image) -> list[Any]:
    found = Inside(image).depth(image.edges, 1.5, outside=0.5)
    assert (~np.isnan(found.value)).sum() > 100
    return [getattr(found, n) for n in ("value", "error", "frm", "at", "part")]


@pytest.mark.parametrize("answers", [_gaps, _depths])
def test_small_blocks_give_what_one_block_gives(
    answers: Callable[[Image], list[Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    image = _image()
    whole = answers(image)
    for module in (blocks, gaps):
        monkeypatch.setattr(module, "PAIRS", 3_000)
    monkeypatch.setattr(blocks, "_FEW", 10)
    for one, other in zip(whole, answers(image), strict=True):
        assert np.array_equal(one, other, equal_nan=True)


def test_wide_gaps_are_free_where_a_look_at_every_outline_says_so() -> None:
    """Against distances worked out one by one: shapely's from the middle to every piece."""
    import shapely

    image = _image()
    edges, label = image.edges, image.edge_component
    found = gaps_within(edges, 4.0, lambda a, b: np.asarray(label[a] != label[b]))
    random = np.random.default_rng(1)
    wide = np.flatnonzero(found.value > 1.2)
    found = found.take(
        np.concatenate([random.choice(wide, 300), np.argsort(found.value, kind="stable")[:300]])
    )
    free = clear_of(found, edges, image.parts)
    middle = shapely.points((found.p + found.q) / 2)
    away = shapely.distance(middle, shapely.union_all(image.parts))
    radius = found.value / 2
    sure = np.abs(away - radius) > 0.03 * radius + 0.002  # beyond the slack a gap is given
    assert sure.sum() > 200
    assert np.array_equal(free[sure], (away >= radius)[sure])
