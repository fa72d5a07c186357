"""``dfmcheck inspect``: what is in the package."""

from __future__ import annotations

import typer

from dfmcheck.commands.common import (
    EXIT_CODES,
    BoardOption,
    PackageArg,
    RoleOption,
    console,
    parsed_roles,
    plain_failures,
)


def inspect(
    package: PackageArg,
    role: RoleOption = None,
    board: BoardOption = None,
) -> None:
    """Show how each file is recognised, and why; measure nothing.

    Exit code 0 when every file is clear, 10 when one is in doubt, 20 when data
    is missing or cannot be read.
    """
    with plain_failures():
        from dfmcheck import screen as orchestrator
        from dfmcheck.report.terminal_inspect import render_inspect
        from dfmcheck.terms import Weight

        screening = orchestrator.inspect(package, roles=parsed_roles(role), board=board)
        render_inspect(screening, console())
        weights = [defect.weight for defect in screening.defects]
        weights += [Weight.QUERY for assumption in screening.assumptions if assumption.doubtful]
        worst = max(weights, default=Weight.NOTE)
        verdict = {Weight.HOLD: "hold", Weight.QUERY: "query"}.get(worst, "release")
        raise typer.Exit(EXIT_CODES[verdict])
