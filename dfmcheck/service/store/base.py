"""What both job stores share below their tables: transactions and the clock."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, TypeVar

from dfmcheck.service.model import Clock

Row = dict[str, Any]
T = TypeVar("T")

TABLES = (
    """CREATE TABLE IF NOT EXISTS clients (
        id {serial}, name TEXT NOT NULL UNIQUE, digest TEXT NOT NULL UNIQUE,
        created {real} NOT NULL, revoked {real}, rate BIGINT, max_bytes BIGINT, max_jobs BIGINT,
        served {real} NOT NULL DEFAULT 0)""",
    """CREATE TABLE IF NOT EXISTS jobs (
        seq {serial}, id TEXT NOT NULL UNIQUE, client BIGINT NOT NULL, state TEXT NOT NULL,
        shop TEXT NOT NULL, tier TEXT NOT NULL, name TEXT NOT NULL, size BIGINT NOT NULL,
        digest TEXT NOT NULL, options TEXT NOT NULL, repeat_key TEXT,
        created {real} NOT NULL, started {real}, finished {real},
        attempts BIGINT NOT NULL DEFAULT 0, token TEXT, lease_until {real}, worker TEXT,
        stage TEXT NOT NULL DEFAULT '', done BIGINT NOT NULL DEFAULT 0,
        total BIGINT NOT NULL DEFAULT 0, cancel BIGINT NOT NULL DEFAULT 0,
        reason TEXT NOT NULL DEFAULT '', kind TEXT NOT NULL DEFAULT '',
        verdict TEXT NOT NULL DEFAULT '', counts TEXT NOT NULL DEFAULT '{{}}',
        folder TEXT NOT NULL DEFAULT '', UNIQUE (client, repeat_key))""",
    "CREATE INDEX IF NOT EXISTS jobs_by_state ON jobs (state, seq)",
    "CREATE INDEX IF NOT EXISTS jobs_by_client ON jobs (client, seq)",
    "CREATE TABLE IF NOT EXISTS workers (name TEXT PRIMARY KEY, seen {real} NOT NULL)",
)


class Run(Protocol):
    """Runs one statement of a transaction; rows as dicts."""

    def __call__(self, sql: str, **values: Any) -> list[Row]: ...


class SqlBase:
    """Everything but the connection."""

    SKIP_LOCKED = ""
    """What follows the choice of a job, so that two workers never wait for one row."""
    ALONE = ""
    """A statement that makes submissions wait for each other, where writing does not anyway."""

    def __init__(self, clock: Clock | None) -> None:
        self._clock = clock

    def _do(self, body: Callable[[Run], T]) -> T:
        """Run a transaction; ``body`` may run twice where the connection broke."""
        raise NotImplementedError

    def _server_time(self, run: Run) -> float:
        raise NotImplementedError

    def _now(self, run: Run) -> float:
        return self._clock() if self._clock is not None else self._server_time(run)

    def now(self) -> float:
        return self._do(self._now)
