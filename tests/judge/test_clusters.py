"""One finding per spot, and one for a row of identical spots."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shop_parts import RULES, SPACING, screening, shop, spacings

from dfmcheck.judge import Judgement, judge
from dfmcheck.judge.chains import chains
from dfmcheck.measure.places import Places


def judged(places: Places, text: str = SPACING) -> Judgement:
    return judge(screening(places), shop(text), rules=RULES)


def test_a_chain_of_near_places_is_one_finding_with_the_worst() -> None:
    places = spacings([0.13, 0.11, 0.12], x=[0.0, 0.9, 1.8], x2=[0.0, 0.95, 1.8], y=[1, 1, 1])
    (finding,) = judged(places).findings
    assert (finding.count, finding.measured, finding.x) == (3, 0.11, 0.9)
    assert finding.bbox == (0.0, 1.0, 1.8, 1.0)
    assert "worst of 3 places" in finding.message


@pytest.mark.parametrize(
    "apart",
    [
        {"x": [0.0, 1.001]},
        {"layer": ["conductor-1", "conductor-2"]},
        {"group": [1, 2]},
        {"value": [0.13, 0.09]},  # query and hold
        {"rule": ["etch.conductor-spacing", "etch.notch"]},
    ],
)
def test_what_is_not_alike_stays_apart(apart: dict[str, object]) -> None:
    text = SPACING + '[limits."etch.notch"]\nstandard = 0.15\nfine = 0.1\n'
    columns = {"value": [0.13, 0.13], "x": [0.0, 0.999], "y": [0.0, 0.0], "code_a": 10}
    assert len(judged(spacings(**columns), text).findings) == 1
    assert len(judged(spacings(**(columns | apart)), text).findings) == 2


def test_a_row_of_400_identical_land_pairs_is_one_finding() -> None:
    noise = np.random.default_rng(1).uniform(-1e-9, 1e-9, 400)
    codes = np.arange(400) % 2
    places = spacings(
        0.12345 + noise, x=np.arange(400) * 1.27, code_a=20 + codes, code_b=21 - codes
    )
    (finding,) = judged(places).findings
    assert finding.count == 400
    assert finding.bbox == (0.0, 0.0, pytest.approx(399 * 1.27), 0.0)


@pytest.mark.parametrize(("n", "findings"), [(5, 5), (6, 1)])
def test_few_identical_places_stay_apart(n: int, findings: int) -> None:
    places = spacings([0.12] * n, code_a=10)
    assert len(judged(places).findings) == findings


def test_identical_values_are_one_finding_whatever_drew_them_and_other_values_stay_apart() -> None:
    assert len(judged(spacings([0.12] * 12)).findings) == 1  # code_a differs row by row
    values = 0.11 + np.arange(12) * 0.0015
    assert len(judged(spacings(values, code_a=10)).findings) == 12


@pytest.mark.parametrize(("n", "findings"), [(19, 19), (20, 1)])
def test_a_flood_of_one_kind_is_one_finding_whatever_the_values(n: int, findings: int) -> None:
    """The list keeps every place with its own value; hold and query are never mixed."""
    values = 0.105 + np.arange(n) * 0.0015
    result = judged(Places.concat([spacings(values), spacings([0.09], x=[-50.0])])).findings
    assert len(result) == findings + 1
    assert (result[0].measured, result[0].severity) == (0.09, "hold")
    told = [f.measured for f in result[1:]] if findings > 1 else [p[2] for p in result[1].places]
    assert sorted(told) == pytest.approx(values)


def test_equal_rows_do_not_make_a_flood_and_stay_apart_from_the_rest() -> None:
    values = np.concatenate([np.full(30, 0.11), 0.115 + np.arange(5) * 0.002])
    assert [f.count for f in judged(spacings(values)).findings] == [30, 1, 1, 1, 1, 1]


def test_places_without_a_position_are_still_found() -> None:
    (finding,) = judged(spacings([0.12, 0.13], x=np.nan * np.ones(2), code_a=10)).findings
    assert (finding.x, finding.bbox, finding.line, finding.count) == (None, None, None, 2)


def _key(result: Judgement) -> list[object]:
    return [result.verdict, result.findings, result.tightest, result.tier_fit, result.reasons]


@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from([0.05, 0.09, 0.0999, 0.1, 0.12, 0.149, 0.15, 0.3]),
            st.integers(0, 40),
            st.integers(0, 3),
            st.sampled_from(["conductor-1", "conductor-2"]),
            st.sampled_from(["etch.conductor-spacing", "etch.notch"]),
            st.integers(10, 12),
            st.sampled_from(["", "A", "B"]),
        ),
        min_size=1,
        max_size=40,
    ),
    order=st.randoms(use_true_random=False),
)
@settings(max_examples=150, deadline=None)
def test_the_order_of_the_rows_changes_nothing(rows, order) -> None:  # type: ignore[no-untyped-def]
    text = SPACING + '[limits."etch.notch"]\nstandard = 0.12\n'

    def table(rows):  # type: ignore[no-untyped-def]
        value, x, y, layer, rule, code, net = zip(*rows, strict=True)
        x, y = np.array(x) * 0.7, np.array(y) * 0.7
        return spacings(value, x=x, y=y, layer=layer, rule=rule, code_a=code, net_a=net)

    mixed = list(rows)
    order.shuffle(mixed)
    assert _key(judged(table(rows), text)) == _key(judged(table(mixed), text))


@given(
    points=st.lists(
        st.tuples(st.integers(0, 1), st.integers(-60, 60), st.integers(-20, 20)), max_size=90
    )
)
@settings(max_examples=150, deadline=None)
def test_chains_agree_with_comparing_every_pair(points: list[tuple[int, int, int]]) -> None:
    table = np.array(points, dtype=float).reshape(-1, 3)
    key, x, y = table[:, 0].astype(np.int64), table[:, 1] * 0.1, table[:, 2] * 0.1
    label = chains(key, x, y, 1.0)
    near = (np.hypot(x[:, None] - x, y[:, None] - y) <= 1 + 1e-9) & (key[:, None] == key)
    joined = near.copy()
    for _ in range(8):  # 2**8 steps: longer than any chain of 90 points
        joined = joined @ joined
    assert np.array_equal(label[:, None] == label, joined)


@pytest.mark.parametrize(("gap", "parts"), [(0.999, 1), (1.001, 2)])
def test_one_pair_in_reach_joins_two_dense_heaps(gap: float, parts: int) -> None:
    """More points per cell than the first pass tries, and only the last of each come near."""
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 0.1, 500), rng.uniform(0, 0.1, 500)
    x = np.concatenate([x, [0.4], x + 1.75, [0.4 + gap]])
    y = np.concatenate([y, [0.05], y, [0.05]])
    label = chains(np.zeros(len(x), dtype=np.int64), x, y, 1.0)
    assert len(set(label.tolist())) == parts


def test_a_million_places_are_judged_quickly() -> None:
    """A generous bound, so that a busy machine does not fail it; the benchmark measures."""
    n = 1_000_000
    rng = np.random.default_rng(3)
    value = rng.uniform(0.16, 1.0, n)
    value[::5000] = 0.12
    rules = np.repeat(
        np.array([r for r in RULES if r[:4] in ("etch", "mask")], dtype=object), n // 5
    )
    layers = np.resize(
        np.repeat(np.array([f"conductor-{k}" for k in range(1, 9)], object), 5000), n
    )
    places = spacings(
        value, rule=rules, layer=layers, x=rng.uniform(0, 300, n), y=rng.uniform(0, 200, n)
    )
    made, screened = shop(), screening(places)
    start = time.process_time()
    result = judge(screened, made, rules=RULES)
    taken = time.process_time() - start
    assert result.findings
    assert taken < 2.0


def test_all_of_many_dense_places_failing_neither_hangs_nor_floods() -> None:
    n = 100_000
    rng = np.random.default_rng(5)
    places = spacings(rng.uniform(0.01, 0.09, n), x=rng.uniform(0, 5, n), y=rng.uniform(0, 5, n))
    (finding,) = judged(places).findings
    assert finding.count == n


def test_a_hole_is_asked_about_once_for_all_layers() -> None:
    """What it does on each layer counts for that layer; spacing stays a question per layer."""
    text = '[limits."drill.hole-to-copper"]\nstandard = 0.2\nfine = 0.15\n'
    layers = np.array([f"conductor-{n}" for n in (1, 2, 10)], dtype=object)
    rows = spacings(
        [0.1, 0.12, 0.11], x=[5.0] * 3, rule="drill.hole-to-copper", layer=layers, plated=0
    )
    made = {**RULES, "drill.hole-to-copper": replace(RULES["drill.hole-to-copper"], through=True)}
    (finding,) = judge(screening(rows), shop(text), rules=made).findings
    assert len(judged(rows, text).findings) == 3
    assert finding.every_layer == ("conductor-1", "conductor-2", "conductor-10")
    assert (finding.count, finding.measured) == (3, 0.1)
    assert "on conductor-1, conductor-2 and conductor-10" in finding.message
