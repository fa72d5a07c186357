"""Tier economics and waivers on a terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.judge.finding import Blocker, Change, Judgement, ToReach, Waiver
from dfmcheck.report.look import INDENT, Heading, hanging, inset, mark
from dfmcheck.report.text import finite, pair, plain, plural

FEW = 12
"""So many changes are listed one by one; more are told by rule."""


def print_to_reach(judgement: Judgement, console: Console, limit: int | None) -> None:
    """Print what would have to change for the next tier down to take the board.

    ``limit`` None prints the same of every tier that does not take it.
    """
    shown = [item for item in judgement.to_reach if limit is None or item.next_down]
    for item in shown:
        console.print()
        remark = "worked out from the measurements"
        console.print(Heading(f"to fit tier {plain(item.tier)}", remark))
        if not item.changes:
            told = f"{', '.join(item.unknown)} was not measured far enough to tell"
            console.print(inset(Text(told)))
            continue
        places = f" at {plural(item.places, 'place')}" if item.places != item.changes else ""
        spots = "this spot" if item.changes == 1 else f"these {item.changes} spots"
        console.print(inset(Text(f"change {spots}{places} and tier {plain(item.tier)} takes it")))
        console.print(inset(_by_rule(item)))
        for blocker in item.blockers:
            if blocker.alone:
                told = f"settling {blocker.rule} alone brings the board to {plain(blocker.alone)}"
                console.print(hanging(mark("fits", console), Text(told)))
        if item.changes <= FEW or limit is None:
            console.print(inset(_changes(item.listed), INDENT + 2))
            if len(item.listed) < item.changes:
                more = plural(item.changes - len(item.listed), "more change")
                console.print(inset(Text(f"… {more}", "dim"), INDENT + 2))
        if item.unknown:
            told = f"{', '.join(item.unknown)} was not measured far enough to tell"
            console.print(hanging(mark("none", console), Text(told, "dim")))


def _by_rule(item: ToReach) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("rule", overflow="fold")
    table.add_column("changes", justify="right", no_wrap=True)
    table.add_column("places", justify="right", no_wrap=True)
    table.add_column("worst", justify="right", no_wrap=True)
    table.add_column("limit", justify="right", no_wrap=True)
    for blocker in item.blockers:
        worst, allowed = _against(blocker)
        table.add_row(blocker.rule, str(blocker.changes), str(blocker.places), worst, allowed)
    return table


def _changes(listed: tuple[Change, ...]) -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for justify in ("left", "left", "right", "right", "right", "right"):
        table.add_column(justify=justify, overflow="fold")
    for change in listed:
        at = "" if change.x is None or change.y is None else f"{change.x:.3f}, {change.y:.3f} mm"
        worst, allowed = _against(change)
        count = plural(change.places, "place") if change.places > 1 else ""
        table.add_row(change.rule, Text(plain(change.layer), "dim"), at, worst, f"to {allowed}",
                      Text(count, "dim"))  # fmt: skip
    return table


def _against(item: Blocker | Change) -> tuple[str, str]:
    return pair(finite(item.value), finite(item.limit), item.unit)


def print_waivers(judgement: Judgement, console: Console) -> None:
    """Print what is waived, by whom, and the waivers that do not count."""
    use = judgement.waivers
    if use is None:
        return
    console.print()
    where = plain(use.file) + (", found beside the package" if use.found else "")
    console.print(Heading("waived", where))
    count = {finding.fingerprint: finding.count for finding in judgement.findings}
    for waiver in use.used:
        text = _waiver(waiver)
        text.append(f"\n{plural(count[waiver.fingerprint], 'place')}", "dim")
        console.print(hanging(mark("waived", console), text))
    for waiver, why in use.unused:
        text = _waiver(waiver)
        text.append(f"\ndoes not count: {plain(why)}")
        console.print(hanging(mark("query", console), text))
    if not use.used and not use.unused:
        console.print(inset(Text("the file holds no waiver")))


def _waiver(waiver: Waiver) -> Text:
    text = Text.assemble((plain(waiver.rule), "bold"), f"  {plain(waiver.fingerprint)}  ")
    text.append(waived_words(waiver))
    return text


def waived_words(waiver: Waiver) -> str:
    """Who accepted a finding, when, until when and why.

    >>> import datetime
    >>> day = datetime.date(2026, 11, 25)
    >>> waived_words(Waiver("5f1d2c3b4a59", "etch.notch", "Test coupon", "M. Okafor", day))
    'by M. Okafor on 2026-11-25, without expiry: Test coupon'
    """
    until = f"until {waiver.expires}" if waiver.expires else "without expiry"
    return f"by {plain(waiver.name)} on {waiver.date}, {until}: {plain(waiver.reason)}"
