"""``dfmcheck fleet``: screen a folder of packages into a data set."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    EXIT_CODES,
    CopperOption,
    ShopOption,
    TierOption,
    console,
    plain_failures,
)
from dfmcheck.ranges import THICKNESS


def fleet(
    folder: Annotated[
        Path,
        typer.Argument(
            help="Folder of packages, in folders of customers if there are any.",
            show_default=False,
        ),
    ],
    shop: ShopOption,
    out: Annotated[Path, typer.Option("--out", help="Folder of the data set.", show_default=False)],
    tier: TierOption = None,
    thickness: Annotated[
        float | None,
        typer.Option(
            "--thickness",
            min=THICKNESS[0],
            max=THICKNESS[1],
            help="Board thickness in mm of packages whose data does not say.",
        ),
    ] = None,
    copper: CopperOption = None,
    stated: Annotated[
        Path | None,
        typer.Option(
            "--stated",
            help="TOML file of what is stated of single packages: thickness, copper, board, roles, "
            "customer; dfmcheck-stated.toml in FOLDER if left out.",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="Processes here; one per core by default."),
    ] = None,
    scheduler: Annotated[
        str,
        typer.Option("--scheduler", help="Dask scheduler to use instead, as tcp://10.0.0.5:8786."),
    ] = "",
    shared: Annotated[
        bool,
        typer.Option("--shared", help="The scheduler's workers see FOLDER under the same path."),
    ] = False,
    send_limit: Annotated[
        int,
        typer.Option("--send-limit", min=1, help="Largest package sent to a remote worker, MB."),
    ] = 200,
    timeout: Annotated[
        float, typer.Option("--timeout", min=1.0, help="Seconds one package may take.")
    ] = 1800.0,
    memory: Annotated[
        int,
        typer.Option(
            "--memory", min=0, help="MB one package may take; 0 is its share of the machine."
        ),
    ] = 0,
    quiet: Annotated[
        bool, typer.Option("--quiet", help="Do not show how it goes; the summary stays.")
    ] = False,
) -> None:
    """Screen every package of a folder on many processes or machines, into a Parquet data set.

    Run again, it goes on where it stopped: what is done and unchanged is not
    screened again.

    Exit code 0 when every package was screened, whatever its verdict; 10 when
    one could not be.
    """
    with plain_failures():
        import os

        from rich.console import Console

        from dfmcheck.capability import load_shop
        from dfmcheck.fleet.display import Display
        from dfmcheck.fleet.run import LostError, Options, screen_fleet
        from dfmcheck.fleet.statements import Entry, find
        from dfmcheck.fleet.study import tier_of
        from dfmcheck.fleet.tasks import Limits

        shop_file = load_shop(shop)
        chosen = tier_of(shop_file, tier)
        statements = find(folder, stated, Entry(thickness=thickness, copper=copper))
        options = Options(
            workers=workers or os.cpu_count() or 1,
            scheduler=scheduler,
            shared=shared,
            most_sent=send_limit,
            limits=Limits(timeout, memory),
        )
        display = Display(console(), Console(stderr=True, highlight=False), quiet=quiet)
        try:
            with display:
                screen_fleet(folder, shop_file, chosen, out, options, display, statements)
        except KeyboardInterrupt:
            typer.echo("Stopped; what is done is kept. The same command goes on.", err=True)
            raise typer.Exit(EXIT_CODES["query"]) from None
        except LostError as error:
            typer.echo(f"{error}", err=True)
            raise typer.Exit(EXIT_CODES["query"]) from error
        display.summary(str(folder), shop, chosen, str(out))
        raise typer.Exit(EXIT_CODES["query"] if display.failures else 0)
