"""One page per rule: what is measured, why it matters, what to change and who may change it.

The text comes from the rule entries alone, as Markdown for the documentation and on a terminal
for ``dfmcheck explain``.
"""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.measure.rule import Rule
from dfmcheck.report.look import Heading, inset
from dfmcheck.report.terminal_findings import STEP_WORDS
from dfmcheck.report.text import WHO, number, sentence
from dfmcheck.terms import Step, Weight

UNITS = {
    "mm": "millimetres (mm)",
    "1": "a ratio, without unit",
    "deg": "degrees",
    "count": "a count",
}

DIRECTIONS = {
    "at-least": "must not be below the limit",
    "at-most": "must not be above the limit",
}

ALLOWANCES = {
    "none": "",
    "ring": "The shop drills larger than the finished size by its allowance; half of it is taken "
    "off the value before judging (one hole wall moves).",
    "radius": "The shop drills larger than the finished size by its allowance; half of it is "
    "taken off the value before judging (one hole wall moves).",
    "wall": "The shop drills larger than the finished size by its allowance; all of it is taken "
    "off the value before judging (two holes grow towards each other).",
    "aspect": "The shop drills larger than the finished size by its allowance; the value is "
    "judged with the drilled diameter, finished size plus allowance.",
    "grown": "The shop drills larger than the finished size by its allowance; the drilled "
    "diameter is judged.",
    "foil": "The length in the data is divided by the thickness of the shop's stencil foil, and "
    "the ratio is judged.",
    "register": "Paste is printed off by the shop's register of the stencil anyway: a value below "
    "nought by no more than that is judged as nought.",
}

WEIGHTS = {
    Weight.NOTE: "note: it is reported and asks nothing",
    Weight.QUERY: "query: it can be built once someone has decided",
    Weight.HOLD: "hold: past the shop's most capable tier it cannot be built",
}
_DATA_HOLD = "hold: the data cannot be trusted as sent"


@dataclass(frozen=True, slots=True)
class ShopLimit:
    """The limits of one rule in one shop: (tier, value in the rule's unit) in tier order.

    ``condition`` is "" where the limits always hold.
    """

    shop: str
    condition: str
    values: tuple[tuple[str, float], ...]
    source: str = ""


_OPT_IN = "Only where the user gives what it needs; otherwise it does not count as lacking."


def entries(rule: Rule) -> list[tuple[str, str]]:
    """Heading and text of each part of the page, in reading order; empty parts are left out."""
    change = f"{sentence(rule.change)} {sentence(WHO[rule.who])}"
    parts = [
        (
            "What is looked for" if rule.step == Step.DATA else "What is measured",
            sentence(rule.quantity),
        ),
        ("When it is measured", _OPT_IN if rule.opt_in else ""),
        ("Unit and direction", _unit_and_direction(rule)),
        ("On the floor", sentence(rule.on_the_floor)),
        ("What to change", change),
        ("What front-end engineering may do", sentence(rule.front_end)),
        ("Allowance", ALLOWANCES[rule.allowance]),
        ("Heaviest outcome", f"{_heaviest(rule)}."),
        ("Source", sentence(rule.source)),
        ("Caution", sentence(rule.caution)),
    ]
    return [(heading, sentence(text)) for heading, text in parts if text]


def _heaviest(rule: Rule) -> str:
    if rule.step == Step.DATA and rule.weight == Weight.HOLD:
        return _DATA_HOLD
    return WEIGHTS[rule.weight]


def _unit_and_direction(rule: Rule) -> str:
    if rule.step == Step.DATA:
        return "No number and no limit: each one met in the data is a finding."
    return f"{UNITS.get(rule.unit, rule.unit)}; the value {DIRECTIONS[rule.direction]}."


def markdown(rule: Rule, limits: Sequence[ShopLimit] = ()) -> str:
    """The page as Markdown (CommonMark with a table), ending in a newline.

    Parameters
    ----------
    rule : Rule
    limits : sequence of ShopLimit
        Limits shown in a table; those of the shipped shops, or none.
    """
    lines = [f"# {rule.id}", "", f"Fabrication step: {rule.step} ({STEP_WORDS[rule.step]}).", ""]
    for heading, text in entries(rule):
        lines += [f"## {heading}", "", *_wrapped(text), ""]
    if limits:
        lines += ["## Limits of the shops shipped", "", *_limit_table(rule, limits), ""]
    return "\n".join(lines).rstrip("\n") + "\n"


def index(rules: Mapping[str, Rule]) -> str:
    """The page that lists all rules, by fabrication step."""
    lines = [
        "# Rules",
        "",
        "One page per rule, written from the rule entries by `docs/make_rule_pages.py`.",
        "",
    ]
    for step in Step:
        here = [rule for rule in rules.values() if rule.step == step]
        if not here:
            continue
        lines += [f"## {step}: {STEP_WORDS[step]}", "", "| rule | quantity |", "|---|---|"]
        lines += [f"| [{r.id}]({r.id}.md) | {_cell(r.quantity)} |" for r in here]
        lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"


def pages(rules: Mapping[str, Rule], limits: Mapping[str, Sequence[ShopLimit]]) -> dict[str, str]:
    """Text of every page by file name."""
    out = {"README.md": index(rules)}
    for id_, rule in rules.items():
        out[f"{id_}.md"] = markdown(rule, limits.get(id_, ()))
    return out


def write_pages(
    folder: Path, rules: Mapping[str, Rule], limits: Mapping[str, Sequence[ShopLimit]]
) -> list[Path]:
    """Write all pages into ``folder`` and remove pages of rules that are no more.

    Returns
    -------
    list of Path
        The files that were written or removed because they differed.
    """
    folder.mkdir(parents=True, exist_ok=True)
    changed = stale_pages(folder, rules, limits)
    wanted = pages(rules, limits)
    for path in changed:
        if path.name in wanted:
            path.write_text(wanted[path.name], encoding="utf-8", newline="\n")
        else:
            path.unlink()
    return changed


def stale_pages(
    folder: Path, rules: Mapping[str, Rule], limits: Mapping[str, Sequence[ShopLimit]]
) -> list[Path]:
    """Pages in ``folder`` that are missing, differ, or belong to no rule."""
    wanted = pages(rules, limits)
    stale = [
        folder / name
        for name, text in wanted.items()
        if not (folder / name).is_file() or (folder / name).read_text(encoding="utf-8") != text
    ]
    return stale + sorted(path for path in folder.glob("*.md") if path.name not in wanted)


def suggest(name: str, known: Iterable[str]) -> list[str]:
    """Rules a mistyped name may have meant, nearest first.

    Examples
    --------
    >>> suggest("etch.conductor-spacng", ["etch.conductor-spacing", "mask.web"])
    ['etch.conductor-spacing']
    >>> suggest("spacing", ["etch.conductor-spacing", "mask.web"])
    ['etch.conductor-spacing']
    """
    known = list(known)
    name = name.strip().lower()
    near = difflib.get_close_matches(name, known, n=3, cutoff=0.6)
    within = [id_ for id_ in known if name and name in id_]
    tails = {id_.partition(".")[2]: id_ for id_ in known}
    alike = [tails[t] for t in difflib.get_close_matches(name, tails, n=3, cutoff=0.6)]
    return list(dict.fromkeys(near + within + alike))[:3]


def render_rule(rule: Rule, console: Console, limits: Sequence[ShopLimit] = ()) -> None:
    """Print the page of one rule."""
    console.print(Heading(rule.id, f"{rule.step}: {STEP_WORDS[rule.step]}"))
    for heading, text in entries(rule):
        console.print(inset(Text.assemble((heading, "bold"))))
        console.print(inset(Text(text), 4))
    if limits:
        console.print(inset(Text.assemble(("Limits", "bold"))))
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for name in ("shop", "where", "limit by tier"):
            table.add_column(name, overflow="fold")
        last = ""
        for limit in limits:
            shop = limit.shop if limit.shop != last else ""
            last = limit.shop
            values = _values(rule, limit)
            table.add_row(Text(shop), Text(limit.condition or "everywhere"), Text(values))
        console.print(inset(table, 4))


def render_rule_list(rules: Mapping[str, Rule], console: Console) -> None:
    """Print all rules with one line each, along the fabrication steps."""
    width = max((len(id_) for id_ in rules), default=0)
    for n, step in enumerate(s for s in Step if any(r.step == s for r in rules.values())):
        if n:
            console.print()
        console.print(Heading(f"{step}: {STEP_WORDS[step]}"))
        table = Table.grid(padding=(0, 2, 0, 0))
        table.add_column(min_width=width, no_wrap=True)
        table.add_column()
        for rule in rules.values():
            if rule.step == step:
                table.add_row(rule.id, Text(rule.quantity, "dim"))
        console.print(inset(table))


def _limit_table(rule: Rule, limits: Sequence[ShopLimit]) -> list[str]:
    sourced = any(limit.source for limit in limits)
    head = "| shop | where | limit by tier |" + (" source |" if sourced else "")
    lines = [head, "|---|---|---|" + ("---|" if sourced else "")]
    for limit in limits:
        cells = [limit.shop, limit.condition or "everywhere", _values(rule, limit)]
        cells += [limit.source] if sourced else []
        lines.append("| " + " | ".join(map(_cell, cells)) + " |")
    return lines


def _values(rule: Rule, limit: ShopLimit) -> str:
    return ", ".join(f"{tier} {number(value, rule.unit)}" for tier, value in limit.values)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, 96, break_long_words=False, break_on_hyphens=False)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")
