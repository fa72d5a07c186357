"""``dfmcheck judge``: judge what was measured before."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    AllOption,
    CopperOption,
    CsvOption,
    FailOn,
    FailOnOption,
    HtmlOption,
    JsonOption,
    JunitOption,
    QuietOption,
    SarifOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    plain_failures,
    report,
    unopened_reports,
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
    sarif: SarifOption = None,
    junit: JunitOption = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    waivers: WaiversOption = None,
    pictures: PicturesOption = None,
    fail_on: FailOnOption = FailOn.QUERY,
    quiet: QuietOption = False,
    all_: AllOption = False,
) -> None:
    """Judge a saved screening again, for another shop, tier, thickness or copper."""
    with plain_failures():
        from dfmcheck.report.output import check_outputs

        asked = {"json": json, "csv": csv, "html": html, "sarif": sarif, "junit": junit}
        check_outputs(*asked.values())
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge as judge_screening
        from dfmcheck.measure import store
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
        with unopened_reports(asked, screening):
            kept = store.load(screening, drawing=html is not None or pictures is not None)
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
            judgement,
            rules(),
            shop_file,
            asked,
            copper=copper,
            quiet=quiet,
            all_=all_,
            fail_on=fail_on,
        )
