"""Which limit applies to which place, and the value after the shop's drilling allowance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Limit, Shop, Variant
from dfmcheck.measure.places import Places
from dfmcheck.measure.rule import Rule
from dfmcheck.measure.screening import Facts

Floats = npt.NDArray[np.float64]
Rows = npt.NDArray[np.int64]

TOLERANCE = 1e-6
"""Added to a place's own uncertainty, so that a binary fraction never decides (mm or ratio)."""

LEAST = 0.0005
"""Lengths are not told apart from a limit by less than this (mm): no photoplotter, drill or
printer works to it (common practice), and the chords of round outlines are as far off. It does
not hold for spacing by voltage, whose limits come from safety standards."""


@dataclass(frozen=True, slots=True)
class Copper:
    """Finished copper in µm on outer and inner layers; NaN where nobody states it."""

    outer: float
    inner: float

    @classmethod
    def of(cls, facts: Facts, given: float | None) -> Copper:
        def known(stated: float | None) -> float:
            value = given if given is not None else stated
            return np.nan if value is None else value

        return cls(known(facts.outer_copper_um), known(facts.inner_copper_um))

    def at(self, position: npt.NDArray[Any]) -> Floats:
        """Copper by position column; a place on no single layer takes the outer layers'."""
        return np.where(position == "inner", self.inner, self.outer)

    @property
    def unstated(self) -> bool:
        return bool(np.isnan(self.outer) or np.isnan(self.inner))


def judged_values(rule: Rule, shop: Shop, places: Places, rows: Rows) -> tuple[Floats, Floats]:
    """Value as the shop would find it after drilling, and how far it may still be off.

    Returns two (n,) arrays in the rule's unit. The shifts are those of
    :data:`dfmcheck.measure.rule.Allowance`; a hole of unknown plating grows as a plated one.
    """
    value = places["value"][rows]
    # an uncertainty nobody knows is taken as none, the stricter reading
    margin = np.nan_to_num(np.abs(places["uncertainty"][rows]), nan=0.0, posinf=0.0) + TOLERANCE
    if rule.unit == "mm" and not rule.opt_in:
        margin = np.maximum(margin, LEAST + TOLERANCE)
    growth = shop.allowance
    if rule.allowance == "foil":
        # Without a foil nothing can be said; such values come out as not judged.
        foil = np.nan if not shop.foil else shop.foil
        return value / foil, (margin - TOLERANCE) / foil + TOLERANCE
    if rule.allowance == "register":
        within = (value < 0) & (value >= -shop.register - margin)
        return np.where(within, 0.0, value), margin
    if rule.allowance == "none" or (growth.plated == 0 and growth.unplated == 0):
        return value, margin
    grown = np.where(places["plated"][rows] == 0, growth.unplated, growth.plated)
    if rule.allowance == "grown":
        return value + grown, margin
    if rule.allowance == "wall":
        return value - grown, margin
    if rule.allowance == "aspect":
        hole = places["hole"][rows]
        factor = hole / (hole + grown)
        return value * factor, (margin - TOLERANCE) * factor + TOLERANCE
    return value - grown / 2, margin  # ring and radius: one wall of one hole moves


def limit_table(
    limit: Limit, tiers: tuple[str, ...], places: Places, rows: Rows, copper: Copper
) -> Floats:
    """Limits as a (tiers, rows) table; NaN where a tier is not judged."""
    return limit_values(limit, tiers)[:, limit_entries(limit, places, rows, copper)]


def limit_values(limit: Limit, tiers: tuple[str, ...]) -> Floats:
    """The values of a limit as a (tiers, 1 + variants) table, NaN where a tier is not judged."""
    tables = (limit.values, *(variant.values for variant in limit.variants))
    return np.stack([_by_tier(values, tiers) for values in tables], axis=1)


def limit_entries(limit: Limit, places: Places, rows: Rows, copper: Copper) -> Rows:
    """Which entry of a limit governs each place: 0 its base values, n its nth variant."""
    entry = np.zeros(len(rows), dtype=np.int64)
    for number, variant in enumerate(limit.variants, start=1):
        entry[(entry == 0) & _applies(variant, places, rows, copper)] = number
    return entry


def _by_tier(values: dict[str, float], tiers: tuple[str, ...]) -> Floats:
    return np.array([values.get(tier, np.nan) for tier in tiers])


def _applies(variant: Variant, places: Places, rows: Rows, copper: Copper) -> npt.NDArray[np.bool_]:
    hit = np.ones(len(rows), dtype=bool)
    if variant.position is not None:
        hit &= places["position"][rows] == variant.position
    if variant.plated is not None:
        hit &= (places["plated"][rows] != 0) == variant.plated
    if variant.kind is not None:
        hit &= places["kind"][rows] == variant.kind
    if variant.copper_um is not None:
        hit &= variant.copper_um.holds(copper.at(places["position"][rows]))
    if variant.hole is not None:
        hit &= variant.hole.holds(places["hole"][rows])
    if variant.depth is not None:
        hit &= variant.depth.holds(places["depth"][rows])
    if variant.volts is not None:
        hit &= variant.volts.holds(places["volts"][rows])
    return hit


def limit_by_copper(limit: Limit) -> bool:
    """Whether a limit depends on finished copper."""
    return any(variant.copper_um is not None for variant in limit.variants)
