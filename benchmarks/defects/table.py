"""The score as a page of Markdown: a table per rule, and a word on every miss."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from benchmarks.defects.plant import PRESENCE, SIZES
from benchmarks.defects.planters import planters
from benchmarks.defects.score import Result
from dfmcheck.measure.rule import rules

NOTES = Path(__file__).parent / "explanations.toml"
"""Why a kind of plant is missed, or brings a finding that is not the plant, by its name."""


def page(results: Sequence[Result], seed: int, repeats: int, whole: bool = True) -> list[str]:
    """The page's lines. ``whole``: all kinds were tried, so a rule not there has no plant."""
    sound = [r for r in results if not r.error]
    boards = sorted({r.board for r in sound})
    past = [r for r in sound if r.past]
    inside = [r for r in sound if not r.past]
    missed = [r for r in sound if r.missed]
    flagged = [r for r in sound if r.false]
    out = [
        "# Planted defects",
        "",
        "One known defect at a time is written into the drawing records of an open board, the",
        "whole package is screened, and what is found is held against what was planted. The true",
        "value is reckoned in closed form from the numbers written into the file, never by the",
        "measuring that is being scored. Limits are those of `benchmarks/defects/shop.toml`, which",
        "lie just below what the boards themselves keep to. Where a rule looks at a whole layer,",
        "the board or a netlist, that file is drawn anew, and only the rule itself is scored.",
        "",
        "```sh",
        f"python -m benchmarks.defects --seed {seed} --repeats {repeats} \\",
        f"    --boards {' '.join(boards)}",
        "```",
        "",
        f"{len(sound)} plants of {len({r.planter for r in sound})} kinds for "
        f"{len({r.rule for r in sound})} rules on {len(boards)} boards "
        f"({', '.join(boards)}).",
        "",
        f"- past the limit: {len(past)}, found {len(past) - len(missed)}, missed {len(missed)}",
        f"- inside the limit, or harmless: {len(inside)}, of which "
        f"{sum(1 for r in inside if r.false)} brought a finding",
        f"- plants with a finding that is neither the plant nor one the board had before: "
        f"{len(flagged)}",
        f"- findings of the board's own that a plant gave another value: "
        f"{sum(r.shifted for r in sound)}",
        *_exact([r for r in past if r.caught]),
        "",
        "*False* counts findings that are neither the plant, nor what the plant causes besides,",
        "nor the board's own. A finding of the board's own whose value the plant changes, as it",
        "changes a feature of the board, stays the board's own if the change accounts for it.",
        "Where a file's coordinate grid is coarser than 1.5 µm its rounding",
        'is not held against a board, so there "2 µm past" means 2 µm past that rounding.',
        "",
        "## By rule",
        "",
        "| rule | boards | past | found | missed | inside | false | value off, median / most | "
        "place off, median / most |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|",
        *_by(sound, lambda r: r.rule),
        "",
        "Value in µm (ratios: thousandths; angles: thousandths of a degree). Place in µm, from the",
        "middle of the measured line to the place planted; where a gap is as narrow along some",
        "length (to 0.1 µm), any place along it is right.",
        "",
        "## By distance from the limit",
        "",
        "| size | plants | found | false |",
        "|---|--:|--:|--:|",
    ]
    for size in (*SIZES, *PRESENCE):
        mine = [r for r in sound if r.size == size]
        if mine:
            found = sum(r.caught for r in mine) if mine[0].past else "—"
            out.append(f"| {size} | {len(mine)} | {found} | {sum(len(r.false) for r in mine)} |")
    kinds = planters()
    out += ["", "## By kind of plant", "", "| kind | rule | what is planted | past | found | inside"
            " | false |", "|---|---|---|--:|--:|--:|--:|"]  # fmt: skip
    for name, mine in _grouped(sound, lambda r: r.planter):
        says = kinds[name].says if name in kinds else ""
        out.append(
            f"| {name} | {mine[0].rule} | {says} | {sum(r.past for r in mine)} | "
            f"{sum(r.caught for r in mine)} | {sum(not r.past for r in mine)} | "
            f"{sum(len(r.false) for r in mine)} |"
        )
    notes = tomllib.loads(NOTES.read_text()) if NOTES.exists() else {}
    out += ["", "## Misses", ""]
    out += _told(missed, notes.get("missed", {})) or ["None."]
    out += ["", "## Findings that are not the plant", ""]
    out += _told(flagged, notes.get("false", {})) or ["None."]
    off = [r for r in sound if r.caught and (r.position_error or 0.0) > 0.01]
    out += ["", "## Places more than 10 µm off", ""]
    out += _told(off, notes.get("place", {})) or ["None."]
    bare = sorted(rules().keys() - {r.rule for r in sound})
    if whole:
        out += ["", "## Rules without a plant", "", ", ".join(bare) + "." if bare else "None."]
    broken = [r for r in results if r.error]
    if broken:
        out += ["", f"{len(broken)} plants could not be scored (errors)."]
    return out


def _exact(caught: Sequence[Result]) -> list[str]:
    """How many of the found ones have the right value, and the right place."""
    known = rules()
    value = [
        abs(r.measured - r.truth)
        for r in caught
        if r.measured is not None and r.truth is not None and known[r.rule].unit == "mm"
    ]
    place = [r.position_error for r in caught if r.position_error is not None]
    return [
        f"- length told within 1 µm: {sum(v <= 0.001 for v in value)} of {len(value)} found",
        f"- place told within 10 µm: {sum(p <= 0.01 for p in place)} of {len(place)} found",
    ]


def _grouped(
    results: Iterable[Result], key: Callable[[Result], str]
) -> list[tuple[str, list[Result]]]:
    groups: dict[str, list[Result]] = defaultdict(list)
    for r in results:
        groups[key(r)].append(r)
    return sorted(groups.items())


def _by(results: Sequence[Result], key: Callable[[Result], str]) -> list[str]:
    out = []
    for name, mine in _grouped(results, key):
        value = [
            abs(r.measured - r.truth) * 1000
            for r in mine
            if r.caught and r.measured is not None and r.truth is not None
        ]
        place = [r.position_error * 1000 for r in mine if r.caught and r.position_error is not None]
        out.append(
            f"| {name} | {len({r.board for r in mine})} | {sum(r.past for r in mine)} | "
            f"{sum(r.caught for r in mine)} | {sum(r.missed for r in mine)} | "
            f"{sum(not r.past for r in mine)} | {sum(len(r.false) for r in mine)} | "
            f"{_spread(value, 2)} | {_spread(place, 0)} |"
        )
    return out


def _spread(values: list[float], digits: int) -> str:
    if not values:
        return "—"
    return f"{np.median(values):.{digits}f} / {max(values):.{digits}f}"


def _told(results: Sequence[Result], notes: dict[str, str]) -> list[str]:
    out = []
    for r in sorted(results, key=lambda r: (r.rule, r.planter, r.board, r.number)):
        truth = "" if r.truth is None else f", true value {r.truth:.4f}"
        if r.caught and (r.position_error or 0.0) > 0.01:
            truth += f", {1000 * (r.position_error or 0.0):.0f} µm off"
        what = "; ".join(text.split(":")[0] for text in r.false[:3])
        more = f" ({what})" if what else ""
        one = f"{r.board}/{r.planter}/{r.number}"
        why = notes.get(one) or notes.get(r.planter) or "not explained yet"
        out.append(f"- `{one}` {r.size}{truth}{more}: {why}")
    return out
