"""Tier economics: what would have to change for a tier to take the board."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shop_parts import HEAD, RULES, SPACING, screening, shop, spacings

from dfmcheck.judge import judge
from dfmcheck.judge.economics import LISTED
from dfmcheck.judge.finding import Judgement
from dfmcheck.measure.places import Places

TWO = SPACING + '[limits."etch.conductor-width"]\nstandard = 0.15\nfine = 0.1\n'
WIDTH = {"rule": "etch.conductor-width"}


def judged(places: Places, text: str = TWO, **more: str) -> Judgement:
    return judge(screening(places), shop(text, more.get("head", HEAD)), rules=RULES)


def test_a_board_that_fits_every_tier_has_nothing_to_reach() -> None:
    assert judged(spacings([0.2, 0.3])).to_reach == ()


def test_places_that_lie_together_are_one_change() -> None:
    places = spacings([0.12, 0.13, 0.14], x=[0.0, 0.4, 30.0])
    (item,) = judged(places).to_reach
    assert (item.tier, item.changes, item.places, item.next_down) == ("standard", 2, 3, True)
    assert [(c.value, c.places) for c in item.listed] == [(0.12, 2), (0.14, 1)]
    assert item.blockers[0].value == 0.12


def test_settling_one_rule_alone_is_told_where_it_is_enough() -> None:
    (item,) = judged(spacings([0.12])).to_reach
    assert item.blockers[0].alone == "standard"  # fine takes it already; standard costs less
    places = Places.concat([spacings([0.05]), spacings([0.12], **WIDTH)])
    standard, fine = judged(places).to_reach
    assert [b.alone for b in fine.blockers] == ["fine"]
    assert {b.rule: b.alone for b in standard.blockers} == {
        "etch.conductor-spacing": "fine",
        "etch.conductor-width": "",
    }
    assert (standard.next_down, fine.next_down) == (False, True)


def test_the_rarest_rule_comes_first_and_the_list_is_cut_but_all_is_counted() -> None:
    many = spacings(np.full(LISTED + 50, 0.12))
    few = spacings([0.11, 0.1], **WIDTH)
    (item,) = judged(Places.concat([many, few])).to_reach
    assert [b.rule for b in item.blockers] == ["etch.conductor-width", "etch.conductor-spacing"]
    assert [c.rule for c in item.listed[:3]] == [
        "etch.conductor-width", "etch.conductor-width", "etch.conductor-spacing",
    ]  # fmt: skip
    assert (len(item.listed), item.changes) == (LISTED, LISTED + 52)


def test_what_was_not_measured_far_enough_is_named() -> None:
    made = screening(spacings([0.12]), reach={"etch.conductor-spacing": 0.11})
    (item,) = judge(made, shop(SPACING), rules=RULES).to_reach
    assert item.blockers[0].places == 1
    far = judge(screening(spacings([0.2]), reach={"etch.conductor-spacing": 0.11}),
                shop(SPACING), rules=RULES)  # fmt: skip
    assert [(i.changes, i.unknown) for i in far.to_reach] == [(0, ("etch.conductor-spacing",))]


@given(
    st.lists(
        st.tuples(st.floats(0.01, 0.3), st.integers(0, 60), st.booleans()), min_size=1, max_size=60
    )
)
def test_doing_the_changes_makes_the_tier_fit(rows: list[tuple[float, int, bool]]) -> None:
    """The promise itself, by judging again without the places that were to change."""
    values, x, wide = (np.array(column) for column in zip(*rows, strict=True))
    rule = np.where(wide, "etch.conductor-width", "etch.conductor-spacing").astype(object)
    places = spacings(values, x=x * 0.5, rule=rule)
    before = judged(places)
    fails = {fit.tier: sum(fit.places.values()) for fit in before.tier_fit}
    for item in before.to_reach:
        assert item.places == fails[item.tier]
        assert sum(c.places for c in item.listed) == item.places
        limit = {c.rule: c.limit for c in item.listed}
        left = [values[n] >= limit.get(rule[n], 0.0) - 1e-6 for n in range(len(rows))]
        fits = {fit.tier: fit for fit in judged(places.take(np.array(left))).tier_fit}
        assert not fits[item.tier].places


@pytest.mark.parametrize("seed", [1, 2])
def test_the_order_of_the_places_does_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    places = spacings(rng.uniform(0.02, 0.2, 300).round(3), x=rng.uniform(0, 40, 300).round(2))
    mixed = places.take(rng.permutation(300))
    assert judged(places).to_reach == judged(mixed).to_reach
