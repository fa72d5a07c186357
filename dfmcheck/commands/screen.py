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
    FailOn,
    FailOnOption,
    HtmlOption,
    JsonOption,
    JunitOption,
    PackageArg,
    QuietOption,
    RoleOption,
    SarifOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    WorkersOption,
    parsed_roles,
    plain_failures,
    report,
    unopened_reports,
)
from dfmcheck.commands.inputs import PicturesOption, WaiversOption, waivers_for, write_pictures


def screen(
    package: PackageArg,
    shop: ShopOption,
    tier: TierOption = None,
    json: JsonOption = None,
    csv: CsvOption = None,
    html: HtmlOption = None,
    sarif: SarifOption = None,
    junit: JunitOption = None,
    save: Annotated[
        Path | None, typer.Option("--save", help="Keep the measurements, to judge them again.")
    ] = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    role: RoleOption = None,
    board: BoardOption = None,
    workers: WorkersOption = None,
    waivers: WaiversOption = None,
    pictures: PicturesOption = None,
    voltages: Annotated[
        Path | None,
        typer.Option(
            "--voltages",
            help="TOML file with the peak volts of nets; spacing is then judged by voltage too.",
        ),
    ] = None,
    fail_on: FailOnOption = FailOn.QUERY,
    quiet: QuietOption = False,
    all_: AllOption = False,
) -> None:
    """Measure a package and judge it against a shop's limits."""
    with plain_failures():
        from dfmcheck.report.output import check_outputs, progress, writing

        asked = {"json": json, "csv": csv, "html": html, "sarif": sarif, "junit": junit}
        check_outputs(*asked.values(), save)
        if save is not None and str(save) == "-":
            from dfmcheck.errors import UsageError

            raise UsageError(
                "--save is given standard output (-)", "a file; what is kept is not text",
                "Give a path.",
            )  # fmt: skip
        roles = parsed_roles(role)
        from dfmcheck import screen as orchestrator
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge as judge_screening
        from dfmcheck.judge.judging import tier_of
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
        if tier is not None:
            tier_of(shop_file, tier)  # refused before all the measuring
        accepted = waivers_for(package, "", waivers)
        stated = None
        if voltages is not None:
            from dfmcheck.voltage_file import load_voltages

            stated = load_voltages(voltages)
        with unopened_reports(asked, package), progress(shown=not quiet) as tell:
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
            judgement,
            rules(),
            shop_file,
            asked,
            place=package,
            copper=copper,
            quiet=quiet,
            all_=all_,
            fail_on=fail_on,
        )
