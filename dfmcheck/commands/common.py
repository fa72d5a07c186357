"""What the commands share: options, exit codes, plain failures, the report."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from dfmcheck.capability import Shop
    from dfmcheck.judge.finding import Judgement
    from dfmcheck.measure.rule import Rule

EXIT_CODES = {"release": 0, "query": 10, "hold": 20}
EXIT_USAGE, EXIT_FAILURE = 2, 1
_SHOWN = 3  # findings per rule on the terminal unless --all
STATE = {"debug": False}

PackageArg = Annotated[
    Path, typer.Argument(help="Zip, tar, folder or single file.", exists=True, show_default=False)
]
ShopOption = Annotated[
    str,
    typer.Option("--shop", help="Shipped shop (see: shops) or a TOML file.", show_default=False),
]
TierOption = Annotated[
    str | None,
    typer.Option("--tier", help="Tier to judge against; the shop's own default if left out."),
]
JsonOption = Annotated[
    Path | None, typer.Option("--json", help="Write the report as JSON; - is standard output.")
]
CsvOption = Annotated[
    Path | None, typer.Option("--csv", help="Write the findings as CSV; - is standard output.")
]
HtmlOption = Annotated[
    Path | None,
    typer.Option("--html", help="Write the report as one HTML file, with the board drawn."),
]
ThicknessOption = Annotated[
    float | None,
    typer.Option("--thickness", min=0.05, max=20.0, help="Board thickness in mm, if not in data."),
]
CopperOption = Annotated[
    float | None,
    typer.Option("--copper", min=1.0, max=1000.0, help="Outer copper thickness in µm."),
]
RoleOption = Annotated[
    list[str] | None,
    typer.Option("--role", help="FILE=ROLE, e.g. in1.gbr=conductor-2. May be repeated."),
]
BoardOption = Annotated[
    str | None, typer.Option("--board", help="Prefix of the board meant, if there are several.")
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print the verdict line only.")]
AllOption = Annotated[bool, typer.Option("--all", help="Print every finding.")]


def report(
    judgement: Judgement,
    rules: dict[str, Rule],
    json: Path | None,
    csv: Path | None,
    html: Path | None,
    shop: Shop,
    *,
    copper: float | None,
    quiet: bool,
    all_: bool,
) -> None:
    """Write what was asked for, print the rest, leave with the verdict's exit code."""
    from dfmcheck.report.output import write

    if json is not None:
        from dfmcheck.report.json_report import dumps

        write(json, dumps(judgement))
    if csv is not None:
        from dfmcheck.report.csv_report import to_csv

        write(csv, to_csv(judgement))
    if html is not None:
        from dfmcheck.report.html import to_html

        write(html, to_html(judgement, shop, rules, copper))
    if "-" not in (str(json), str(csv), str(html)):
        from dfmcheck.report.terminal import print_verdict, render

        if quiet:
            print_verdict(judgement, console())
        else:
            render(judgement, console(), limit=None if all_ else _SHOWN, rules=rules)
    raise typer.Exit(EXIT_CODES[str(judgement.verdict)])


def parsed_roles(given: list[str] | None) -> dict[str, str]:
    """``FILE=ROLE`` options as a mapping; UsageError names the one that is wrong."""
    from dfmcheck.errors import UsageError
    from dfmcheck.terms import Role

    out: dict[str, str] = {}
    for text in given or []:
        file, equals, role = text.rpartition("=")
        if not equals or not file:
            raise UsageError(
                f"--role {text}", "FILE=ROLE", "Write for example --role in1.gbr=conductor-2."
            )
        try:
            out[file] = str(Role.parse(role))
        except ValueError as error:
            raise UsageError(f"--role {text}", "a known role", f"{error}.") from error
    return out


@contextmanager
def plain_failures() -> Iterator[None]:
    """One sentence on standard error and the right exit code in place of a traceback."""
    from dfmcheck.errors import PackageError, UsageError

    try:
        yield
    except (typer.Exit, typer.Abort, BrokenPipeError):
        raise
    except UsageError as error:
        _fail(str(error), EXIT_USAGE, error)
    except PackageError as error:
        _fail(str(error), EXIT_CODES["hold"], error)
    except Exception as error:
        told = " ".join(str(error).split())
        reason = f"{type(error).__name__}: {told}" if told else type(error).__name__
        _fail(
            f"dfmcheck failed ({reason}); this is an error of the tool, not of the data. "
            "Run `dfmcheck --debug …` with the same arguments to see the traceback.",
            EXIT_FAILURE,
            error,
        )


def _fail(sentence: str, code: int, error: Exception) -> None:
    from dfmcheck.report.text import plain

    if STATE["debug"]:
        import traceback

        typer.echo("".join(traceback.format_exception(error)).rstrip(), err=True)
    typer.echo(plain(sentence), err=True)
    raise typer.Exit(code) from error


def console() -> Console:
    from rich.console import Console

    # piped output keeps lines whole enough for grep; COLUMNS still rules
    width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else 120
    return Console(highlight=False, width=width)
