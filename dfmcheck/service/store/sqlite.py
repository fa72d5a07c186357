"""The job store in one SQLite file: nothing else to run."""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dfmcheck.service.model import Clock, Unavailable
from dfmcheck.service.store.base import TABLES, Row, Run, T
from dfmcheck.service.store.sql import SqlStore

_PATIENCE_S = 30.0


class SqliteStore(SqlStore):
    """Jobs in a SQLite file in WAL mode, on a disk of this machine.

    Every commit is synced to the disk (``synchronous=FULL``).
    """

    def __init__(self, file: Path, clock: Clock | None = None) -> None:
        super().__init__(clock)
        self._file = file
        self._idle: list[sqlite3.Connection] = []
        self._lock = threading.Lock()
        try:  # the log files beside it take over its rights
            os.close(os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
        except FileExistsError:
            pass  # not opened here: to close it would let go the locks of this process on it
        except OSError as error:
            raise Unavailable(f"the store cannot be opened ({error.strerror})") from error
        for table in TABLES:
            sql = table.format(serial="INTEGER PRIMARY KEY AUTOINCREMENT", real="REAL")
            self._do(lambda run, sql=sql: run(sql))  # type: ignore[misc]

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(
            self._file, timeout=_PATIENCE_S, isolation_level=None, check_same_thread=False
        )
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA secure_delete = ON")  # a deleted name is not left in the file
        return connection

    def _do(self, body: Callable[[Run], T]) -> T:
        try:
            with self._lock:
                connection = self._idle.pop() if self._idle else None
            connection = connection or self._connect()
        except sqlite3.Error as error:
            raise Unavailable(f"the store cannot be opened ({type(error).__name__})") from error

        def run(sql: str, **values: Any) -> list[Row]:
            return [dict(row) for row in connection.execute(sql, values)]

        try:
            # One writer at a time anyway: to wait at the start is better than to fail half way.
            connection.execute("BEGIN IMMEDIATE")
            result = body(run)
            connection.execute("COMMIT")
        except BaseException as error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            if isinstance(error, sqlite3.OperationalError):
                connection.close()
                raise Unavailable(f"the store does not answer ({error})") from error
            self._keep(connection)
            raise
        self._keep(connection)
        return result

    def _keep(self, connection: sqlite3.Connection) -> None:
        with self._lock:
            self._idle.append(connection)

    def _server_time(self, run: Run) -> float:
        return time.time()

    def close(self) -> None:
        with self._lock:
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()
