"""Values below nought: the stencil's register, and sentences that tell a length."""

from __future__ import annotations

import pytest

from dfmcheck.capability import parse_shop
from dfmcheck.errors import ShopFileError
from dfmcheck.judge import judge
from dfmcheck.judge.finding import Judgement
from dfmcheck.measure.rule import rules
from dfmcheck.report.pages import ALLOWANCES
from tests.judge.shop_parts import HEAD, screening, spacings

LAP = "stencil.paste-on-mask"


def judged(
    rule: str, values: list[float], needs: float, stencil: str = "", **more: float
) -> Judgement:
    text = f'{HEAD}{stencil}\n[limits."{rule}"]\nstandard = {needs}\nfine = {needs / 2}\n'
    shop = parse_shop(text, "made-up.toml", rules())
    places = spacings(values, rule=rule, layer="paste-top", net_a="", net_b="", **more)
    return judge(screening(places), shop, rules=rules())


@pytest.mark.parametrize("rule", [LAP, "stencil.paste-beyond-land"])
def test_a_lap_within_the_register_is_none(rule: str) -> None:
    stencil = "[stencil]\nfoil = 0.12\nregister = 0.025\n"
    laps = [-0.013, -0.025, -0.027, -0.2]
    assert [f.measured for f in judged(rule, laps[:2], 0.0, stencil).findings] == []
    assert [f.measured for f in judged(rule, laps[2:3], 0.0, stencil).findings] == [-0.027]
    assert [f.measured for f in judged(rule, laps[3:], 0.0, stencil).findings] == [-0.2]
    # Without a register every lap counts, as it does where the shop asks for room.
    assert [f.measured for f in judged(rule, laps[:1], 0.0).findings] == [-0.013]
    (finding,) = judged(rule, laps[:1], 0.05, stencil).findings
    assert (finding.measured, finding.raw) == (0.0, 0.0)
    # Room there is stays what it is.
    (finding,) = judged(rule, [0.03], 0.05, stencil).findings
    assert finding.measured == 0.03


def test_spacing_by_voltage_is_held_to_the_number() -> None:
    """Its limits come from safety standards; other lengths are told apart from 0.5 µm on."""
    found = {
        rule: [f.measured for f in judged(rule, [0.1499], 0.15, uncertainty=0.0).findings]
        for rule in ("etch.voltage-spacing", "etch.conductor-spacing")
    }
    assert found == {"etch.voltage-spacing": [0.1499], "etch.conductor-spacing": []}


def test_a_length_is_told_and_not_a_value_below_nought() -> None:
    (finding,) = judged(LAP, [-0.195], 0.0).findings
    assert finding.message == (
        "Paste on the mask beyond the edge of its opening 0.195 mm on paste-top; "
        "tier standard allows none, and even tier fine allows none"
    )
    (finding,) = judged(LAP, [-0.195], 0.1).findings
    assert finding.message.endswith("tier standard needs 0.100 mm clear, and even tier fine "
                                    "needs 0.050 mm clear")  # fmt: skip
    (finding,) = judged(LAP, [0.0], 0.1).findings
    assert finding.message.startswith("Mask opening left round a paste opening 0.000 mm")


def test_what_only_the_drilled_hole_reaches_is_told_as_clear_in_the_data() -> None:
    growth = "[allowance]\nunplated = 0.1\n"
    rule = "legend.ink-in-hole"
    (finding,) = judged(rule, [0.014], 0.0, growth, plated=0, hole=1.0).findings
    assert finding.message.startswith(
        "Legend ink over an open hole, in from its wall 0.036 mm "
        "(0.014 mm clear in the data, before the drilling allowance)"
    )
    (finding,) = judged(rule, [-0.2], 0.0, growth, plated=0, hole=1.0).findings
    assert "in from its wall 0.250 mm (0.200 mm in the data" in finding.message


def test_a_register_in_the_wrong_unit_is_refused() -> None:
    text = f"{HEAD}[stencil]\nfoil = 0.12\nregister = 25\n[limits]\n"
    with pytest.raises(ShopFileError, match=r"stencil\.register = 25 mm"):
        parse_shop(text, "made-up.toml", rules())


def test_every_allowance_is_explained() -> None:
    assert {rule.allowance for rule in rules().values()} <= ALLOWANCES.keys()
