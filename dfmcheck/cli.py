"""The command line. Only typer is imported here, so that ``--help`` answers at once.

Exit codes: 0 release, 10 query, 20 hold (also a package that cannot be opened), 2 wrong usage,
1 failure of the tool itself.
"""

from __future__ import annotations

import atexit
import gc
import os
import sys
from typing import Annotated

import typer

from dfmcheck.commands import (
    compare,
    explain,
    fleet,
    gate,
    inspect,
    judge,
    letter,
    nets,
    screen,
    serve,
    study,
    waive,
    watch,
)
from dfmcheck.commands.common import STATE

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Screens bare-board fabrication data: what will fail, at which step, where, by how much, "
    "and what has to change.",
    epilog="Exit codes: 0 release, 10 query, 20 hold, 2 wrong usage, 1 failure of the tool.",
)


def main() -> None:
    """Entry point of the ``dfmcheck`` command."""
    # loading modules leaves no garbage, yet the collector would go through all of them many
    # times, and once more on the way out: a tenth of a short command
    gc.set_threshold(200_000, 20, 20)
    atexit.register(gc.freeze)
    # threads for the products of large matrices, of which there are none here
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # looking for plug-ins of the schema library reads the metadata of all installed packages
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
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
    STATE["debug"] = debug


app.command("inspect")(inspect.inspect)
app.command("screen")(screen.screen)
app.command("judge")(judge.judge)
app.command("explain")(explain.explain)
app.command("shops")(explain.shops)
app.command("waive")(waive.waive)
app.command("compare")(compare.compare)
app.command("letter")(letter.letter)
app.command("nets")(nets.nets)
app.command("fleet")(fleet.fleet)
app.command("study")(study.study)
app.command("serve")(serve.serve)
app.command("serve-worker")(serve.serve_worker)
app.add_typer(serve.clients, name="serve-clients")
app.command("gate")(gate.gate)
app.command("watch")(watch.watch)

if __name__ == "__main__":
    main()
