"""Runs one server: the web side, its workers and the janitor."""

from __future__ import annotations

import errno
import logging
import os
import signal
import socket
import ssl
from collections.abc import Callable

import uvicorn

from dfmcheck.errors import UsageError
from dfmcheck.service.app import create_app
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.janitor import Janitor
from dfmcheck.service.logs import set_up
from dfmcheck.service.settings import Settings
from dfmcheck.service.shops import Shops
from dfmcheck.service.store import open_store
from dfmcheck.service.supervisor import Supervisor

LOG = logging.getLogger("dfmcheck.service")


def serve(settings: Settings, ready: Callable[[str], None]) -> None:
    """Serve until SIGTERM or SIGINT; ``ready`` is told the address once it listens.

    Raises
    ------
    UsageError
        A setting, the address, the data folder or a shop file does not fit.
    Unavailable
        The store does not answer.
    """
    os.umask(0o077)
    folder = DataFolder.opened(settings.folder)
    store = open_store(settings.store, settings.folder)
    Shops(settings.shops).known  # noqa: B018 - a wrong shop file is told before anything starts
    _check_tls(settings)
    app = create_app(settings, store, folder)
    sockets = _listening(settings)
    ready(_address(settings, sockets[0]))
    set_up()
    supervisor = Supervisor(settings)
    janitor = Janitor(store, folder, settings)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            http="h11",  # the one with a bound on headers, whatever else is installed
            ws="none",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_keep_alive=15,
            timeout_graceful_shutdown=20,
            limit_concurrency=500,
            h11_max_incomplete_event_size=32_768,
            ssl_certfile=settings.tls_certificate or None,
            ssl_keyfile=settings.tls_key or None,
        )
    )

    def leave(*_: object) -> None:
        server.should_exit = True

    # The web server raises the signal that ended it once more; the rest has to end in order.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, leave)
    supervisor.start()
    janitor.start()
    try:
        server.run(sockets)
    finally:
        supervisor.stop()
        janitor.stop()
        store.close()


def _listening(settings: Settings) -> list[socket.socket]:
    """Sockets on every address the host stands for."""
    out: list[socket.socket] = []
    port = settings.port
    try:
        found = socket.getaddrinfo(settings.host, port, type=socket.SOCK_STREAM)
        for family, _, _, _, address in dict.fromkeys(found):
            place = (address[0], port, *address[2:])
            try:
                out.append(socket.create_server(place, family=family, backlog=2048))
            except OSError as error:
                if error.errno != errno.EADDRNOTAVAIL or len(found) == 1:
                    raise
                continue  # localhost also stands for ::1, which not every machine has
            port = out[0].getsockname()[1]  # one that was left open is the same on all
        if not out:
            raise OSError(errno.EADDRNOTAVAIL, os.strerror(errno.EADDRNOTAVAIL))
    except OSError as error:
        for opened in out:
            opened.close()
        number = error.errno or 0  # a name that is not found has one below zero
        why = os.strerror(number) if number > 0 else error.strerror or str(error)
        raise UsageError(
            f"nothing can listen on {settings.host}, port {settings.port} ({why})",
            "an address of this machine and a free port",
            "Give another host or port.",
        ) from error
    return out


def _address(settings: Settings, opened: socket.socket) -> str:
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    scheme = "https" if settings.tls_certificate else "http"
    return f"{scheme}://{host}:{opened.getsockname()[1]}"


def _check_tls(settings: Settings) -> None:
    if not settings.tls_certificate:
        return
    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(settings.tls_certificate, settings.tls_key)
    except OSError as error:
        raise UsageError(
            f"tls_certificate and tls_key cannot be used ({error.strerror or error})",
            "a certificate chain and the private key that fits it, both PEM",
            "Correct them.",
        ) from error
