"""Rules, shops and screenings made up for the tests of judging."""

from __future__ import annotations

from typing import Any

from dfmcheck.capability import Shop, parse_shop
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Facts, Screening
from dfmcheck.terms import Step, Weight


def rule(id_: str, quantity: str, **more: Any) -> Rule:
    return Rule(
        id=id_,
        step=Step(id_.split(".")[0]),
        looks_at="copper",
        quantity=quantity,
        **{"unit": "mm", "direction": "at-least", "who": "ask", **more},
        on_the_floor="It fails.",
        change=f"Enlarge the {quantity}",
        front_end="Ask.",
        source="common practice",
    )


_ALL = (
    rule("data.assumption", "assumption", unit="count"),
    rule("data.tool-size", "tool size", unit="count"),
    rule("etch.conductor-width", "conductor width"),
    rule("etch.conductor-spacing", "conductor spacing"),
    rule("etch.notch", "notch", weight=Weight.QUERY),
    rule("drill.hole-to-copper", "hole to copper", allowance="radius"),
    rule("drill.hole-to-hole", "wall between holes", allowance="wall"),
    rule("drill.aspect-ratio", "aspect ratio", unit="1", direction="at-most", allowance="aspect"),
    rule("plate.annular-ring", "annular ring", allowance="ring"),
    rule("mask.web", "mask web", weight=Weight.QUERY),
    rule("mask.clearance", "mask clearance", weight=Weight.QUERY),
    rule("rout.copper-to-profile", "copper to profile"),
)
RULES = {r.id: r for r in _ALL}

HEAD = """
[shop]
name = "made-up"
title = "Made Up Boards"
units = "mm"
tiers = ["standard", "fine"]
default_tier = "standard"
"""
SPACING = """
[limits."etch.conductor-spacing"]
standard = 0.15
fine = 0.1
"""


def shop(text: str = SPACING, head: str = HEAD) -> Shop:
    return parse_shop(head + text, "made-up.toml", RULES)


def spacings(value: Any, **columns: Any) -> Places:
    """Conductor spacings on conductor-1, 10 mm apart unless told otherwise."""
    given = {
        "rule": "etch.conductor-spacing",
        "layer": "conductor-1",
        "position": "outer",
        "x": [10.0 * n for n in range(len(value))],
        "y": [0.0] * len(value),
        "net_a": "A",
        "net_b": "B",
        "file_a": "top.gbr",
        "file_b": "top.gbr",
        "line_a": 7,
        "line_b": 9,
        "code_a": list(range(10, 10 + len(value))),
        "code_b": 10,
    }
    return Places.of(value=value, **(given | columns))


def screening(places: Places, **more: Any) -> Screening:
    found = zip(places["rule"].tolist(), places["layer"].tolist(), strict=True)
    given: dict[str, Any] = {
        "package": "made-up.zip",
        "files": (),
        "facts": Facts(),
        "reach": {},
        "measured": tuple(sorted(set(found))),
        "gaps": (),
        "defects": (),
        "assumptions": (),
    }
    return Screening(places=places, **(given | more))
