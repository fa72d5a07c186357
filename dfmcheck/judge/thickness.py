"""Judging for another board thickness than the one a screening was measured with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from dfmcheck.judge.segments import word_codes
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Screening
from dfmcheck.terms import Function, Plating, Role

_ASPECT = "aspect"  # allowance of the rules whose value is depth over hole


def with_thickness(
    screening: Screening, thickness: float | None, rules: Mapping[str, Rule]
) -> Screening:
    """The screening as it would be for a board ``thickness`` mm thick.

    Depths of holes follow the thickness. Where it was not known, and every hole passes through
    the whole board, the ratios come from the table of hole sizes; those places have no position.
    """
    id_ = next((rule.id for rule in rules.values() if rule.allowance == _ASPECT), None)
    if thickness is None or id_ is None:
        return screening
    places, facts = screening.places, screening.facts
    code, words = word_codes(places["rule"])
    rows = np.flatnonzero(code == words.index(id_)) if id_ in words else np.zeros(0, np.int64)
    if len(rows) and facts.thickness is not None:
        depth, value = places["depth"].copy(), places["value"].copy()
        depth[rows] *= thickness / facts.thickness
        value[rows] *= thickness / facts.thickness
        places = Places({**places.columns, "depth": depth, "value": value})
        return replace(screening, places=places, facts=replace(facts, thickness=thickness))
    sizes = [h.diameter for h in facts.holes if h.plating == Plating.PLATED and h.diameter > 0]
    if len(rows) or facts.thickness is not None or not sizes or _partial_spans(screening):
        return screening
    hole = np.array(sizes)
    nowhere = np.full(len(hole), np.nan)
    added = Places.of(
        value=thickness / hole, x=nowhere, y=nowhere, rule=id_, layer="drill", hole=hole,
        depth=thickness, plated=1, group=np.arange(len(hole)),
    )  # fmt: skip
    return replace(
        screening,
        places=Places.concat([places, added]),
        facts=replace(facts, thickness=thickness),
        gaps=tuple(gap for gap in screening.gaps if gap.rule != id_),
        measured=(*screening.measured, (id_, "drill")),
    )


def _partial_spans(screening: Screening) -> bool:
    """Whether some drill file passes through part of the board only."""
    for file in screening.files:
        try:
            role = Role.parse(file.role)
        except ValueError:
            continue
        if role.function in (Function.DRILL, Function.ROUT) and role.span is not None:
            low, high = sorted(role.span)
            if low > 1 or high < screening.facts.conductors:
                return True
    return False
