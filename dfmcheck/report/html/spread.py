"""Histograms of measured values per rule and layer, with the limits of the shop's tiers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dfmcheck.capability import Shop
from dfmcheck.judge.finding import Judgement
from dfmcheck.judge.limits import Copper, judged_values, limit_table
from dfmcheck.measure.rule import Rule
from dfmcheck.report.text import number, plain, plural

FIRST = ("etch.conductor-spacing", "etch.conductor-width", "plate.annular-ring")
"""Shown first; every other length a shop limits follows."""
BINS = 40
WIDTH, HEIGHT = 320.0, 96.0  # of the plot's own coordinates
_BASE = HEIGHT - 18.0

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bar:
    x: float
    y: float
    width: float
    height: float
    kind: str  # "past" the limit of the tier judged against, or "within" it
    title: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A tier's limit; ``row`` sets its label clear of its neighbours."""

    x: float
    tier: str
    text: str
    chosen: bool
    row: int
    anchor: str


@dataclass(frozen=True, slots=True)
class Plot:
    layer: str
    count: int
    least: str
    summary: str
    bars: tuple[Bar, ...]
    marks: tuple[Mark, ...]
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True, slots=True)
class Family:
    """All layers of one rule, on one scale."""

    rule: str
    quantity: str
    reach: str
    plots: tuple[Plot, ...]
    first: bool


def families(
    judgement: Judgement, shop: Shop, rules: Mapping[str, Rule], copper_um: float | None
) -> tuple[Family, ...]:
    """One family per rule of lengths that the shop limits and places were measured for."""
    limited = [
        id_
        for id_, rule in rules.items()
        if id_ in shop.limits and rule.unit == "mm" and rule.direction == "at-least"
    ]
    order = [*(id_ for id_ in FIRST if id_ in limited), *(i for i in limited if i not in FIRST)]
    found = (_family(judgement, shop, rules[id_], copper_um) for id_ in order)
    return tuple(family for family in found if family is not None)


def _family(judgement: Judgement, shop: Shop, rule: Rule, copper_um: float | None) -> Family | None:
    screening = judgement.screening
    places = screening.places
    rows = np.flatnonzero(places["rule"] == rule.id)
    values, _ = judged_values(rule, shop, places, rows)
    rows, values = rows[np.isfinite(values)], values[np.isfinite(values)]
    if not len(rows):
        return None
    copper = Copper.of(screening.facts, copper_um)
    limits = limit_table(shop.limits[rule.id], shop.tiers, places, rows, copper)
    layers = places["layer"][rows]
    most = np.nanmax(limits) if np.isfinite(limits).any() else 0.0
    reach = screening.reach.get(rule.id)
    low, high = _scale(values, float(most), reach)
    plots = tuple(
        _plot(layer, values[mine], limits[:, mine], shop, judgement.tier, low, high, reach)
        for layer in _in_order(layers)
        for mine in (np.flatnonzero(layers == layer),)
    )
    return Family(
        rule.id,
        rule.quantity,
        number(reach, "mm") if reach is not None else "",
        plots,
        rule.id in FIRST,
    )


def _in_order(layers: npt.NDArray[np.object_]) -> Iterator[str]:
    def key(name: str) -> tuple[str, int]:
        head, _, tail = name.rpartition("-")
        return (head, int(tail)) if tail.isdigit() else (name, 0)

    yield from sorted(set(layers.tolist()), key=key)


def _scale(values: Floats, most: float, reach: float | None) -> tuple[float, float]:
    """From nought, or the least value below it, to the reach or half past the largest limit."""
    high = reach if reach is not None else most * 1.5
    high = max(high, most * 1.15, 1e-3)
    return min(0.0, float(values.min())), float(high)


def _plot(
    layer: str, values: Floats, limits: Floats, shop: Shop, tier: str, low: float, high: float,
    reach: float | None,
) -> Plot:  # fmt: skip
    # beyond the reach some values are listed and some are not
    inside = values[values <= (high if reach is None else min(high, reach))]
    counts, edges = np.histogram(inside, bins=BINS, range=(low, high))
    chosen = limits[shop.tiers.index(tier)]
    past = values < chosen - 1e-6
    past_counts, _ = np.histogram(values[past], bins=BINS, range=(low, high))
    top = max(int(counts.max()), 1)
    bars: list[Bar] = []
    width = WIDTH / BINS
    for n in np.flatnonzero(counts).tolist():
        told = f"{number(edges[n], 'mm')} to {number(edges[n + 1], 'mm')}: "
        whole, short = int(counts[n]), int(past_counts[n])
        y = _BASE
        for kind, count in (("past", short), ("within", whole - short)):
            if count:
                height = max(1.5, count / top * (_BASE - 30.0))  # clear of the labels
                y -= height
                title = (
                    told + plural(count, "place") + (" past the limit" if kind == "past" else "")
                )
                bars.append(
                    Bar(round(n * width + 0.4, 2), round(y, 2), width - 0.8, round(height, 2),
                        kind, title)
                )  # fmt: skip
    number_past = int(past.sum())
    least = number(float(values.min()), "mm")
    return Plot(
        plain(layer),
        len(values),
        least,
        f"{plain(layer)}: {plural(len(values), 'place')} listed, least {least}, {number_past} past "
        f"the limit of tier {plain(tier)}",
        tuple(bars),
        _marks(limits, shop, tier, low, high),
        tuple(_ticks(low, high)),
    )


def _marks(limits: Floats, shop: Shop, tier: str, low: float, high: float) -> tuple[Mark, ...]:
    """The limit most places of the layer are held to, per tier."""
    marks: list[Mark] = []
    for name, row in zip(shop.tiers, limits, strict=True):
        known = row[np.isfinite(row)]
        if not len(known):
            continue
        held, counts = np.unique(known.round(6), return_counts=True)
        limit = float(held[counts.argmax()])
        x = (limit - low) / (high - low) * WIDTH
        if 0 <= x <= WIDTH:
            anchor = "end" if x > WIDTH * 0.7 else "start"
            text = f"{plain(name)} {number(limit, 'mm').removesuffix(' mm')}"
            marks.append(Mark(round(x, 2), plain(name), text, name == tier, 0, anchor))
    marks.sort(key=lambda mark: mark.x)
    return tuple(Mark(m.x, m.tier, m.text, m.chosen, n % 3, m.anchor) for n, m in enumerate(marks))


def _ticks(low: float, high: float) -> Iterator[tuple[float, str]]:
    span = high - low
    step = next(s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 1e9) if span / s <= 7)
    for n in range(int(np.ceil(low / step)), int(np.floor(high / step)) + 1):
        yield round((n * step - low) / span * WIDTH, 2), f"{n * step:.2f}"
