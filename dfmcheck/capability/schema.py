"""The shape of a shop capability file before units are applied, and the step to a shop."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StrictBool, StrictStr

from dfmcheck.capability.shop import HoleAllowance, Limit, Panel, Range, Shop, Variant
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

MM = {"mm": 1.0, "um": 0.001, "mil": 0.0254}
"""Millimetres in one unit a shop may state."""

Number = Annotated[float, Field(strict=True, ge=0, allow_inf_nan=False)]
Words = Annotated[str, Field(strict=True, min_length=1)]


class _Raw(BaseModel):
    model_config = ConfigDict(extra="forbid")


class RawHead(_Raw):
    name: Words
    title: Words
    units: Literal["mm", "um", "mil"]
    tiers: Annotated[list[Words], Field(min_length=1)]
    default_tier: Words


class RawAllowance(_Raw):
    plated: Number = 0.0
    unplated: Number = 0.0


class RawStencil(_Raw):
    foil: Number


class RawPanel(_Raw):
    sizes: Annotated[
        list[Annotated[list[Number], Field(min_length=2, max_length=2)]], Field(min_length=1)
    ]
    border: Number = 0.0
    spacing: Number = 0.0


class RawRange(_Raw):
    min: Number | None = None
    max: Number | None = None


class RawWhen(_Raw):
    values: dict[str, Number]
    position: Literal["outer", "inner"] | None = None
    plated: StrictBool | None = None
    copper_um: RawRange | None = None
    kind: StrictStr | None = None
    hole: RawRange | None = None
    depth: RawRange | None = None
    volts: RawRange | None = None
    source: StrictStr = ""


class RawLimit(_Raw):
    values: dict[str, Number]
    source: StrictStr = ""
    weight: Literal["query", "hold"] | None = None
    when: list[RawWhen] = []


class RawFile(_Raw):
    shop: RawHead
    allowance: RawAllowance = RawAllowance()
    stencil: RawStencil | None = None
    panel: RawPanel | None = None
    limits: dict[str, RawLimit]


def built(read: RawFile, rules: Mapping[str, Rule], file: str) -> Shop:
    """The shop, lengths in mm, of a file that has been found correct."""
    mm = MM[read.shop.units]

    def span(given: RawRange | None, factor: float) -> Range | None:
        if given is None:
            return None
        ends = {k: None if v is None else v * factor for k, v in given.model_dump().items()}
        return Range(**ends)

    limits: dict[str, Limit] = {}
    for id_, limit in read.limits.items():
        rule = rules[id_]
        factor = mm if rule.unit == "mm" else 1.0
        limits[id_] = Limit(
            rule=id_,
            unit=rule.unit,
            direction=rule.direction,
            allowance=rule.allowance,
            values={tier: v * factor for tier, v in limit.values.items()},
            source=limit.source,
            weight=None if limit.weight is None else Weight[limit.weight.upper()],
            variants=tuple(
                Variant(
                    values={tier: v * factor for tier, v in when.values.items()},
                    position=when.position,
                    plated=when.plated,
                    copper_um=span(when.copper_um, 1.0),
                    kind=when.kind,
                    hole=span(when.hole, mm),
                    depth=span(when.depth, mm),
                    volts=span(when.volts, 1.0),
                    source=when.source,
                )
                for when in limit.when
            ),
        )
    growth = read.allowance
    panel = read.panel
    panels = (
        ()
        if panel is None
        else tuple(
            Panel(width=w * mm, height=h * mm, border=panel.border * mm, spacing=panel.spacing * mm)
            for w, h in panel.sizes
        )
    )
    return Shop(
        name=read.shop.name,
        title=read.shop.title,
        tiers=tuple(read.shop.tiers),
        default_tier=read.shop.default_tier,
        allowance=HoleAllowance(plated=growth.plated * mm, unplated=growth.unplated * mm),
        foil=None if read.stencil is None else read.stencil.foil * mm,
        panels=panels,
        limits=limits,
        file=file,
    )
