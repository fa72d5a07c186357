"""The job store: :func:`open_store` gives the one that fits the address."""

from __future__ import annotations

from pathlib import Path

from dfmcheck.errors import UsageError
from dfmcheck.service.model import Clock, JobStore


def open_store(address: str, data: Path, clock: Clock | None = None) -> JobStore:
    """The store at an address, its tables made where they are missing.

    Parameters
    ----------
    address : str
        ``postgresql://…``, or "" for SQLite in the data folder.
    data : Path
        The data folder.
    clock : Clock, optional
        For tests; the machine's (SQLite) or the server's (PostgreSQL) where left out.

    Raises
    ------
    UsageError
        The address has another form, or psycopg is not installed.
    Unavailable
        The server does not answer.
    """
    if not address:
        from dfmcheck.service.store.sqlite import SqliteStore

        return SqliteStore(data / "jobs.sqlite3", clock)
    if not address.startswith(("postgresql://", "postgres://")):
        raise UsageError(
            "the store's address is not understood",
            "postgresql://USER@HOST/DATABASE, or nothing for the store in the data folder",
            "Correct --store.",
        )
    try:
        from dfmcheck.service.store.postgres import PostgresStore
    except ImportError as error:
        raise UsageError(
            "psycopg is not installed",
            "the extra 'postgres' for this store",
            "Run: pip install 'dfmcheck[postgres]'.",
        ) from error
    return PostgresStore(address, clock)
