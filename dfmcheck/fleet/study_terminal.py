"""A study on a terminal: shares, what limits cost, commonest findings, customers, failures."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from dfmcheck.fleet.costs import Cost
from dfmcheck.fleet.dataset import FAILURES
from dfmcheck.fleet.study import VERDICTS, KeptBy, Study
from dfmcheck.fleet.study_words import (
    HOLDS_HELP,
    NOT_COUNTED,
    TIER_HELP,
    customer,
    headline,
    kept_by,
    moved,
    share,
    unopened,
    value,
)
from dfmcheck.report.look import STYLES, Heading, ascii_only, hanging, inset, mark
from dfmcheck.report.text import CAUTION, plain, plural

_BAR = 30
_SENTENCES = 3
_WIDE = 110  # columns from which nothing is left out
_STEPS = ("-20%", "-10%", "+10%", "+20%", "+30%", "+40%", "+50%")
_LOOSER = 5
_WORDS = (
    "rule", "customer", "tier", "commonest", "severity", "quantity", "limit", "fact", "without it"
)  # fmt: skip


def render(
    study: Study, console: Console, *, limit: int | None = 12, swept: Sequence[str] = ()
) -> None:
    """Print all answers; lists are cut at ``limit`` lines, None prints all. ``swept`` are rules
    whose values the user gave: they have tables of their own."""
    remark = f"shop {plain(study.shop)}, tier {plain(study.tier)}"
    console.print(Heading(plural(study.jobs, "package"), remark))
    _verdicts(study, console)
    _tiers(study, console)
    held = plural(study.held_by.jobs, "job")
    _costs(
        study.holds, study.held_by, "hold", f"what holds {held}", HOLDS_HELP, console, limit, swept
    )  # fmt: skip
    out = plural(study.kept_out_by.jobs, "job")
    _costs(
        study.tier_costs, study.kept_out_by, "tier",
        f"what keeps {out} out of tier {plain(study.tier)}", TIER_HELP, console, limit, swept,
    )  # fmt: skip
    _common(study, console, limit)
    _customers(study, console, limit)
    _doubts(study, console, limit)
    _facts(study, console)
    _failures(study, console, limit)
    console.print()
    console.print(inset(Text(CAUTION, "italic")))


def _table(*headings: str, gap: int = 2) -> Table:
    """The first column is text, so is the last where its heading says so; others are numbers."""
    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="dim")
    for n, heading in enumerate(headings):
        text = heading in _WORDS
        table.add_column(
            heading, justify="left" if text else "right", no_wrap=n == 0 or not text,
            overflow="fold",
        )  # fmt: skip
    return table


def _bar(part: int, whole: int, kind: str, console: Console) -> Text:
    length = round(_BAR * part / whole) if whole else 0
    return Text(("#" if ascii_only(console) else "█") * (length or bool(part)), STYLES[kind])


def _verdicts(study: Study, console: Console) -> None:
    grid = Table.grid(padding=(0, 2, 0, 0))
    for _ in range(5):
        grid.add_column(no_wrap=True)
    for name in VERDICTS:
        count = study.verdicts[name]
        grid.add_row(
            mark(name, console), name, f"{count:>6}", f"{share(count, study.jobs):>6}",
            _bar(count, study.jobs, name, console),
        )  # fmt: skip
    if study.not_screened:
        grid.add_row(
            mark("none", console), "not screened", f"{study.not_screened:>6}",
            f"{share(study.not_screened, study.jobs):>6}", "",
        )  # fmt: skip
    console.print(inset(grid))
    if study.unopened:
        console.print(inset(Text(f"{unopened(study)}", "dim")))
    if study.doubted:
        words = f"{plural(study.doubted, 'job')} not wholly measured: at least a query each"
        console.print(inset(Text(words, "dim")))


def _tiers(study: Study, console: Console) -> None:
    console.print()
    console.print(Heading("fit to each tier", "by what was measured; faults of the data apart"))
    table = _table("tier", "takes", "share", "first to take")
    for one in study.tier_shares:
        table.add_row(
            Text(plain(one.tier), "bold" if one.tier == study.tier else ""), str(one.takes),
            share(one.takes, study.jobs), str(one.first),
        )  # fmt: skip
    table.add_row("none", str(study.no_tier), share(study.no_tier, study.jobs), "")
    console.print(inset(table))


def _costs(
    costs: Sequence[Cost], kept: KeptBy, question: str, title: str, words: str, console: Console,
    limit: int | None, swept: Sequence[str],
) -> None:  # fmt: skip
    if not costs:
        return
    console.print()
    console.print(Heading(title, NOT_COUNTED))
    if kept.jobs:
        console.print(inset(Text(kept_by(kept))))
    said = [text for cost in costs if (text := headline(cost, question))]
    for text in said[:_SENTENCES]:
        console.print(hanging(mark("fits", console), text))
    usual = [cost for cost in costs if cost.rule not in swept]
    if usual:
        _usual(usual, question, console, limit)
    for cost in costs:
        if cost.rule in swept:
            cells = ", ".join(f"{value(cost, m.value)} {moved(m)}" for m in cost.moves)
            lead = f"{cost.rule}{f' ({cost.condition})' if cost.condition else ''}"
            tried = cells or "none of the values given is looser"
            text = f"{lead} at {value(cost, cost.value)}, tier {plain(cost.tier)}: {tried}"
            console.print(hanging(mark("limit", console), text))
    console.print(inset(Text(words, "dim")))


def _usual(costs: Sequence[Cost], question: str, console: Console, limit: int | None) -> None:
    narrow = console.width < _WIDE
    steps = [n for n, name in enumerate(_STEPS) if not (narrow and name in ("-20%", "+40%"))]
    if question == "hold":
        steps = [n for n in steps if _STEPS[n].startswith("+")]
    table = _table(
        "limit", "now", "alone", "shared", *(_STEPS[n] for n in steps), gap=1 if narrow else 2
    )
    first = len(_STEPS) - _LOOSER if question == "hold" else 0  # no tighter ones are tried
    for cost in costs[:limit]:
        name = Text(cost.rule)
        if cost.condition:
            name.append(f"\n  {plain(cost.condition)}", "dim")
        table.add_row(
            name, value(cost, cost.value), str(cost.alone), str(cost.shared),
            *(_cell(moved(cost.moves[n - first]) if cost.moves else "") for n in steps),
        )  # fmt: skip
    console.print(inset(table))
    _more(len(costs), limit, console)
    tighter = "" if question == "hold" else ", -10% that much tighter"
    console.print(inset(Text(f"+10%: at a limit that much looser{tighter}", "dim")))


def _cell(text: str) -> Text:
    style = "bold" if text.startswith("+") else "dim" if text == "·" else ""
    return Text(text, style)


def _common(study: Study, console: Console, limit: int | None) -> None:
    console.print()
    console.print(Heading("commonest findings", "jobs that have one"))
    table = _table("rule", "severity", "jobs", "share", "places", "quantity")
    for one in study.common[:limit]:
        table.add_row(
            Text(one.rule, "bold"), Text.assemble(mark(one.severity, console), f" {one.severity}"),
            str(one.jobs), share(one.jobs, study.jobs), str(one.places),
            Text(plain(one.quantity), "dim"),
        )  # fmt: skip
    console.print(inset(table))
    _more(len(study.common), limit, console)


def _customers(study: Study, console: Console, limit: int | None) -> None:
    console.print()
    console.print(Heading("customers", "folders below the one screened"))
    extra = ("not screened",) if study.not_screened else ()
    narrow = console.width < _WIDE
    share_ = () if narrow else ("released",)
    table = _table(
        "customer", "jobs", *VERDICTS, *share_, *extra, "commonest", gap=1 if narrow else 2
    )  # fmt: skip
    table.columns[0].no_wrap = False
    table.columns[-1].no_wrap = True
    for row in study.customers[:limit]:
        table.add_row(
            Text(customer(row.customer), "bold"), str(row.jobs),
            *(str(row.verdicts[name]) for name in VERDICTS),
            *((share(row.verdicts["release"], row.jobs),) if share_ else ()),
            *((str(row.not_screened),) if extra else ()),
            Text("\n".join(f"{rule} {jobs}" for rule, jobs in row.commonest), "dim"),
        )  # fmt: skip
    console.print(inset(table))
    _more(len(study.customers), limit, console)


def _doubts(study: Study, console: Console, limit: int | None) -> None:
    if not study.doubts:
        return
    console.print()
    console.print(Heading("not wholly measured", plural(study.doubted, "job")))
    for reason, jobs in study.doubts[: None if limit is None else 5]:
        console.print(hanging(f"{jobs:>5}", plain(reason)))
    _more(len(study.doubts), None if limit is None else 5, console)


def _facts(study: Study, console: Console) -> None:
    if not any(one.missing or one.stated for one in study.facts):
        return
    console.print()
    console.print(
        Heading("what the data does not say", "state it with fleet --thickness, --copper, --stated")
    )
    table = _table("fact", "in the data", "stated", "missing", "without it")
    for one in study.facts:
        table.add_row(
            Text(one.fact, "bold"), str(one.data), str(one.stated), str(one.missing),
            Text(plain(one.without), "dim"),
        )  # fmt: skip
    console.print(inset(table))


def _failures(study: Study, console: Console, limit: int | None) -> None:
    if not study.failures:
        return
    console.print()
    console.print(Heading("packages without measurements", str(len(study.failures))))
    for one in study.failures[:limit]:
        text = Text.assemble(
            (plain(one.package), "bold"), f"  {FAILURES.get(one.state, one.state)}: "
            f"{plain(one.reason)}",
        )  # fmt: skip
        console.print(hanging(mark("none", console), text))
    _more(len(study.failures), limit, console)


def _more(count: int, limit: int | None, console: Console) -> None:
    if limit is not None and count > limit:
        console.print(inset(Text(f"… {count - limit} more; --all lists them", "dim")))
