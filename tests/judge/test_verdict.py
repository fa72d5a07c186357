"""The verdict: what was not measured or cannot be trusted never counts as met."""

from __future__ import annotations

import numpy as np
import pytest
from shop_parts import RULES, SPACING, screening, shop, spacings

from dfmcheck.judge import Judgement, Verdict, judge
from dfmcheck.measure.places import Places
from dfmcheck.measure.screening import Gap, Screening
from dfmcheck.terms import Assumption, Defect, Weight


def judged(screened: Screening, text: str = SPACING, **more: object) -> Judgement:
    return judge(screened, shop(text), rules=RULES, **more)  # type: ignore[arg-type]


def defect(**more: object) -> Defect:
    given = {
        "rule": "data.tool-size",
        "weight": Weight.HOLD,
        "found": "tool T1 has no size",
        "expected": "a diameter",
        "action": "State the diameter.",
        "file": "holes.drl",
        "line": 4,
    }
    return Defect(**(given | more))  # type: ignore[arg-type]


CLEAN = spacings([0.2])


def test_a_clean_screening_is_released() -> None:
    result = judged(screening(CLEAN))
    assert result.verdict is Verdict.RELEASE
    assert result.reasons == ("Everything measured meets the limits of tier standard",)
    assert all(fit.fits for fit in result.tier_fit)


def test_the_reason_names_what_no_tier_takes_before_what_is_further_past_a_milder_limit() -> None:
    text = SPACING + 'weight = "query"\n'
    places = spacings([0.102, 0.09, 0.08], layer=[f"conductor-{n}" for n in (1, 2, 3)])
    (reason,) = judged(screening(places), text).reasons
    assert reason.startswith("conductor spacing 0.080 mm on conductor-3, which no tier")
    assert reason.endswith("3 findings")


def test_measured_without_a_place_is_met() -> None:
    """A board with one conductor per layer has no spacing at all."""
    empty = screening(Places.empty(), measured=(("etch.conductor-spacing", "conductor-1"),))
    assert judged(empty).verdict is Verdict.RELEASE


def test_an_empty_screening_is_never_released() -> None:
    result = judged(screening(Places.empty()))
    assert result.verdict is Verdict.QUERY
    assert "Nothing was measured" in result.reasons[0]
    assert not any(fit.fits for fit in result.tier_fit)


def test_a_limit_for_what_was_never_measured_is_a_query() -> None:
    result = judged(screening(CLEAN), SPACING + '[limits."mask.web"]\nstandard = 0.1\n')
    assert result.verdict is Verdict.QUERY
    assert result.reasons == ("mask.web has a limit in tier standard but was not measured",)


@pytest.mark.parametrize(
    ("rule", "verdict"),
    [
        ("etch.conductor-spacing", Verdict.QUERY),
        ("", Verdict.QUERY),
        ("mask.web", Verdict.RELEASE),  # the shop gives no limit for it
    ],
)
def test_gaps_of_limited_rules_are_a_query(rule: str, verdict: Verdict) -> None:
    gaps = tuple(Gap(rule, layer, "the file cannot be read") for layer in ("plane-2", "plane-3"))
    result = judged(screening(CLEAN, gaps=gaps))
    assert result.verdict is verdict
    if verdict is Verdict.QUERY:
        assert result.reasons[0].endswith("measured on plane-2, plane-3: the file cannot be read")


@pytest.mark.parametrize(("reach", "verdict"), [(0.15, Verdict.RELEASE), (0.149, Verdict.QUERY)])
def test_a_limit_beyond_the_reach_is_a_query(reach: float, verdict: Verdict) -> None:
    result = judged(screening(CLEAN, reach={"etch.conductor-spacing": reach}))
    assert result.verdict is verdict
    assert result.tier_fit[0].fits is (verdict is Verdict.RELEASE)
    assert result.tier_fit[1].fits


def test_the_reach_needed_includes_the_allowance() -> None:
    text = '[allowance]\nplated = 0.1\n[limits."plate.annular-ring"]\nstandard = 0.15\n'
    places = spacings([0.4], rule="plate.annular-ring", plated=1)
    enough = judged(screening(places, reach={"plate.annular-ring": 0.2}), text)
    short = judged(screening(places, reach={"plate.annular-ring": 0.199}), text)
    assert (enough.verdict, short.verdict) == (Verdict.RELEASE, Verdict.QUERY)
    assert shop(text).limit_reach() == {"plate.annular-ring": pytest.approx(0.2)}


def test_a_place_without_a_number_is_never_met() -> None:
    result = judged(screening(spacings([0.2, np.nan])))
    assert result.verdict is Verdict.QUERY
    assert "1 place of etch.conductor-spacing came without a number" in result.reasons[0]


@pytest.mark.parametrize(
    ("weight", "verdict"),
    [(Weight.HOLD, Verdict.HOLD), (Weight.QUERY, Verdict.QUERY), (Weight.NOTE, Verdict.RELEASE)],
)
def test_a_defect_weighs_as_it_says(weight: Weight, verdict: Verdict) -> None:
    result = judged(screening(CLEAN, defects=(defect(weight=weight),)))
    (finding,) = result.findings
    assert result.verdict is verdict
    assert finding.severity == weight.name.lower()
    assert finding.message == (
        "holes.drl, line 4: tool T1 has no size; expected a diameter. State the diameter."
    )
    assert (finding.tier, finding.measured, finding.sources[0].line) == ("", None, 4)


def test_repeated_defects_are_one_finding() -> None:
    repeats = tuple(
        defect(line=n, found=f"tool T{n} has no size", weight=Weight.QUERY, x=n, y=1.0)
        for n in (9, 4, 7)
    )
    other = defect(file="more.drl", line=1, weight=Weight.QUERY)
    result = judged(screening(CLEAN, defects=(*repeats, other)))
    assert [(f.count, f.sources[0].file) for f in result.findings] == [
        (1, "more.drl"),
        (3, "holes.drl"),
    ]
    assert result.findings[1].message.endswith("(First of 3 places like it.)")
    assert result.findings[1].bbox == (4, 1.0, 9, 1.0)
    assert [s.line for s in result.findings[1].sources] == [4, 7, 9]
    assert len({f.fingerprint for f in result.findings}) == 2


def test_only_doubtful_assumptions_become_findings() -> None:
    sure = Assumption("units", "mm", "METRIC stated", "a.drl", 1.0)
    unsure = Assumption("units", "inch", "sizes look like inch", "b.drl", 0.6)
    result = judged(screening(CLEAN, assumptions=(sure, unsure)))
    (finding,) = result.findings
    assert (finding.rule, finding.severity) == ("data.assumption", "query")
    assert finding.message.startswith("b.drl: units taken as inch")


def test_doubt_about_plating_is_told_by_the_rule_on_plating() -> None:
    """What an unplated hole taken for a plated one does is not what a wrong unit does."""
    plating = Assumption("plating of T3", "plated", "half its holes lie in copper", "b.drl", 0.6)
    (finding,) = judged(screening(CLEAN, assumptions=(plating,))).findings
    assert (finding.rule, finding.severity) == ("data.plating-unknown", "query")
    assert finding.message.startswith("b.drl: plating of T3 taken as plated")


def test_a_fingerprint_outlives_a_shifted_datum_new_lines_and_new_names() -> None:
    rng = np.random.default_rng(6)
    value = rng.integers(50, 149, 300) / 1000
    x, y = rng.integers(0, 60000, 300) / 400, rng.integers(0, 40000, 300) / 400
    layer = np.array([f"conductor-{n % 16}" for n in range(300)], dtype=object)
    before = spacings(value, x=x, y=y, layer=layer)
    moved = (x + 1234.567) - 1234.567
    assert (moved != x).any()
    again = spacings(
        value + 1e-12, x=moved, y=(y - 98.765) + 98.765, layer=layer, file_a="new.gbr", line_a=70
    )
    ours, theirs = ({f.fingerprint for f in judged(screening(p)).findings} for p in (before, again))
    assert len(ours) > 100
    assert ours == theirs


def test_a_fingerprint_knows_rule_layer_value_place_and_nets() -> None:
    base = {"value": [0.12], "x": [1.0], "y": [1.0]}
    changes: list[dict[str, object]] = [
        {},
        {"value": [0.121]},
        {"x": [1.02]},
        {"layer": "conductor-2"},
        {"net_a": "C"},
    ]
    prints = [
        judged(screening(spacings(**(base | change)))).findings[0].fingerprint for change in changes
    ]
    assert len(set(prints)) == len(changes)
    swapped = spacings(**base, net_a="B", net_b="A")
    assert judged(screening(swapped)).findings[0].fingerprint == prints[0]
    numbered = [spacings(**base, net_a="net 4", net_b=b) for b in ("net 7", "net 8")]
    first, second = (judged(screening(p)).findings[0] for p in numbered)
    assert first.fingerprint == second.fingerprint
    assert "between net 4 and net 7;" in first.message


def test_a_rule_of_another_version_is_measured_and_not_judged() -> None:
    result = judged(screening(Places.concat([CLEAN, spacings([0.01], rule="etch.unheard")])))
    assert result.findings == ()
    assert dict(result.not_judged).keys() == {"etch.unheard"}
