"""``dfmcheck serve``, ``serve-worker`` and ``serve-clients``: the web service."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dfmcheck.commands.common import EXIT_FAILURE, plain_failures

if TYPE_CHECKING:
    from dfmcheck.service.model import JobStore
    from dfmcheck.service.settings import Settings

clients = typer.Typer(
    no_args_is_help=True, help="Add, list and revoke the clients of the web service."
)
DataOption = Annotated[
    str | None, typer.Option("--data", help="Folder for packages, results and the job store.")
]
StoreOption = Annotated[
    str | None,
    typer.Option("--store", help="postgresql://… address; SQLite in the data folder without it."),
]
ConfigOption = Annotated[
    Path | None, typer.Option("--config", help="TOML file of settings; see docs/service.md.")
]
WorkersOption = Annotated[
    int | None, typer.Option("--workers", help="Worker processes; 0 runs the web side alone.")
]


def serve(
    data: DataOption = None,
    host: Annotated[str | None, typer.Option("--host", help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option("--port", help="Port to listen on.")] = None,
    workers: WorkersOption = None,
    no_keys: Annotated[
        bool,
        typer.Option("--no-keys", help="Ask for no keys; only on this machine's own address."),
    ] = False,
    store: StoreOption = None,
    config: ConfigOption = None,
) -> None:
    """Screen packages that arrive over the web: pages for people, an interface for programs."""
    with plain_failures():
        settings = _settings(
            config, data=data, host=host, port=port, workers=workers, store=store,
            keys=False if no_keys else None,
        )  # fmt: skip
        with _Service():
            from dfmcheck.service.server import serve as run

            if settings.keys and not _store(settings).clients():
                typer.echo(
                    "No client has a key yet; make one: dfmcheck serve-clients add NAME "
                    f"--data {settings.data}",
                    err=True,
                )
            run(settings, lambda address: typer.echo(f"dfmcheck serves on {address}", err=True))


def serve_worker(
    data: DataOption = None, store: StoreOption = None, config: ConfigOption = None
) -> None:
    """Work on the jobs of a web service, beside or away from it."""
    with plain_failures():
        import os

        for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
            os.environ.setdefault(name, "1")
        settings = _settings(config, data=data, store=store)
        with _Service():
            from dfmcheck.service.logs import set_up
            from dfmcheck.service.worker import run_worker

            set_up()
            run_worker(settings)


@clients.command("add")
def add(
    name: Annotated[str, typer.Argument(help="A name for the client.", show_default=False)],
    rate: Annotated[int | None, typer.Option("--rate", min=1, help="Packages a minute.")] = None,
    max_mb: Annotated[
        float | None, typer.Option("--max-mb", min=0.001, help="Largest package, MB.")
    ] = None,
    max_jobs: Annotated[
        int | None, typer.Option("--max-jobs", min=1, help="Jobs waiting or running at a time.")
    ] = None,
    data: DataOption = None,
    store: StoreOption = None,
    config: ConfigOption = None,
) -> None:
    """Make a key for a client and print it, this once."""
    with plain_failures():
        settings = _settings(config, data=data, store=store)
        with _Service():
            from dfmcheck.errors import UsageError
            from dfmcheck.service.keys import LOCAL, digest, new_key
            from dfmcheck.service.settings import MB

            if not name.strip() or len(name) > 80 or not name.isprintable() or name == LOCAL:
                raise UsageError(
                    f"'{name}' cannot be a client's name",
                    f"up to 80 printable characters, not '{LOCAL}'",
                    "Choose another.",
                )
            key = new_key()
            _store(settings).add_client(
                name,
                digest(key),
                rate=rate,
                max_bytes=None if max_mb is None else int(max_mb * MB),
                max_jobs=max_jobs,
            )
            typer.echo(key)
            typer.echo(f"Key of '{name}'; only its digest is kept, so note it now.", err=True)


@clients.command("list")
def list_clients(
    data: DataOption = None, store: StoreOption = None, config: ConfigOption = None
) -> None:
    """List the clients with what they may use; in brackets what the service gives to all."""
    with plain_failures():
        settings = _settings(config, data=data, store=store)
        with _Service():
            from datetime import UTC, datetime

            from rich.table import Table

            from dfmcheck.commands.common import console
            from dfmcheck.service.keys import LOCAL

            def day(seconds: float | None) -> str:
                return "" if seconds is None else f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d}"

            table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
            for heading in ("name", "since", "revoked", "a minute", "MB", "jobs"):
                table.add_column(heading, overflow="fold")
            for client in _store(settings).clients():
                if client.name == LOCAL:
                    continue
                limits = (
                    (client.rate, settings.rate),
                    (client.max_bytes and client.max_bytes / 1e6, settings.max_upload_mb),
                    (client.max_jobs, settings.max_jobs),
                )
                may = [f"({all_:g})" if own is None else f"{own:g}" for own, all_ in limits]
                table.add_row(client.name, day(client.created), day(client.revoked), *may)
            console().print(table)


@clients.command("revoke")
def revoke(
    name: Annotated[str, typer.Argument(help="Name of the client.", show_default=False)],
    data: DataOption = None,
    store: StoreOption = None,
    config: ConfigOption = None,
) -> None:
    """End a client's key at once; what it sent stays until its time is over."""
    with plain_failures():
        settings = _settings(config, data=data, store=store)
        with _Service():
            from dfmcheck.errors import UsageError

            if not _store(settings).revoke_client(name):
                raise UsageError(
                    f"no client called '{name}' has a key",
                    "a client of this service",
                    "`dfmcheck serve-clients list` lists them.",
                )
            typer.echo(f"revoked the key of '{name}'")


def _settings(config: Path | None, **given: Any) -> Settings:
    from dfmcheck.service.settings import load

    return load(given, config)


def _store(settings: Settings) -> JobStore:
    from dfmcheck.service.folder import DataFolder
    from dfmcheck.service.store import open_store

    DataFolder.opened(settings.folder)
    return open_store(settings.store, settings.folder)


class _Service:
    """Says what is missing where the extra is not installed or the store is away."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        from dfmcheck.errors import UsageError
        from dfmcheck.service.model import Unavailable

        if isinstance(error, ModuleNotFoundError) and not str(error.name).startswith("dfmcheck"):
            raise UsageError(
                f"{error.name} is not installed",
                "the extra 'serve' for this command",
                "Run: pip install 'dfmcheck[serve]'.",
            ) from error
        if isinstance(error, Unavailable):
            typer.echo(f"{error}; check --store and the data folder.", err=True)
            raise typer.Exit(EXIT_FAILURE) from error
