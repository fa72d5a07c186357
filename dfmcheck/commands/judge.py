"""``dfmcheck judge``: judge what was measured before."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    AllOption,
    CopperOption,
    CsvOption,
    JsonOption,
    QuietOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    plain_failures,
    report,
)


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
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    quiet: QuietOption = False,
    all_: AllOption = False,
) -> None:
    """Judge a saved screening again, for another shop, tier, thickness or copper."""
    with plain_failures():
        from dfmcheck.report.output import check_outputs

        check_outputs(json, csv)
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge as judge_screening
        from dfmcheck.measure import store
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
        judgement = judge_screening(
            store.load(screening),
            shop_file,
            tier=tier,
            thickness=thickness,
            copper_um=copper,
            rules=rules(),
        )
        report(judgement, rules(), json, csv, quiet=quiet, all_=all_)
