"""``dfmcheck study``: what a data set of packages tells about a shop and its limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dfmcheck.commands.common import (
    AllOption,
    JsonOption,
    ShopOption,
    TierOption,
    console,
    plain_failures,
)

if TYPE_CHECKING:
    from dfmcheck.fleet.costs import Moves


def study(
    dataset: Annotated[
        Path, typer.Argument(help="Data set written by fleet.", exists=True, show_default=False)
    ],
    shop: ShopOption,
    tier: TierOption = None,
    sweep: Annotated[
        list[str] | None,
        typer.Option(
            "--sweep",
            help="RULE=VALUE,VALUE,… tries these limits (mm, or the rule's unit). May be repeated.",
        ),
    ] = None,
    json: JsonOption = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write the study as one HTML file with charts.")
    ] = None,
    all_: AllOption = False,
) -> None:
    """Judge all packages of a data set for a shop, and tell what each of its limits costs.

    No artwork is read: any shop may be asked about as soon as its packages are
    screened once.
    """
    with plain_failures():
        from dfmcheck.report.output import check_outputs, write

        check_outputs(json, html)
        moves = _moves(sweep or [])
        from dfmcheck.capability import load_shop
        from dfmcheck.fleet import study as studies
        from dfmcheck.measure.rule import rules

        answers = studies.study(dataset, load_shop(shop), rules(), tier=tier, moves=moves)
        if json is not None:
            from dfmcheck.fleet.study_json import dumps

            write(json, dumps(answers))
        if html is not None:
            from dfmcheck.fleet.study_html import to_html

            write(html, to_html(answers))
        if "-" not in (str(json), str(html)):
            from dfmcheck.fleet.study_terminal import render

            render(answers, console(), limit=None if all_ else 12, swept=tuple(moves))


def _moves(given: list[str]) -> Moves:
    """``RULE=VALUE,…`` options; UsageError names the one that is wrong."""
    from dfmcheck.errors import UsageError

    out: dict[str, list[float]] = {}
    for text in given:
        rule, equals, values = text.partition("=")
        try:
            numbers = [float(value) for value in values.split(",")]
        except ValueError:
            numbers = []
        sound = bool(numbers) and all(0 <= number <= 1e6 for number in numbers)
        if not equals or not rule or not sound:
            raise UsageError(
                f"--sweep {text}",
                "RULE=VALUE,VALUE,… with values from zero up",
                "Write for example --sweep etch.conductor-spacing=0.09,0.08.",
            )
        out.setdefault(rule.strip(), []).extend(numbers)
    return out
