"""Limits of shops in the form that rule pages show."""

from __future__ import annotations

from collections.abc import Iterable

from dfmcheck.capability import Range, Shop, Variant, load_shop, shop_names
from dfmcheck.report.pages import ShopLimit


def shipped_limits() -> dict[str, list[ShopLimit]]:
    """Limits of all shipped shops by rule id."""
    return limits_by_rule(load_shop(name) for name in shop_names())


def limits_by_rule(shops: Iterable[Shop]) -> dict[str, list[ShopLimit]]:
    """Limits by rule id: per shop the variants in their order, then what holds otherwise."""
    out: dict[str, list[ShopLimit]] = {}
    for shop in shops:
        for id_, limit in shop.limits.items():
            rows = out.setdefault(id_, [])
            for variant in limit.variants:
                values = _ordered(shop, variant.values)
                source = variant.source or limit.source
                rows.append(ShopLimit(shop.name, condition(variant), values, source))
            if limit.values:
                base = "otherwise" if limit.variants else ""
                rows.append(ShopLimit(shop.name, base, _ordered(shop, limit.values), limit.source))
    return out


def condition(variant: Variant) -> str:
    """When a variant holds, in words.

    Examples
    --------
    >>> condition(Variant(values={}, position="outer", copper_um=Range(min=60)))
    'outer layers, copper from 60 µm'
    """
    parts = [f"{variant.position} layers"] if variant.position else []
    if variant.kind:
        parts.append(variant.kind)
    if variant.plated is not None:
        parts.append("plated" if variant.plated else "not plated")
    for name, span, unit in (
        ("copper", variant.copper_um, "µm"),
        ("hole", variant.hole, "mm"),
        ("depth", variant.depth, "mm"),
        ("peak voltage", variant.volts, "V"),
    ):
        if span is not None:
            parts.append(f"{name} {_span(span, unit)}")
    return ", ".join(parts)


def _span(span: Range, unit: str) -> str:
    words = [f"from {span.min:g}"] if span.min is not None else []
    words += [f"up to {span.max:g}"] if span.max is not None else []
    return f"{' '.join(words)} {unit}"


def _ordered(shop: Shop, values: dict[str, float]) -> tuple[tuple[str, float], ...]:
    return tuple((tier, values[tier]) for tier in shop.tiers if tier in values)
