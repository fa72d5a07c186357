"""Places that weigh a query at most must not hide a heavier one beside them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from shop_parts import RULES, screening, shop, spacings

from dfmcheck.judge import judge

MILD = {
    **RULES,
    "etch.conductor-spacing": replace(RULES["etch.conductor-spacing"], mild=("lone copper",)),
}


@pytest.mark.parametrize("worst", [0.05, 0.08])
def test_a_mild_place_beside_a_heavy_one_leaves_the_hold(worst: float) -> None:
    places = spacings(
        [worst, 0.07], x=[0.0, 0.3], kind=["lone copper", "conductor-to-conductor"]
    )  # fmt: skip
    judgement = judge(screening(places), shop(), rules=MILD)
    assert judgement.verdict == "hold"
    assert sorted(f.severity for f in judgement.findings) == ["hold", "query"]


def test_mild_places_alone_are_a_query() -> None:
    places = spacings([0.05, 0.07], x=[0.0, 0.3], kind=["lone copper", "lone copper"])
    judgement = judge(screening(places), shop(), rules=MILD)
    assert judgement.verdict == "query"
    assert [(f.severity, f.count) for f in judgement.findings] == [("query", 2)]
