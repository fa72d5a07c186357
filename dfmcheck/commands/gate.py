"""``dfmcheck gate``: several packages, one exit code, few lines; for hooks and pipelines."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dfmcheck.commands.common import (
    EXIT_CODES,
    CopperOption,
    FailOn,
    FailOnOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    WorkersOption,
    exit_code,
    plain_failures,
)

if TYPE_CHECKING:
    from dfmcheck.judge.finding import Judgement

_SHOWN = 5  # reasons per package


def gate(
    packages: Annotated[
        list[Path], typer.Argument(help="Zip, tar, folder or single file; several.", exists=True)
    ],
    shop: ShopOption,
    tier: TierOption = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    fail_on: FailOnOption = FailOn.QUERY,
    workers: WorkersOption = None,
) -> None:
    """Screen several packages and leave with the exit code of the worst.

    Prints a line of verdict for each, and why it is no release. Waivers beside
    a package count. A package that cannot be opened is a hold, whatever
    --fail-on says.
    """
    with plain_failures():
        from dfmcheck import screen as orchestrator
        from dfmcheck.capability import load_shop
        from dfmcheck.commands.inputs import waivers_for
        from dfmcheck.errors import PackageError
        from dfmcheck.judge import judge
        from dfmcheck.judge.judging import tier_of
        from dfmcheck.measure.rule import rules
        from dfmcheck.report.text import plain

        shop_file = load_shop(shop)
        tier_of(shop_file, tier)
        codes = [0]
        for package in packages:
            try:
                screening = orchestrator.screen(
                    package,
                    thickness=thickness,
                    copper_um=copper,
                    reach=shop_file.limit_reach(),
                    workers=workers,
                )
            except PackageError as error:
                typer.echo(f"HOLD     {plain(str(package))}\n  {plain(str(error))}")
                codes.append(EXIT_CODES["hold"])
                continue
            judgement = judge(
                screening,
                shop_file,
                tier=tier,
                thickness=thickness,
                copper_um=copper,
                rules=rules(),
                waivers=waivers_for(package, "", None),
            )
            _print(package, judgement, shop)
            codes.append(exit_code(judgement, fail_on))
        raise typer.Exit(max(codes))


def _print(package: Path, judgement: Judgement, shop: str) -> None:
    from dfmcheck.report.text import plain, plural, sentence

    verdict = str(judgement.verdict)
    head = f"{verdict.upper():8} {plain(str(package))}"
    typer.echo(f"{head}  (shop {judgement.shop}, tier {judgement.tier})")
    if verdict == "release":
        return
    for reason in judgement.reasons[:_SHOWN]:
        typer.echo(f"  {sentence(plain(reason))}")
    if len(judgement.reasons) > _SHOWN:
        more = plural(len(judgement.reasons) - _SHOWN, "more reason")
        typer.echo(f"  {more}: dfmcheck screen {plain(str(package))} --shop {plain(shop)}")
