"""``dfmcheck explain`` and ``dfmcheck shops``: the rules and the limits shipped."""

from __future__ import annotations

from typing import Annotated

import typer

from dfmcheck.commands.common import (
    console,
    plain_failures,
)


def explain(
    rule: Annotated[
        str | None, typer.Argument(help="Rule id; without it all are listed.", show_default=False)
    ] = None,
) -> None:
    """Explain one rule: what is measured, why it matters, what to change, who may change it."""
    with plain_failures():
        from dfmcheck.errors import UsageError
        from dfmcheck.measure.rule import rules
        from dfmcheck.report import pages
        from dfmcheck.report.shop_limits import shipped_limits

        known = rules()
        if rule is None:
            pages.render_rule_list(known, console())
            return
        entry = known.get(rule.strip().lower())
        if entry is None:
            near = pages.suggest(rule, known)
            action = f"Did you mean {' or '.join(near)}?" if near else ""
            raise UsageError(
                f"'{rule}' is no rule",
                "a rule id",
                f"{action} `dfmcheck explain` lists all rules.".lstrip(),
            )
        pages.render_rule(entry, console(), shipped_limits().get(entry.id, ()))


def shops() -> None:
    """List the shop capability files that are shipped."""
    with plain_failures():
        from rich.table import Table
        from rich.text import Text

        from dfmcheck.capability import load_shop, shop_names
        from dfmcheck.report.look import inset

        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for heading in ("name", "shop", "tiers, least to most demanding"):
            table.add_column(heading, overflow="fold")
        for name in shop_names():
            loaded = load_shop(name)
            table.add_row(Text(name, "bold"), Text(loaded.title), Text(", ".join(loaded.tiers)))
        console().print(inset(table))
