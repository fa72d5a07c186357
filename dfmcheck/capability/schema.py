"""The shape of a shop capability file before units are applied, and the step to a shop.

What does not fit is told by the description of its kind, so each says what is expected.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import NoneType
from typing import Annotated, Any, Literal, get_args, get_origin

from msgspec import Meta, Struct, ValidationError, convert, field
from msgspec.structs import fields

from dfmcheck.capability.shop import HoleAllowance, Limit, Panel, Range, Shop, Variant
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

MM = {"mm": 1.0, "um": 0.001, "mil": 0.0254}
"""Millimetres in one unit a shop may state."""

Path = tuple[str | int, ...]

Number = Annotated[
    float, Meta(ge=0, le=sys.float_info.max, description="a finite number, 0 or more")
]
Words = Annotated[str, Meta(min_length=1, description="a text of at least 1 character")]
Text = Annotated[str, Meta(description="a text")]
Truth = Annotated[bool, Meta(description="true or false")]
Tiers = Annotated[list[Words], Meta(min_length=1, description="a list of at least 1 tier")]
Size = Annotated[
    list[Number], Meta(min_length=2, max_length=2, description="two numbers, [width, height]")
]
Sizes = Annotated[list[Size], Meta(min_length=1, description="a list of at least 1 size")]


class _Raw(Struct, forbid_unknown_fields=True):
    """A table of the file; none of its values is null, as TOML has no such thing."""


class RawHead(_Raw):
    name: Words
    title: Words
    units: Literal["mm", "um", "mil"]
    tiers: Tiers
    default_tier: Words


class RawAllowance(_Raw):
    plated: Number = 0.0
    unplated: Number = 0.0


class RawStencil(_Raw):
    foil: Number
    register: Number = 0.0


class RawPanel(_Raw):
    sizes: Sizes
    border: Number = 0.0
    spacing: Number = 0.0


class RawRange(_Raw):
    min: Number | None = None
    max: Number | None = None


class RawWhen(_Raw):
    values: dict[str, Number]
    position: Literal["outer", "inner"] | None = None
    plated: Truth | None = None
    copper_um: RawRange | None = None
    kind: Text | None = None
    hole: RawRange | None = None
    depth: RawRange | None = None
    volts: RawRange | None = None
    source: Text = ""


class RawLimit(_Raw):
    values: dict[str, Number]
    source: Text = ""
    weight: Literal["query", "hold"] | None = None
    when: Annotated[list[RawWhen], Meta(description="a list of tables")] = []


class RawFile(_Raw, kw_only=True):
    """Tier values stand in ``values`` of their limit."""

    shop: RawHead
    allowance: RawAllowance = field(default_factory=RawAllowance)
    stencil: RawStencil | None = None
    panel: RawPanel | None = None
    limits: dict[str, RawLimit]


SECTIONS: dict[str, type[Struct]] = {
    "shop": RawHead,
    "allowance": RawAllowance,
    "stencil": RawStencil,
    "panel": RawPanel,
}
"""Every table but the limits."""


@dataclass(frozen=True)
class Misfit:
    """``expected`` is "" where the value at ``path`` is missing; ``choices`` where words are."""

    path: Path
    value: Any
    expected: str
    choices: tuple[str, ...] = ()


def misfits(value: Any, kind: Any, path: Path = ()) -> Iterator[Misfit]:
    """All that keeps a value from being of a kind, a table's class for one."""
    try:  # conversion ends at the first misfit, so each part of what does not fit is tried alone
        convert(value, kind)
    except ValidationError:
        bare, expected = _described(kind)
        inner = list(_inside(value, bare, path))
        choices = get_args(bare) if get_origin(bare) is Literal else ()
        yield from inner or (Misfit(path, value, expected, choices),)


def _inside(value: Any, kind: Any, path: Path) -> Iterator[Misfit]:
    form, of = get_origin(kind), get_args(kind)
    if form is list and isinstance(value, list):
        for n, item in enumerate(value):
            yield from misfits(item, of[0], (*path, n))
    elif form is dict and isinstance(value, dict):
        for key, item in value.items():
            yield from misfits(item, of[1], (*path, key))
    elif form is None and issubclass(kind, Struct) and isinstance(value, dict):
        for entry in fields(kind):
            if entry.name in value:
                yield from misfits(value[entry.name], entry.type, (*path, entry.name))
            elif entry.required:
                yield Misfit((*path, entry.name), None, "")


def _described(kind: Any) -> tuple[Any, str]:
    """A kind as it is where given, without its description, and what it expects."""
    if NoneType in get_args(kind):
        kind = get_args(kind)[0]
    if get_origin(kind) is Annotated:
        bare, meta = get_args(kind)
        return bare, meta.description
    if get_origin(kind) is Literal:
        *words, last = (f"'{word}'" for word in get_args(kind))
        return kind, f"{', '.join(words)} or {last}"
    return kind, "a table"


def built(read: RawFile, rules: Mapping[str, Rule], file: str) -> Shop:
    """The shop, lengths in mm, of a file that has been found correct."""
    head = read.shop
    mm = MM[head.units]

    def span(given: RawRange | None, factor: float) -> Range | None:
        if given is None:
            return None
        low, high = given.min, given.max
        return Range(
            min=None if low is None else low * factor, max=None if high is None else high * factor
        )

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
    growth, panel = read.allowance, read.panel
    return Shop(
        name=head.name,
        title=head.title,
        tiers=tuple(head.tiers),
        default_tier=head.default_tier,
        allowance=HoleAllowance(plated=growth.plated * mm, unplated=growth.unplated * mm),
        foil=None if read.stencil is None else read.stencil.foil * mm,
        register=0.0 if read.stencil is None else read.stencil.register * mm,
        panels=tuple(
            Panel(width=w * mm, height=h * mm, border=panel.border * mm, spacing=panel.spacing * mm)
            for w, h in panel.sizes
        )
        if panel
        else (),
        limits=limits,
        file=file,
    )
