"""Clients and their keys, in SQL."""

from __future__ import annotations

from dfmcheck.errors import UsageError
from dfmcheck.service.model import Client
from dfmcheck.service.store.base import Row, Run, SqlBase

_CLIENTS = "SELECT * FROM clients"


class ClientSql(SqlBase):
    """The part of the store that knows clients."""

    def add_client(
        self,
        name: str,
        digest: str,
        *,
        rate: int | None = None,
        max_bytes: int | None = None,
        max_jobs: int | None = None,
    ) -> Client:
        def body(run: Run) -> Client:
            rows = run(
                "INSERT INTO clients (name, digest, created, rate, max_bytes, max_jobs) VALUES "
                "(:name, :digest, :now, :rate, :max_bytes, :max_jobs) "
                "ON CONFLICT (name) DO NOTHING RETURNING *",
                name=name, digest=digest, now=self._now(run), rate=rate, max_bytes=max_bytes,
                max_jobs=max_jobs,
            )  # fmt: skip
            if not rows:
                raise UsageError(
                    f"a client named '{name}' exists, or did", "a new name", "Choose another."
                )
            return _client(rows[0])

        return self._do(body)

    def clients(self) -> list[Client]:
        return [_client(row) for row in self._do(lambda run: run(f"{_CLIENTS} ORDER BY id"))]

    def revoke_client(self, name: str) -> bool:
        def body(run: Run) -> bool:
            return bool(
                run(
                    "UPDATE clients SET revoked = :now WHERE name = :name AND revoked IS NULL "
                    "RETURNING id",
                    now=self._now(run), name=name,
                )
            )  # fmt: skip

        return self._do(body)

    def client_of(self, digest: str) -> Client | None:
        def body(run: Run) -> Client | None:
            rows = run(f"{_CLIENTS} WHERE digest = :digest AND revoked IS NULL", digest=digest)
            return _client(rows[0]) if rows else None

        return self._do(body)


def _client(row: Row) -> Client:
    return Client(
        row["id"], row["name"], row["created"], row["revoked"], row["rate"], row["max_bytes"],
        row["max_jobs"],
    )  # fmt: skip
