"""What the commands share: options, exit codes, plain failures, the report."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dfmcheck.ranges import COPPER, THICKNESS

if TYPE_CHECKING:
    from rich.console import Console

    from dfmcheck.capability import Shop
    from dfmcheck.judge.finding import Judgement
    from dfmcheck.measure.rule import Rule

EXIT_CODES = {"release": 0, "query": 10, "hold": 20}
EXIT_USAGE, EXIT_FAILURE = 2, 1
_SHOWN = 3  # findings per rule on the terminal unless --all
STATE = {"debug": False}


class FailOn(StrEnum):
    """The mildest verdict that gives an exit code other than 0."""

    QUERY = "query"
    HOLD = "hold"
    NEVER = "never"


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
SarifOption = Annotated[
    Path | None,
    typer.Option("--sarif", help="Write the report as SARIF 2.1.0; - is standard output."),
]
JunitOption = Annotated[
    Path | None,
    typer.Option("--junit", help="Write the report as JUnit XML; - is standard output."),
]
FailOnOption = Annotated[
    FailOn,
    typer.Option(
        "--fail-on",
        help="Mildest verdict with an exit code other than 0. A partial screen passes only "
        "with never.",
    ),
]
ThicknessOption = Annotated[
    float | None,
    typer.Option(
        "--thickness",
        min=THICKNESS[0],
        max=THICKNESS[1],
        help="Board thickness in mm, in place of what the data says.",
    ),
]
CopperOption = Annotated[
    float | None,
    typer.Option(
        "--copper", min=COPPER[0], max=COPPER[1], help="Finished copper in µm, on every layer."
    ),
]
RoleOption = Annotated[
    list[str] | None,
    typer.Option("--role", help="FILE=ROLE, e.g. in1.gbr=conductor-2. May be repeated."),
]
BoardOption = Annotated[
    str | None, typer.Option("--board", help="Prefix of the board meant, if there are several.")
]
WorkersOption = Annotated[
    int | None, typer.Option("--workers", min=1, help="Processes; one per core by default.")
]
QuietOption = Annotated[bool, typer.Option("--quiet", help="Print the verdict line only.")]
AllOption = Annotated[bool, typer.Option("--all", help="Print every finding.")]


def report(
    judgement: Judgement,
    rules: dict[str, Rule],
    shop: Shop,
    asked: Mapping[str, Path | None],
    *,
    place: Path | None = None,
    copper: float | None,
    quiet: bool,
    all_: bool,
    fail_on: FailOn = FailOn.QUERY,
) -> None:
    """Write the reports ``asked`` for by kind, print the rest, leave with the exit code.

    ``place`` is the package as the user named it, None where only a kept screening is known.
    """
    from dfmcheck.report.output import write

    def sarif() -> str:
        from dfmcheck.report.sarif import dumps

        return dumps(judgement, rules, place)

    def junit() -> str:
        from dfmcheck.report.junit import to_junit

        return to_junit(judgement, rules)

    def json() -> str:
        from dfmcheck.report.json_report import dumps

        return dumps(judgement)

    def csv() -> str:
        from dfmcheck.report.csv_report import to_csv

        return to_csv(judgement)

    def html() -> str:
        from dfmcheck.report.html import to_html

        return to_html(judgement, shop, rules, copper)

    makers: dict[str, Callable[[], str]] = {
        "json": json, "csv": csv, "html": html, "sarif": sarif, "junit": junit
    }  # fmt: skip
    for kind, path in asked.items():
        if path is not None:
            write(path, makers[kind]())
    if "-" not in map(str, asked.values()):
        from dfmcheck.report.terminal import print_verdict, render

        if quiet:
            print_verdict(judgement, console())
        else:
            render(judgement, console(), limit=None if all_ else _SHOWN, rules=rules)
    raise typer.Exit(exit_code(judgement, fail_on))


@contextmanager
def unopened_reports(asked: Mapping[str, Path | None], package: Path) -> Iterator[None]:
    """No report of an earlier run stays to be taken for one of this run; where the package
    cannot be opened, those forms that can tell it do."""
    from dfmcheck.errors import PackageError
    from dfmcheck.report.output import write, writing

    for path in asked.values():
        # not a link: /dev/stdout is one
        if path is not None and str(path) != "-" and path.is_file() and not path.is_symlink():
            with writing(path):
                path.unlink()
    try:
        yield
    except PackageError as error:
        from dfmcheck.report import junit, sarif

        for kind, made in (("sarif", sarif.unopened), ("junit", junit.unopened)):
            path = asked[kind]
            if path is not None:
                write(path, made(str(error), package.name))
        raise


def exit_code(judgement: Judgement, fail_on: FailOn) -> int:
    """The exit code of a verdict; where a milder one than its own is given, a partial screen
    says so on standard error, and does not pass unless the user wants nothing to fail."""
    code = EXIT_CODES[str(judgement.verdict)]
    if fail_on is FailOn.QUERY or code == 0 or (fail_on is FailOn.HOLD and code > 10):
        return code
    lacking = list(judgement.doubts)
    if not lacking:
        return 0
    from dfmcheck.report.text import plain

    more = f" (and {len(lacking) - 1} more)" if len(lacking) > 1 else ""
    passes = fail_on is FailOn.NEVER
    outcome = "it passes only because of --fail-on never" if passes else "so it does not pass"
    typer.echo(plain(f"partial screen, {outcome}: {lacking[0]}{more}"), err=True)
    return 0 if passes else code


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
