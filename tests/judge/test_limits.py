"""Limits, allowances and conditions: what meets a limit and what does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shop_parts import HEAD, RULES, SPACING, screening, shop, spacings

from dfmcheck.capability import parse_shop
from dfmcheck.errors import UsageError
from dfmcheck.judge import Judgement, Verdict, judge
from dfmcheck.measure.places import Places
from dfmcheck.measure.screening import Facts, FileEntry, Gap, HoleCount
from dfmcheck.terms import Step


def judged(places: Places, text: str = SPACING, **more: object) -> Judgement:
    facts = more.pop("facts", Facts())
    return judge(screening(places, facts=facts), shop(text), rules=RULES, **more)  # type: ignore[arg-type]


def test_exactly_at_the_limit_is_released_and_marked() -> None:
    result = judged(spacings([0.15]))
    assert result.verdict is Verdict.RELEASE
    assert result.findings == ()
    assert [(t.value, t.limit, t.at_limit) for t in result.tightest] == [(0.15, 0.15, True)]


def test_one_micrometre_past_the_limit_fails() -> None:
    result = judged(spacings([0.149]))
    (finding,) = result.findings
    assert result.verdict is Verdict.QUERY
    assert (finding.measured, finding.limit, finding.tier) == (0.149, 0.15, "standard")
    assert (finding.severity, finding.fits) == ("query", "fine")
    assert not result.tightest[0].at_limit


def test_a_value_within_its_uncertainty_meets_the_limit() -> None:
    assert judged(spacings([0.1486], uncertainty=0.0015)).verdict is Verdict.RELEASE
    assert judged(spacings([0.1486], uncertainty=0.0015)).tightest[0].at_limit
    assert judged(spacings([0.1486], uncertainty=0.0013)).verdict is Verdict.QUERY


def test_less_than_half_a_micrometre_decides_nothing() -> None:
    # two holes 0.3 apart on a slant, their coordinates rounded to 10 nm
    for short, verdict in ((5e-6, Verdict.RELEASE), (0.0004, Verdict.RELEASE),
                           (0.0006, Verdict.QUERY)):  # fmt: skip
        assert judged(spacings([0.15 - short], uncertainty=0.0)).verdict is verdict
    assert judged(spacings([0.1496])).tightest[0].at_limit


def test_past_the_most_capable_tier_is_held_and_names_its_limit() -> None:
    (finding,) = judged(spacings([0.094])).findings
    assert (finding.severity, finding.tier, finding.fits, finding.limit) == (
        "hold",
        "fine",
        "",
        0.1,
    )
    assert finding.message == (
        "Conductor spacing 0.094 mm on conductor-1 between nets A and B; "
        "tier standard needs 0.150 mm, and even tier fine needs 0.100 mm"
    )
    assert finding.remedy == "Enlarge the conductor spacing"
    assert [(s.file, s.line, s.code) for s in finding.sources] == [
        ("top.gbr", 7, 10),
        ("top.gbr", 9, 10),
    ]


def test_judged_against_the_fine_tier_only_what_it_cannot_make_is_found() -> None:
    result = judged(spacings([0.12, 0.094]), tier="fine")
    assert [f.measured for f in result.findings] == [0.094]
    assert "tier fine needs 0.100 mm" in result.findings[0].message
    assert {f.tier: f.places for f in result.tier_fit} == {
        "standard": {"etch.conductor-spacing": 2},
        "fine": {"etch.conductor-spacing": 1},
    }


def test_weight_of_the_shop_replaces_that_of_the_rule() -> None:
    result = judged(spacings([0.05]), SPACING + 'weight = "query"\n')
    assert result.findings[0].severity == "query"
    assert result.verdict is Verdict.QUERY


def test_value_and_limit_never_read_the_same() -> None:
    text = '[limits."etch.conductor-spacing"]\nstandard = 0.1503\n'
    (finding,) = judged(spacings([0.1497]), text).findings
    assert "0.1497 mm" in finding.message
    assert "needs 0.1503 mm" in finding.message


@pytest.mark.parametrize(
    ("id_", "plated", "value"),
    [
        ("plate.annular-ring", 1, 0.2),  # 0.1 allowance moves one wall by 0.05
        ("plate.annular-ring", 0, 0.17),
        ("plate.annular-ring", -1, 0.2),  # unknown plating: as plated
        ("drill.hole-to-copper", 1, 0.2),
        ("drill.hole-to-hole", 1, 0.25),  # two walls move
        ("drill.hole-to-hole", 0, 0.19),
        ("etch.conductor-spacing", 1, 0.15),  # no hole, no shift
    ],
)
def test_allowance_shifts_the_value(id_: str, plated: int, value: float) -> None:
    text = f'[allowance]\nplated = 0.1\nunplated = 0.04\n[limits."{id_}"]\nstandard = 0.15\n'
    met, past = (
        judged(spacings([v], rule=id_, plated=plated, hole=0.3), text)
        for v in (value, value - 0.001)
    )
    assert met.verdict is Verdict.RELEASE
    assert met.tightest[0].at_limit
    (finding,) = past.findings
    assert finding.measured == pytest.approx(0.149)
    assert finding.raw == pytest.approx(value - 0.001)


def test_aspect_ratio_is_judged_at_the_drilled_diameter() -> None:
    text = '[allowance]\nplated = 0.1\n[limits."drill.aspect-ratio"]\nstandard = 4\n'
    # 1.6 mm over 0.4 mm drilled is 4.0 exactly
    places = spacings([1.6 / 0.3], rule="drill.aspect-ratio", hole=0.3, depth=1.6, plated=1)
    assert judged(places, text).tightest[0].at_limit
    places = spacings([1.6 / 0.29], rule="drill.aspect-ratio", hole=0.29, depth=1.6, plated=1)
    (finding,) = judged(places, text).findings
    assert finding.measured == pytest.approx(1.6 / 0.39)
    assert "tier standard allows 4.0" in finding.message


def test_a_given_thickness_scales_the_depths_measured() -> None:
    text = '[limits."drill.aspect-ratio"]\nstandard = 6\n'
    places = spacings([1.6 / 0.3, 1.0], rule="drill.aspect-ratio", hole=0.3, depth=[1.6, 0.3])
    facts = Facts(thickness=1.6)
    assert judged(places, text, facts=facts).verdict is Verdict.RELEASE
    thick = judged(places, text, facts=facts, thickness=2.4)
    assert [f.measured for f in thick.findings] == [pytest.approx(8.0)]
    assert [t.value for t in thick.tightest] == [pytest.approx(8.0)]
    assert places["depth"].tolist() == [1.6, 0.3]  # the screening itself stays as it was


@pytest.mark.parametrize(
    ("role", "thickness", "verdict"),
    [
        ("drill-plated-1-4", 1.6, Verdict.RELEASE),
        ("drill-plated-1-4", 1.8, Verdict.QUERY),  # a finding
        ("drill-plated-1-2", 1.6, Verdict.QUERY),  # depth of a partial span is not known: a gap
        ("drill-plated-1-4", None, Verdict.QUERY),  # the gap
    ],
)
def test_a_thickness_given_late_is_judged_by_hole_sizes(
    role: str, thickness: float | None, verdict: Verdict
) -> None:
    text = SPACING + '[limits."drill.aspect-ratio"]\nstandard = 8\nfine = 10\n'
    holes = (HoleCount(0.2, "plated", 0, 9), HoleCount(0.1, "unplated", 0, 2))
    screened = screening(
        spacings([0.2]),
        facts=Facts(conductors=4, holes=holes),
        files=(FileEntry("a.drl", role, "excellon", 1.0, ()),),
        gaps=(Gap("drill.aspect-ratio", "", "the thickness is not stated"),),
    )
    result = judge(screened, shop(text), thickness=thickness, rules=RULES)
    assert result.verdict is verdict
    assert [f.measured for f in result.findings] == ([9.0] if thickness == 1.8 else [])
    assert result.screening is screened


CONDITIONS = """
[limits."etch.conductor-spacing"]
standard = 0.1
[[limits."etch.conductor-spacing".when]]
position = "inner"
copper_um = { min = 60 }
standard = 0.3
[[limits."etch.conductor-spacing".when]]
position = "inner"
standard = 0.2
[[limits."etch.conductor-spacing".when]]
kind = "land-to-land"
standard = 0.4
[[limits."etch.conductor-spacing".when]]
plated = false
standard = 0.5
[[limits."etch.conductor-spacing".when]]
hole = { min = 1.0, max = 2.0 }
standard = 0.6
[[limits."etch.conductor-spacing".when]]
depth = { max = 0.5 }
standard = 0.7
"""


@pytest.mark.parametrize(
    ("columns", "limit"),
    [
        ({"position": "outer"}, 0.1),
        ({"position": "inner"}, 0.2),
        ({"position": "inner", "kind": "land-to-land"}, 0.2),  # the first that applies wins
        ({"kind": "land-to-land"}, 0.4),
        ({"plated": 0}, 0.5),
        ({"plated": 1}, 0.1),
        ({"plated": -1}, 0.1),
        ({"hole": 1.0}, 0.6),
        ({"hole": 2.0}, 0.6),
        ({"hole": 2.01, "depth": 0.5}, 0.7),
        ({"hole": 2.01, "depth": 0.6}, 0.1),
    ],
)
def test_the_first_variant_that_applies_gives_the_limit(
    columns: dict[str, object], limit: float
) -> None:
    assert judged(spacings([1.0], **columns), CONDITIONS).tightest[0].limit == limit


def test_copper_comes_from_the_caller_before_the_data() -> None:
    inner = spacings([1.0], position="inner")
    thick, thin = Facts(inner_copper_um=70.0), Facts(inner_copper_um=35.0)
    assert judged(inner, CONDITIONS, facts=thick).tightest[0].limit == 0.3
    assert judged(inner, CONDITIONS, facts=thin).tightest[0].limit == 0.2
    assert judged(inner, CONDITIONS, facts=thick, copper_um=35.0).tightest[0].limit == 0.2
    assert judged(inner, CONDITIONS, copper_um=60.0).tightest[0].limit == 0.3


def test_copper_nobody_states_is_said() -> None:
    unstated = judged(spacings([1.0]), CONDITIONS)
    assert any("Finished copper is not stated" in reason for reason in unstated.reasons)
    stated = judged(spacings([1.0]), CONDITIONS, copper_um=35.0)
    assert not any("copper" in reason for reason in stated.reasons)


def test_a_tier_without_a_value_is_not_judged_and_said_so() -> None:
    text = '[limits."etch.conductor-spacing"]\nfine = 0.1\n'
    result = judged(spacings([0.05]), text)
    assert result.findings == ()
    assert dict(result.not_judged) == {
        "etch.conductor-spacing": "shop made-up gives no limit in tier standard"
    }
    assert result.verdict is Verdict.QUERY  # nothing was judged at all
    assert judged(spacings([0.05]), text, tier="fine").verdict is Verdict.HOLD


def test_the_tightest_is_listed_per_layer_even_without_a_limit() -> None:
    places = spacings([0.3, 0.2, 0.4], layer=["conductor-1", "conductor-1", "conductor-2"])
    result = judged(places, '[limits."etch.notch"]\nstandard = 0.1\n')
    assert [(t.layer, t.value, t.limit) for t in result.tightest] == [
        ("conductor-1", 0.2, None),
        ("conductor-2", 0.4, None),
    ]


def test_a_failing_place_stands_for_its_layer_before_a_smaller_one_that_is_allowed() -> None:
    text = (
        '[limits."etch.conductor-spacing"]\nstandard = 0.1\n'
        '[[limits."etch.conductor-spacing".when]]\nkind = "meant to meet"\nstandard = 0\n'
    )
    kinds = ["meant to meet", "", "meant to meet", ""]
    values = [0.001, 0.07, 0.002, 0.03]
    places = spacings(values, x=[0.0, 5.0, 9.0, 14.0], kind=np.array(kinds, dtype=object))
    (tight,) = judged(places, text).tightest
    assert (tight.value, tight.limit, tight.x) == (0.03, 0.1, 14.0)
    # Nothing fails: the smallest value, with the limit it meets.
    (tight,) = judged(places.take(np.array([0, 2])), text).tightest
    assert (tight.value, tight.limit) == (0.001, 0.0)


def test_a_ratio_to_the_foil_is_not_held_against_the_length_it_was_made_of() -> None:
    text = '[stencil]\nfoil = 0.1\n[limits."stencil.area-ratio"]\nstandard = 0.66\n'
    made = {**RULES, "stencil.area-ratio": replace(RULES["etch.conductor-spacing"],
            id="stencil.area-ratio", step=Step.STENCIL, unit="1", allowance="foil")}  # fmt: skip
    places = spacings([0.062], rule="stencil.area-ratio")
    (finding,) = judge(
        screening(places), parse_shop(HEAD + text, "s.toml", made), rules=made
    ).findings
    assert finding.measured == pytest.approx(0.62)
    assert finding.raw == finding.measured


def test_the_tightest_of_a_ratio_is_the_largest() -> None:
    places = spacings([3.0, 9.0, 5.0], rule="drill.aspect-ratio", hole=0.3, depth=1.6)
    text = '[limits."drill.aspect-ratio"]\nstandard = 8\nfine = 10\n'
    result = judged(places, text)
    assert result.tightest[0].value == 9.0
    assert [(f.measured, f.fits) for f in result.findings] == [(9.0, "fine")]


@pytest.mark.parametrize("units", ["mm", "um", "mil"])
def test_units_change_nothing(units: str) -> None:
    per_mm = {"mm": 1.0, "um": 1000.0, "mil": 1 / 0.0254}[units]
    text = (
        f"[allowance]\nplated = {0.1 * per_mm!r}\n"
        f'[limits."plate.annular-ring"]\nstandard = {0.15 * per_mm!r}\nfine = {0.1 * per_mm!r}\n'
        f'[[limits."plate.annular-ring".when]]\nhole = {{ max = {0.3 * per_mm!r} }}\n'
        f"standard = {0.2 * per_mm!r}\nfine = {0.12 * per_mm!r}\n"
        '[limits."drill.aspect-ratio"]\nstandard = 8\nfine = 10\n'
    )
    rng = np.random.default_rng(4)
    ring = rng.integers(50, 300, 200) / 1000
    hole = rng.choice([0.3, 0.31], 200)
    layer = np.array([f"conductor-{n % 20}" for n in range(200)], dtype=object)
    places = Places.concat([
        spacings(ring, rule="plate.annular-ring", plated=1, hole=hole, layer=layer),
        spacings(ring * 40, rule="drill.aspect-ratio", plated=1, hole=0.3, layer=layer),
    ])  # fmt: skip
    made = shop(text, HEAD.replace('"mm"', f'"{units}"'))
    result = judge(screening(places), made, rules=RULES)
    plain = judge(screening(places), _in_mm(), rules=RULES)
    assert len(plain.findings) > 50
    assert [(f.fingerprint, f.severity, f.tier, f.message) for f in result.findings] == [
        (f.fingerprint, f.severity, f.tier, f.message) for f in plain.findings
    ]


def _in_mm():  # type: ignore[no-untyped-def]
    return shop(
        "[allowance]\nplated = 0.1\n"
        '[limits."plate.annular-ring"]\nstandard = 0.15\nfine = 0.1\n'
        '[[limits."plate.annular-ring".when]]\nhole = { max = 0.3 }\nstandard = 0.2\nfine = 0.12\n'
        '[limits."drill.aspect-ratio"]\nstandard = 8\nfine = 10\n'
    )


@pytest.mark.parametrize(
    "wrong", [{"tier": "fin"}, {"thickness": 0.0}, {"copper_um": -1.0}, {"thickness": float("nan")}]
)
def test_a_wrong_argument_is_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(UsageError) as error:
        judged(spacings([1.0]), **wrong)
    if "tier" in wrong:
        assert "Did you mean 'fine'?" in str(error.value)
