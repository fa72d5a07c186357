"""The job store in PostgreSQL, for several servers and workers on one queue."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from typing import Any

import psycopg
from psycopg.rows import dict_row

from dfmcheck.service.model import Clock, Unavailable
from dfmcheck.service.store.base import TABLES, Row, Run, T
from dfmcheck.service.store.sql import SqlStore

_NAMED = re.compile(r":([a-z_]+)")
_SETUP, _SUBMIT = 0x64666D01, 0x64666D02  # names of our advisory locks
Connection = psycopg.Connection[Row]


class PostgresStore(SqlStore):
    """Jobs in PostgreSQL (12 or later), read committed, row locks with SKIP LOCKED.

    A connection that broke, as when the server was restarted, is replaced once per call.
    """

    SKIP_LOCKED = "FOR UPDATE OF j SKIP LOCKED"
    ALONE = f"SELECT pg_advisory_xact_lock({_SUBMIT})"

    def __init__(self, address: str, clock: Clock | None = None) -> None:
        super().__init__(clock)
        self._address = address
        self._idle: list[Connection] = []
        self._lock = threading.Lock()

        def tables(run: Run) -> None:
            run(f"SELECT pg_advisory_xact_lock({_SETUP})")  # IF NOT EXISTS alone may race
            for table in TABLES:
                run(table.format(serial="BIGSERIAL PRIMARY KEY", real="DOUBLE PRECISION"))

        self._do(tables)

    def _connect(self) -> Connection:
        try:
            return psycopg.connect(self._address, row_factory=dict_row, connect_timeout=10)
        except psycopg.OperationalError as error:
            # The message may hold the address, and that a password.
            raise Unavailable("the database does not answer") from error

    def _do(self, body: Callable[[Run], T]) -> T:
        with self._lock:
            connection = self._idle.pop() if self._idle else None
        if connection is not None:
            try:
                return self._transaction(connection, body)
            except Unavailable:
                self.close()  # the others are as old
        return self._transaction(self._connect(), body)

    def _transaction(self, connection: Connection, body: Callable[[Run], T]) -> T:
        def run(sql: str, **values: Any) -> list[Row]:
            named = _NAMED.sub(r"%(\1)s", sql)
            cursor = connection.execute(named, values)
            return cursor.fetchall() if cursor.description else []

        try:
            with connection.transaction():
                result = body(run)
        except (psycopg.OperationalError, psycopg.InterfaceError) as error:
            connection.close()
            raise Unavailable("the database does not answer") from error
        except BaseException:
            self._keep(connection)
            raise
        self._keep(connection)
        return result

    def _keep(self, connection: Connection) -> None:
        with self._lock:
            if not connection.closed:
                self._idle.append(connection)

    def _server_time(self, run: Run) -> float:
        return float(run("SELECT extract(epoch FROM clock_timestamp()) AS t")[0]["t"])

    def close(self) -> None:
        with self._lock:
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()
