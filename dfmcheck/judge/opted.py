"""Why a rule measured because the user asked for it could not be judged in full."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from dfmcheck.capability import Limit, Shop
from dfmcheck.judge.limits import Copper, Floats, limit_table
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Screening

_SAME = 1e-9  # volts; below it two values are one


def opt_in_reasons(
    screening: Screening, shop: Shop, tier: str, copper: Copper, rules: Mapping[str, Rule]
) -> list[str]:
    """One sentence for each rule asked for that ``tier`` has no limit for, or not for all.

    Whether voltages are limited is asked of every pair of stated voltages that meets on a
    layer, however far apart its copper is: places beyond the reach are not listed.
    """
    out = []
    measured = {id_ for id_, _ in screening.measured}
    for id_ in sorted(measured):
        rule = rules.get(id_)
        if rule is None or not rule.opt_in:
            continue
        limit = shop.limits.get(id_)
        if limit is None or not limit.all_values(tier):
            out.append(
                f"{id_} was asked for, but shop {shop.name} gives no limit for it in tier {tier}"
            )
        else:
            out += _without_limit(screening, shop, tier, copper, limit)
    return out


def _without_limit(
    screening: Screening, shop: Shop, tier: str, copper: Copper, limit: Limit
) -> list[str]:
    layers = screening.facts.layers
    lacking: dict[str, Floats] = {}
    for layer, stated in screening.facts.voltages.items():
        differences = _differences(np.array(stated, dtype=np.float64))
        probe = Places.of(
            value=np.zeros(len(differences)), x=np.zeros(len(differences)),
            y=np.zeros(len(differences)), rule=limit.rule, layer=layer, volts=differences,
            position="outer" if layer in (layers[:1] + layers[-1:]) else "inner",
        )  # fmt: skip
        table = limit_table(limit, (tier,), probe, np.arange(len(probe)), copper)[0]
        if np.isnan(table).any():
            lacking[layer] = differences[np.isnan(table)]
    if not lacking:
        return []
    volts = np.concatenate(list(lacking.values()))
    low, high = float(volts.min()), float(volts.max())
    span = f"{high:g} V" if high - low <= _SAME else f"{low:g} to {high:g} V"
    return [
        f"{limit.rule} has no limit in tier {tier} of shop {shop.name} for nets {span} apart: "
        f"they were not judged on {', '.join(lacking)}"
    ]


def _differences(stated: Floats) -> Floats:
    """Every voltage between two of the stated ones, above zero.

    >>> _differences(np.array([0.0, 24.0, 325.0])).tolist()
    [24.0, 301.0, 325.0]
    """
    apart = np.unique(np.abs(stated[:, None] - stated[None, :]))
    return apart[apart > _SAME]
