"""``dfmcheck nets``: what is connected to what."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dfmcheck.commands.common import (
    EXIT_CODES,
    AllOption,
    BoardOption,
    PackageArg,
    RoleOption,
    WorkersOption,
    console,
    parsed_roles,
    plain_failures,
)


def nets(
    package: PackageArg,
    net: Annotated[
        str | None, typer.Option("--net", help="Show this net only, at length.", show_default=False)
    ] = None,
    json: Annotated[
        Path | None, typer.Option("--json", help="Write the list as JSON; - is standard output.")
    ] = None,
    role: RoleOption = None,
    board: BoardOption = None,
    workers: WorkersOption = None,
    all_: AllOption = False,
) -> None:
    """List the nets of the copper: pins, holes, copper on each layer, narrowest place.

    Exit code 0 when copper and stated nets agree, or none are stated; 10 when
    they leave a question, 20 when a net is open or nets are joined.
    """
    with plain_failures():
        from dfmcheck.report.output import check_outputs, progress, write

        check_outputs(json)
        from dfmcheck.board.net_listing import list_nets, net_problems
        from dfmcheck.errors import UsageError
        from dfmcheck.report import json_nets, terminal_nets
        from dfmcheck.terms import Weight

        roles = parsed_roles(role)
        with progress(shown=True) as tell:
            model, rows = list_nets(
                package, roles=roles, board=board, only=net, workers=workers, progress=tell
            )
        if net is not None and not rows:
            raise UsageError(
                f"no net is called '{net}'", "the name of a net",
                "`dfmcheck nets PACKAGE --all` lists all names.",
            )  # fmt: skip
        problems = net_problems(model, rows if net is not None else None)
        if json is not None:
            write(json, json_nets.dumps(model, rows, problems))
        if str(json) != "-":
            if net is None:
                terminal_nets.render_nets(model, rows, problems, console(), all_=all_)
            for row in rows if net is not None else ():
                terminal_nets.render_net(model, row, problems, console())
        worst = max((defect.weight for defect in problems), default=Weight.NOTE)
        raise typer.Exit(
            EXIT_CODES[{Weight.HOLD: "hold", Weight.QUERY: "query"}.get(worst, "release")]
        )
