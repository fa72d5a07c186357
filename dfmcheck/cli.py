"""The command line. Only typer is imported here, so that ``--help`` answers at once.

Exit codes: 0 release, 10 query, 20 hold (also a package that cannot be opened), 2 wrong usage,
1 failure of the tool itself.
"""

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

    from dfmcheck.judge.finding import Judgement
    from dfmcheck.measure.rule import Rule

EXIT_CODES = {"release": 0, "query": 10, "hold": 20}
EXIT_USAGE, EXIT_FAILURE = 2, 1
_SHOWN = 3  # findings per rule on the terminal unless --all

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Screens bare-board fabrication data: what will fail, at which step, where, by how much, "
    "and what has to change.",
    epilog="Exit codes: 0 release, 10 query, 20 hold, 2 wrong usage, 1 failure of the tool.",
)
_state = {"debug": False}

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


def main() -> None:
    """Entry point of the ``dfmcheck`` command."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="replace")  # a terminal without µ must not end the run
    app(prog_name="dfmcheck")


def _version(asked: bool) -> None:
    if asked:
        from dfmcheck import __version__

        typer.echo(f"dfmcheck {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    debug: Annotated[
        bool, typer.Option("--debug", help="Show the traceback of a failure of the tool.")
    ] = False,
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    _state["debug"] = debug


@app.command()
def inspect(
    package: PackageArg,
    role: RoleOption = None,
    board: BoardOption = None,
) -> None:
    """Show how each file is recognised, and why; measure nothing.

    Exit code 0 when every file is clear, 10 when one is in doubt, 20 when data is missing or
    cannot be read.
    """
    with _plain_failures():
        from dfmcheck import screen as orchestrator
        from dfmcheck.report.terminal_inspect import render_inspect
        from dfmcheck.terms import Weight

        screening = orchestrator.inspect(package, roles=_roles(role), board=board)
        render_inspect(screening, _console())
        weights = [defect.weight for defect in screening.defects]
        weights += [Weight.QUERY for assumption in screening.assumptions if assumption.doubtful]
        worst = max(weights, default=Weight.NOTE)
        verdict = {Weight.HOLD: "hold", Weight.QUERY: "query"}.get(worst, "release")
        raise typer.Exit(EXIT_CODES[verdict])


@app.command()
def screen(
    package: PackageArg,
    shop: ShopOption,
    tier: TierOption = None,
    json: JsonOption = None,
    csv: CsvOption = None,
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
    quiet: QuietOption = False,
    all_: AllOption = False,
) -> None:
    """Measure a package and judge it against a shop's limits."""
    with _plain_failures():
        from dfmcheck.report.output import check_outputs, progress, writing

        check_outputs(json, csv, save)
        roles = _roles(role)
        from dfmcheck import screen as orchestrator
        from dfmcheck.capability import load_shop
        from dfmcheck.judge import judge as judge_screening
        from dfmcheck.measure.rule import rules

        shop_file = load_shop(shop)
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
            )
        if save is not None:
            from dfmcheck.measure import store

            with writing(save):
                store.save(screening, save)
        judgement = judge_screening(
            screening, shop_file, tier=tier, thickness=thickness, copper_um=copper, rules=rules()
        )
        _report(judgement, rules(), json, csv, quiet=quiet, all_=all_)


@app.command()
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
    with _plain_failures():
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
        _report(judgement, rules(), json, csv, quiet=quiet, all_=all_)


@app.command()
def explain(
    rule: Annotated[
        str | None, typer.Argument(help="Rule id; without it all are listed.", show_default=False)
    ] = None,
) -> None:
    """Explain one rule: what is measured, why it matters, what to change, who may change it."""
    with _plain_failures():
        from dfmcheck.errors import UsageError
        from dfmcheck.measure.rule import rules
        from dfmcheck.report import pages
        from dfmcheck.report.shop_limits import shipped_limits

        known = rules()
        if rule is None:
            pages.render_rule_list(known, _console())
            return
        entry = known.get(rule.strip().lower())
        if entry is None:
            near = pages.suggest(rule, known)
            action = f"Did you mean {' or '.join(near)}?" if near else ""
            raise UsageError(
                f"'{rule}' is no rule",
                "a rule id",
                f"{action} `dfmcheck explain` lists all rules.".lstrip(),
            )
        pages.render_rule(entry, _console(), shipped_limits().get(entry.id, ()))


@app.command()
def shops() -> None:
    """List the shop capability files that are shipped."""
    with _plain_failures():
        from rich.table import Table
        from rich.text import Text

        from dfmcheck.capability import load_shop, shop_names
        from dfmcheck.report.look import inset

        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        for heading in ("name", "shop", "tiers, least to most demanding"):
            table.add_column(heading, overflow="fold")
        for name in shop_names():
            loaded = load_shop(name)
            table.add_row(Text(name, "bold"), Text(loaded.title), Text(", ".join(loaded.tiers)))
        _console().print(inset(table))


def _report(
    judgement: Judgement,
    rules: dict[str, Rule],
    json: Path | None,
    csv: Path | None,
    *,
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
    if "-" not in (str(json), str(csv)):
        from dfmcheck.report.terminal import print_verdict, render

        if quiet:
            print_verdict(judgement, _console())
        else:
            render(judgement, _console(), limit=None if all_ else _SHOWN, rules=rules)
    raise typer.Exit(EXIT_CODES[str(judgement.verdict)])


def _roles(given: list[str] | None) -> dict[str, str]:
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
def _plain_failures() -> Iterator[None]:
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

    if _state["debug"]:
        import traceback

        typer.echo("".join(traceback.format_exception(error)).rstrip(), err=True)
    typer.echo(plain(sentence), err=True)
    raise typer.Exit(code) from error


def _console() -> Console:
    from rich.console import Console

    # piped output keeps lines whole enough for grep; COLUMNS still rules
    width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else 120
    return Console(highlight=False, width=width)


if __name__ == "__main__":
    main()
