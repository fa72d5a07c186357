"""Rules made up for the tests of shop files, one for each id the shipped shops limit."""

from __future__ import annotations

from typing import Any

from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Step, Weight


def _rule(id_: str, **more: Any) -> Rule:
    given: dict[str, Any] = {"unit": "mm", "direction": "at-least", "who": "ask"}
    return Rule(
        id=id_,
        step=Step(id_.split(".")[0]),
        looks_at="copper",
        quantity=id_,
        on_the_floor="",
        change="",
        front_end="",
        source="common practice",
        **(given | more),
    )


RULES = {
    rule.id: rule
    for rule in (
        _rule("data.tool-size", unit="count"),
        _rule("etch.conductor-width"),
        _rule("etch.conductor-spacing"),
        _rule("etch.notch", weight=Weight.QUERY),
        _rule("drill.hole-to-copper", allowance="radius"),
        _rule("drill.hole-to-hole", allowance="wall"),
        _rule("drill.aspect-ratio", unit="1", direction="at-most", allowance="aspect"),
        _rule("plate.annular-ring", allowance="ring"),
        _rule("mask.web", weight=Weight.QUERY),
        _rule("mask.clearance", weight=Weight.QUERY),
        _rule("rout.copper-to-profile"),
    )
}
