"""The shape of a shop capability file before units are applied, and the step to a shop.

What a file may hold is told by checks: each takes a value and its path, and yields what does not
fit. A library for it would take longer to load than all the judging.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from dfmcheck.capability.shop import HoleAllowance, Limit, Panel, Range, Shop, Variant
from dfmcheck.measure.rule import Rule
from dfmcheck.terms import Weight

MM = {"mm": 1.0, "um": 0.001, "mil": 0.0254}
"""Millimetres in one unit a shop may state."""

Raw = dict[str, Any]
"""A table of a file that :func:`misfits` has nothing to say of."""

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Misfit:
    """``expected`` is "" where the value at ``path`` is missing; ``choices`` where words are."""

    path: Path
    value: Any
    expected: str
    choices: tuple[str, ...] = ()


Check = Callable[[Any, Path], Iterator[Misfit]]


def _number(value: Any, path: Path) -> Iterator[Misfit]:
    if isinstance(value, bool) or not isinstance(value, int | float):
        yield Misfit(path, value, "a valid number")
    elif not abs(value) < sys.float_info.max:  # NaN as well
        yield Misfit(path, value, "a finite number")
    elif value < 0:
        yield Misfit(path, value, "greater than or equal to 0")


def _text(value: Any, path: Path) -> Iterator[Misfit]:
    if not isinstance(value, str):
        yield Misfit(path, value, "a valid string")


def _words(value: Any, path: Path) -> Iterator[Misfit]:
    yield from _text(value, path)
    if value == "":
        yield Misfit(path, value, "a string of at least 1 character")


def _truth(value: Any, path: Path) -> Iterator[Misfit]:
    if not isinstance(value, bool):
        yield Misfit(path, value, "a valid boolean")


def _one_of(*words: str) -> Check:
    quoted = [f"'{word}'" for word in words]
    expected = f"{', '.join(quoted[:-1])} or {quoted[-1]}"

    def check(value: Any, path: Path) -> Iterator[Misfit]:
        if value not in words:
            yield Misfit(path, value, expected, words)

    return check


def _listed(item: Check, least: int = 0, most: int | None = None) -> Check:
    def check(value: Any, path: Path) -> Iterator[Misfit]:
        if not isinstance(value, list):
            yield Misfit(path, value, "a valid list")
            return
        for n, one in enumerate(value):
            yield from item(one, (*path, n))
        for bound, wrong, said in (
            (least, len(value) < least, "at least"),
            (most, most is not None and len(value) > most, "at most"),
        ):
            if wrong:
                items = f"{bound} item{'' if bound == 1 else 's'}"
                yield Misfit(path, value, f"{said} {items}, not {len(value)}")

    return check


def _each(item: Check) -> Check:
    """A table with keys of the user's own."""

    def check(value: Any, path: Path) -> Iterator[Misfit]:
        if not isinstance(value, dict):
            yield Misfit(path, value, "a table")
            return
        for key, one in value.items():
            yield from item(one, (*path, key))

    return check


def _table(needed: Mapping[str, Check], more: Mapping[str, Check]) -> Check:
    """A table of known keys; unknown ones have been named before."""

    def check(value: Any, path: Path) -> Iterator[Misfit]:
        if not isinstance(value, dict):
            yield Misfit(path, value, "a table")
            return
        for key, item in (*needed.items(), *more.items()):
            if key in value:
                yield from item(value[key], (*path, key))
            elif key in needed:
                yield Misfit((*path, key), None, "")

    return check


_HEAD: dict[str, Check] = {
    "name": _words,
    "title": _words,
    "units": _one_of(*MM),
    "tiers": _listed(_words, least=1),
    "default_tier": _words,
}
_ALLOWANCE: dict[str, Check] = {"plated": _number, "unplated": _number}
_STENCIL: dict[str, Check] = {"foil": _number}
_SIZES: dict[str, Check] = {"sizes": _listed(_listed(_number, least=2, most=2), least=1)}
_GAPS: dict[str, Check] = {"border": _number, "spacing": _number}
_RANGE: Check = _table({}, {"min": _number, "max": _number})
_VALUES: dict[str, Check] = {"values": _each(_number)}
_WHEN: dict[str, Check] = {
    "position": _one_of("outer", "inner"),
    "plated": _truth,
    "copper_um": _RANGE,
    "kind": _text,
    "hole": _RANGE,
    "depth": _RANGE,
    "volts": _RANGE,
    "source": _text,
}
_LIMIT: dict[str, Check] = {
    "source": _text,
    "weight": _one_of("query", "hold"),
    "when": _listed(_table(_VALUES, _WHEN)),
}
_FILE: Check = _table(
    {"shop": _table(_HEAD, {}), "limits": _each(_table(_VALUES, _LIMIT))},
    {
        "allowance": _table({}, _ALLOWANCE),
        "stencil": _table(_STENCIL, {}),
        "panel": _table(_SIZES, _GAPS),
    },
)

SECTION_KEYS: dict[str, tuple[str, ...]] = {
    "shop": tuple(_HEAD),
    "allowance": tuple(_ALLOWANCE),
    "stencil": tuple(_STENCIL),
    "panel": (*_SIZES, *_GAPS),
}
"""Keys each table but the limits may have."""


def misfits(raw: Raw) -> Iterator[Misfit]:
    """What in a file does not have its shape; tier values stand in ``values`` of their limit."""
    return _FILE(raw, ())


def head_misfits(head: Raw) -> Iterator[Misfit]:
    """The same of the table ``shop`` alone."""
    return _table(_HEAD, {})(head, ("shop",))


def built(read: Raw, rules: Mapping[str, Rule], file: str) -> Shop:
    """The shop, lengths in mm, of a file that has been found correct."""
    head = read["shop"]
    mm = MM[head["units"]]

    def span(given: Raw | None, factor: float) -> Range | None:
        if given is None:
            return None
        return Range(**{end: value * factor for end, value in given.items()})

    limits: dict[str, Limit] = {}
    for id_, limit in read["limits"].items():
        rule = rules[id_]
        factor = mm if rule.unit == "mm" else 1.0
        weight = limit.get("weight")
        limits[id_] = Limit(
            rule=id_,
            unit=rule.unit,
            direction=rule.direction,
            allowance=rule.allowance,
            values={tier: v * factor for tier, v in limit["values"].items()},
            source=limit.get("source", ""),
            weight=None if weight is None else Weight[weight.upper()],
            variants=tuple(
                Variant(
                    values={tier: v * factor for tier, v in when["values"].items()},
                    position=when.get("position"),
                    plated=when.get("plated"),
                    copper_um=span(when.get("copper_um"), 1.0),
                    kind=when.get("kind"),
                    hole=span(when.get("hole"), mm),
                    depth=span(when.get("depth"), mm),
                    volts=span(when.get("volts"), 1.0),
                    source=when.get("source", ""),
                )
                for when in limit.get("when", ())
            ),
        )
    growth = read.get("allowance", {})
    panel = read.get("panel", {"sizes": ()})
    return Shop(
        name=head["name"],
        title=head["title"],
        tiers=tuple(head["tiers"]),
        default_tier=head["default_tier"],
        allowance=HoleAllowance(**{plating: length * mm for plating, length in growth.items()}),
        foil=read["stencil"]["foil"] * mm if "stencil" in read else None,
        panels=tuple(
            Panel(
                width=w * mm,
                height=h * mm,
                border=panel.get("border", 0.0) * mm,
                spacing=panel.get("spacing", 0.0) * mm,
            )
            for w, h in panel["sizes"]
        ),
        limits=limits,
        file=file,
    )
