"""``dfmcheck watch``: screen what arrives in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    EXIT_FAILURE,
    CopperOption,
    ShopOption,
    ThicknessOption,
    TierOption,
    WorkersOption,
    plain_failures,
)


def watch(
    folder: Annotated[
        Path,
        typer.Argument(
            help="Where packages arrive: files, and folders of files.",
            exists=True,
            file_okay=False,
            show_default=False,
        ),
    ],
    shop: ShopOption,
    out: Annotated[
        Path, typer.Option("--out", help="Where results and packages go.", show_default=False)
    ],
    tier: TierOption = None,
    thickness: ThicknessOption = None,
    copper: CopperOption = None,
    once: Annotated[
        bool, typer.Option("--once", help="Deal with what is there, and leave.")
    ] = False,
    settle: Annotated[
        float,
        typer.Option("--settle", min=0.0, help="Seconds without a change: it has arrived."),
    ] = 5.0,
    every: Annotated[
        float, typer.Option("--every", min=0.1, help="Seconds between looks into the folder.")
    ] = 2.0,
    time_limit: Annotated[
        float, typer.Option("--time-limit", min=1.0, help="Seconds one screen may take.")
    ] = 900.0,
    memory_limit: Annotated[
        int, typer.Option("--memory-limit", min=100, help="Memory one screen may use, MB.")
    ] = 4000,
    workers: WorkersOption = None,
) -> None:
    """Screen every package that arrives in a folder, and sort it by verdict.

    A result is complete before its package is moved; a package is screened
    once, whatever ends the watch. It leaves on SIGTERM or SIGINT with exit code
    0. With --once the exit code is 1 when a package was put aside or could not
    be dealt with.
    """
    with plain_failures():
        import datetime
        import os
        import signal

        from dfmcheck.watching.watch import Settings, Watch

        asked: list[int] = []
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda received, frame: asked.append(received))

        def tell(line: str) -> None:
            now = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            typer.echo(f"{now} {line}")

        settings = Settings(
            shop=shop,
            tier=tier,
            thickness=thickness,
            copper=copper,
            workers=workers or os.cpu_count() or 1,
            time_limit=time_limit,
            memory_limit=memory_limit,
            settle=settle,
            every=every,
        )
        watching = Watch(folder, out, settings, tell, lambda: bool(asked))
        watching.run(once=once)
        if asked:
            tell("stopped")
        elif watching.failed:
            raise typer.Exit(EXIT_FAILURE)
