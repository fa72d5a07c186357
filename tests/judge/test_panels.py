"""Boards per panel, counted by hand."""

from __future__ import annotations

import pytest

from dfmcheck.capability.load import parse_shop
from dfmcheck.errors import ShopFileError
from dfmcheck.judge.panels import panel_fits
from dfmcheck.measure.screening import Facts

SHOP = """
[shop]
name = "a"
title = "A"
units = "mm"
tiers = ["one"]
default_tier = "one"
[panel]
sizes = [[100, 130], [220, 110]]
border = 5
spacing = 2
[limits."etch.conductor-width"]
one = 0.1
"""


def facts(width: float, height: float) -> Facts:
    return Facts(width=width, height=height, area=width * height)


@pytest.mark.parametrize(
    ("size", "boards", "turned"),
    [
        # 90 × 120 free; (90+2)/(28+2) = 3.07, (120+2)/(38+2) = 3.05; turned 2 × 4
        ((28, 38), 9, False),
        # 210 × 100 free: plainly (212/102)·(102/52) = 2 · 1, turned 4 · 1
        ((100, 50), 4, True),
        ((90, 120), 1, False),
        ((500, 20), 0, False),
    ],
)
def test_rows_and_columns(size: tuple[float, float], boards: int, turned: bool) -> None:
    fits = panel_fits(facts(*size), parse_shop(SHOP))
    best = fits[0]
    assert (best.boards, best.turned) == (boards, turned)
    panel = best.width * best.height
    assert best.share == pytest.approx(boards * size[0] * size[1] / panel)
    assert [f.share for f in fits] == sorted((f.share for f in fits), reverse=True)


def test_without_a_size_nothing_is_said() -> None:
    assert panel_fits(Facts(), parse_shop(SHOP)) == ()


@pytest.mark.parametrize("line", ["sizes = [[100]]", "sizes = []", 'sizes = "457x610"'])
def test_a_wrong_size_is_named(line: str) -> None:
    text = SHOP.replace("sizes = [[100, 130], [220, 110]]", line)
    with pytest.raises(ShopFileError, match=r"panel\.sizes"):
        parse_shop(text, "a.toml")
