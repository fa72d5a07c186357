"""``dfmcheck letter``: the engineering query to the customer."""

from __future__ import annotations

import datetime
import sys
from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    CopperOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    plain_failures,
)
from dfmcheck.commands.inputs import EitherArg, WaiversOption, screening_of, waivers_for


def letter(
    screening: EitherArg,
    shop: ShopOption,
    tier: TierOption = None,
    markdown: Annotated[
        Path | None,
        typer.Option("--markdown", help="Write Markdown, its pictures in a folder beside it."),
    ] = None,
    html: Annotated[
        Path | None, typer.Option("--html", help="Write one HTML file, pictures inside.")
    ] = None,
    pdf: Annotated[
        Path | None, typer.Option("--pdf", help="Write PDF (needs the extra dfmcheck[pdf]).")
    ] = None,
    to: Annotated[str, typer.Option("--to", help="Whom it goes to.")] = "",
    sender: Annotated[str, typer.Option("--from", help="Who signs it.")] = "",
    reference: Annotated[str, typer.Option("--reference", help="The order it is about.")] = "",
    until: Annotated[
        str | None, typer.Option("--until", help="Day an answer is awaited by, as 2026-12-01.")
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="Day of the letter; today if left out.")
    ] = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    waivers: WaiversOption = None,
) -> None:
    """Write the questions that the data leaves to the customer, in plain words.

    Without --markdown, --html or --pdf the letter is printed as Markdown.
    """
    with plain_failures():
        from dfmcheck.report.output import check_outputs, write, writing

        check_outputs(markdown, html, pdf)
        days = [_day("--until", until), _day("--date", date)]
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge
        from dfmcheck.measure.rule import rules
        from dfmcheck.report.letter import compose
        from dfmcheck.report.letter.render import save_shots, to_html, to_markdown

        shop_file = load_shop(shop)
        kept = screening_of(screening, shop_file, thickness=thickness, copper=copper)
        judgement = judge(
            kept,
            shop_file,
            tier=tier,
            thickness=thickness,
            copper_um=copper,
            rules=rules(),
            waivers=waivers_for(screening, kept.package, waivers),
        )
        text = compose(
            judgement,
            shop_file,
            rules(),
            date=days[1] or datetime.date.today(),
            to=to,
            sender=sender,
            reference=reference,
            until=days[0],
        )
        if not text.pictured:
            typer.echo(
                "the screening keeps no drawing of the board, so the letter has no pictures; "
                "screen the package again with --save",
                err=True,
            )
        if html is not None:
            write(html, to_html(text))
        if pdf is not None:
            from dfmcheck.report.letter.pdf import to_pdf

            content = to_pdf(text)
            with writing(pdf):
                if str(pdf) == "-":
                    sys.stdout.buffer.write(content)
                else:
                    pdf.write_bytes(content)
        if markdown is not None and str(markdown) != "-":
            folder = markdown.with_name(markdown.stem + "-pictures")
            shown = any(question.shots for question in text.questions)
            write(markdown, to_markdown(text, folder.name if shown else ""))
            if shown:
                with writing(folder):
                    save_shots(text, folder)
        elif markdown is not None or (html is None and pdf is None):
            write(Path("-"), to_markdown(text))


def _day(option: str, text: str | None) -> datetime.date | None:
    from dfmcheck.errors import UsageError

    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"{option} {text}", "a day, as 2026-12-01", "Write year, month and day."
        ) from error
