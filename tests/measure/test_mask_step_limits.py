"""Mask, legend and stencil at their limits: what is just there passes, 2 µm past it fails."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from dfmcheck.capability.load import parse_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.screen import screen
from tests.measure.laid import Laid
from tests.measure.packages import write_board

PAST = 0.002
SHOP = """
[shop]
name = "made-up"
title = "Made-up"
units = "mm"
tiers = ["only"]
default_tier = "only"

[stencil]
foil = 0.1

[limits."{rule}"]
only = {limit}
"""


def box(x: float, y: float, w: float, h: float) -> list[tuple[float, float]]:
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]


def sliver(b: Laid, e: float) -> None:
    b.mask.region(box(0, 0, 1, 3))
    b.mask.region(box(1.1 - e, 0, 1, 3))
    b.mask.region(box(0, 2.5, 2, 0.5))


def conductor(b: Laid, e: float) -> None:
    b.top.flash(b.top.circle(1.0), 0, 0)
    b.mask.flash(b.mask.circle(1.2), 0, 0)
    b.top.draw(b.top.circle(0.2), -4, 0.75 - e, 4, 0.75 - e)


def half_covered(b: Laid, e: float) -> None:
    b.mask.region(box(0, -3, 6, 6))
    b.top.flash(b.top.circle(1.0), -0.15 + e, 0)
    b.drill([(-0.15 + e, 0, 0.4)])


def stroke(b: Laid, e: float) -> None:
    b.legend.draw(b.legend.circle(0.12 - e), 0, 0, 5, 0)


def height(b: Laid, e: float) -> None:
    pen = b.legend.circle(0.1)
    for x in (0.0, 0.7):
        b.legend.draw(pen, x, 0, x, 0.7 - e)
        b.legend.draw(pen, x, 0.7 - e, x + 0.4, 0.7 - e)
        b.legend.draw(pen, x, 0, x + 0.4, 0)


def ink_on_land(b: Laid, e: float) -> None:
    b.top.region(box(0, 0, 2, 2))
    b.mask.region(box(-0.1, -0.1, 2.2, 2.2))
    b.legend.draw(b.legend.circle(0.2), -1, 2.3 - e, 3, 2.3 - e)


def ink_in_hole(b: Laid, e: float) -> None:
    b.drill([(0, 0, 1.0)], plated=False)
    b.legend.draw(b.legend.circle(0.2), -1, 0.7 - e, 1, 0.7 - e)


def ink_over_profile(b: Laid, e: float) -> None:
    b.legend.draw(b.legend.circle(0.2), -1, 19.8 + e, 1, 19.8 + e)


def area_ratio(b: Laid, e: float) -> None:
    # 2 µm of side are 0.5 µm of ratio, so four times as much.
    b.paste.region(box(0, 0, 0.4 - 4 * e, 0.4 - 4 * e))


def aspect_ratio(b: Laid, e: float) -> None:
    b.paste.region(box(0, 0, 0.15 - e, 2))


def web(b: Laid, e: float) -> None:
    b.paste.region(box(0, 0, 1, 1))
    b.paste.region(box(1.15 - e, 0, 1, 1))


def beyond_land(b: Laid, e: float) -> None:
    b.top.region(box(0, -8, 1, 1))
    b.paste.region(box(0.1, -7.9, 0.9 + e, 0.8))


def on_mask(b: Laid, e: float) -> None:
    b.mask.region(box(0, 0, 1, 1))
    b.paste.region(box(0.1, 0.1, 0.9 + e, 0.8))


def over_hole(b: Laid, e: float) -> None:
    b.paste.region(box(0, 0, 1, 1))
    b.drill([(1.5 - e, 0.5, 1.0)], plated=False)


CASES: list[tuple[str, float, Callable[[Laid, float], None]]] = [
    ("mask.sliver", 0.1, sliver),
    ("mask.opening-to-conductor", 0.05, conductor),
    ("mask.half-covered-hole", 0.05, half_covered),
    ("legend.stroke-width", 0.12, stroke),
    ("legend.character-height", 0.8, height),
    ("legend.ink-on-land", 0.1, ink_on_land),
    ("legend.ink-in-hole", 0.1, ink_in_hole),
    ("legend.ink-over-profile", 0.1, ink_over_profile),
    ("stencil.area-ratio", 1.0, area_ratio),
    ("stencil.aspect-ratio", 1.5, aspect_ratio),
    ("stencil.web", 0.15, web),
    ("stencil.paste-beyond-land", 0.0, beyond_land),
    ("stencil.paste-on-mask", 0.0, on_mask),
    ("stencil.opening-over-hole", 0.0, over_hole),
]


@pytest.mark.parametrize(("rule", "limit", "lay"), CASES, ids=[c[0] for c in CASES])
@pytest.mark.parametrize("angle", [0.0, 33.3])
def test_at_the_limit_passes_and_past_it_fails(
    tmp_path: Path, rule: str, limit: float, lay: Callable[[Laid, float], None], angle: float
) -> None:
    shop = parse_shop(SHOP.format(rule=rule, limit=limit))
    for name, e in (("at", 0.0), ("past", PAST)):
        b = Laid("mm", angle)
        if rule.startswith("stencil") and rule != "stencil.paste-beyond-land":
            b.top.region(box(-5, -5, 10, 10))
        else:
            b.top.flash(b.top.circle(1.0), 15, -15)
        lay(b, e)
        package = write_board(tmp_path / name, b.files())
        screening = screen(package, workers=1, thickness=1.6, reach=shop.limit_reach())
        judgement = judge(screening, shop, rules=rules())
        mine = [f for f in judgement.findings if f.rule == rule]
        assert len(mine) == (0 if e == 0 else 1), (name, [f.message for f in mine])
