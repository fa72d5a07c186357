"""``dfmcheck compare``: what changed between two revisions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dfmcheck.commands.common import (
    EXIT_CODES,
    AllOption,
    CopperOption,
    JsonOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    WorkersOption,
    console,
    plain_failures,
)
from dfmcheck.commands.inputs import WaiversOption, screening_of, waivers_for

if TYPE_CHECKING:
    from dfmcheck.judge.revision import Revision


def compare(
    old: Annotated[
        Path, typer.Argument(help="Package or kept screening.", exists=True, show_default=False)
    ],
    new: Annotated[
        Path, typer.Argument(help="Package or kept screening.", exists=True, show_default=False)
    ],
    shop: ShopOption,
    tier: TierOption = None,
    json: JsonOption = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write the comparison as one HTML file.")
    ] = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    waivers: WaiversOption = None,
    workers: WorkersOption = None,
    all_: AllOption = False,
) -> None:
    """Tell which findings are new, gone, moved, worse or better, and what changed in the artwork.

    Exit code 0 when nothing is new or worse, 10 when a query is, 20 when a hold
    is; what is waived does not count.
    """
    with plain_failures():
        from dfmcheck.report.output import check_outputs, write

        check_outputs(json, html)
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge
        from dfmcheck.judge.revision import compare_revisions
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
        given = [waivers_for(path, "", waivers) for path in (old, new)]
        judged = []
        for path, accepted in zip((old, new), given, strict=True):
            screening = screening_of(
                path, shop_file, thickness=thickness, copper=copper, workers=workers
            )
            judged.append(
                judge(
                    screening,
                    shop_file,
                    tier=tier,
                    thickness=thickness,
                    copper_um=copper,
                    rules=rules(),
                    waivers=accepted,
                )
            )
        revision = compare_revisions(judged[0], judged[1], rules())
        if json is not None:
            from dfmcheck.report.revision_json import dumps

            write(json, dumps(revision))
        if html is not None:
            from dfmcheck.report.revision_html import to_html

            write(html, to_html(revision))
        if "-" not in (str(json), str(html)):
            from dfmcheck.report.terminal_revision import render_revision

            render_revision(revision, console(), limit=None if all_ else 5)
        raise typer.Exit(EXIT_CODES[_verdict(revision)])


def _verdict(revision: Revision) -> str:
    """The worst of what is new or worse and not waived."""
    past = {
        change.finding.severity
        for change in revision.findings
        if change.state in ("new", "worse") and change.finding.waived is None
    }
    return "hold" if "hold" in past else "query" if "query" in past else "release"
