"""``dfmcheck judge``: judge what was measured before."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    AllOption,
    CopperOption,
    CsvOption,
    HtmlOption,
    JsonOption,
    QuietOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    plain_failures,
    report,
)
from dfmcheck.commands.inputs import PicturesOption, WaiversOption, waivers_for, write_pictures


def judge(
    screening: Annotated[
        Path,
        typer.Argument(
            help="File written by screen --save.", exists=True, dir_okay=False, show_default=False
        ),
    ],
    shop: ShopOption,
    tier: TierOption = None,
    json: JsonOption = None,
    csv: CsvOption = None,
    html: HtmlOption = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    waivers: WaiversOption = None,
    pictures: PicturesOption = None,
    quiet: QuietOption = False,
    all_: AllOption = False,
) -> None:
    """Judge a saved screening again, for another shop, tier, thickness or copper."""
    with plain_failures():
        from dfmcheck.report.output import check_outputs

        check_outputs(json, csv, html)
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge as judge_screening
        from dfmcheck.measure import store
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
        kept = store.load(screening)
        judgement = judge_screening(
            kept,
            shop_file,
            tier=tier,
            thickness=thickness,
            copper_um=copper,
            rules=rules(),
            waivers=waivers_for(screening, kept.package, waivers),
        )
        write_pictures(judgement, pictures)
        report(
            judgement, rules(), json, csv, html, shop_file, copper=copper, quiet=quiet, all_=all_
        )
