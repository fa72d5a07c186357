"""Runs one server: the web side, its workers and the janitor."""

from __future__ import annotations

import logging
import os
import signal

import uvicorn

from dfmcheck.service.app import create_app
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.janitor import Janitor
from dfmcheck.service.logs import set_up
from dfmcheck.service.settings import Settings
from dfmcheck.service.shops import Shops
from dfmcheck.service.store import open_store
from dfmcheck.service.supervisor import Supervisor

LOG = logging.getLogger("dfmcheck.service")


def serve(settings: Settings) -> None:
    """Serve until SIGTERM or SIGINT.

    Raises
    ------
    UsageError
        A setting, the data folder or a shop file does not fit.
    Unavailable
        The store does not answer.
    """
    os.umask(0o077)
    folder = DataFolder.opened(settings.folder)
    store = open_store(settings.store, settings.folder)
    assert Shops(settings.shops).known  # a wrong shop file is told before anything starts
    app = create_app(settings, store, folder)
    set_up()
    supervisor = Supervisor(settings)
    janitor = Janitor(store, folder, settings)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            host=settings.host,
            port=settings.port,
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
    # The web server raises the signal that ended it once more; the rest has to end in order.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: None)
    supervisor.start()
    janitor.start()
    try:
        server.run()
    finally:
        supervisor.stop()
        janitor.stop()
        store.close()
