"""``dfmcheck screen``: measure and judge."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    AllOption,
    BoardOption,
    CopperOption,
    CsvOption,
    HtmlOption,
    JsonOption,
    PackageArg,
    QuietOption,
    RoleOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    parsed_roles,
    plain_failures,
    report,
)
from dfmcheck.commands.inputs import PicturesOption, WaiversOption, waivers_for, write_pictures


def screen(
    package: PackageArg,
    shop: ShopOption,
    tier: TierOption = None,
    json: JsonOption = None,
    csv: CsvOption = None,
    html: HtmlOption = None,
    save: Annotated[
        Path | None, typer.Option("--save", help="Keep the measurements, to judge them again.")
    ] = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    role: RoleOption = None,
    board: BoardOption = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; one per core by default.")
    ] = None,
    waivers: WaiversOption = None,
    pictures: PicturesOption = None,
    voltages: Annotated[
        Path | None,
        typer.Option(
            "--voltages",
            help="TOML file with the peak volts of nets; spacing is then judged by voltage too.",
        ),
    ] = None,
    quiet: QuietOption = False,
    all_: AllOption = False,
) -> None:
    """Measure a package and judge it against a shop's limits."""
    with plain_failures():
        from dfmcheck.report.output import check_outputs, progress, writing

        check_outputs(json, csv, html, save)
        roles = parsed_roles(role)
        from dfmcheck import screen as orchestrator
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge as judge_screening
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
        accepted = waivers_for(package, "", waivers)
        stated = None
        if voltages is not None:
            from dfmcheck.voltage_file import load_voltages

            stated = load_voltages(voltages)
        with progress(shown=not quiet) as tell:
            screening = orchestrator.screen(
                package,
                roles=roles,
                board=board,
                thickness=thickness,
                copper_um=copper,
                reach=shop_file.limit_reach(),
                workers=workers,
                progress=tell,
                drawing=any(place is not None for place in (save, html, pictures)),
                voltages=stated,
            )
        if save is not None:
            from dfmcheck.measure import store

            with writing(save):
                store.save(screening, save)
        judgement = judge_screening(
            screening,
            shop_file,
            tier=tier,
            thickness=thickness,
            copper_um=copper,
            rules=rules(),
            waivers=accepted,
        )
        write_pictures(judgement, pictures)
        report(
            judgement, rules(), json, csv, html, shop_file, copper=copper, quiet=quiet, all_=all_
        )
