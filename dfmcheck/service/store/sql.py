"""The job store in SQL that SQLite and PostgreSQL both speak.

What differs (connections, row locks, the clock) is left to the two classes built on this.
"""

from __future__ import annotations

import json
from typing import cast

from dfmcheck.service.keys import new_id
from dfmcheck.service.model import (
    FINAL,
    Beat,
    Full,
    Job,
    Lease,
    Limits,
    Order,
    Outcome,
    Reused,
    State,
)
from dfmcheck.service.store.base import Row, Run
from dfmcheck.service.store.clients import ClientSql

# Clients take turns, the one served longest ago first; within one the oldest job.
_POSITIONS = """
    SELECT id, place FROM (
        SELECT id, client, row_number() OVER (ORDER BY turn, served, seq) AS place FROM (
            SELECT j.id, j.client, j.seq, c.served,
                   row_number() OVER (PARTITION BY j.client ORDER BY j.seq) AS turn
            FROM jobs j JOIN clients c ON c.id = j.client WHERE j.state = 'queued') AS waiting
    ) AS placed WHERE client = :client"""


class SqlStore(ClientSql):
    """Everything but the connection."""

    # jobs, as clients see them

    def submit(self, client: int, id_: str, order: Order, limits: Limits) -> tuple[Job, bool]:
        def body(run: Run) -> tuple[Job, bool]:
            if self.ALONE:
                run(self.ALONE)
            before = run(
                "SELECT * FROM jobs WHERE client = :client AND (id = :id OR repeat_key = :key)",
                client=client, id=id_, key=order.repeat_key,
            )  # fmt: skip
            if before:
                if before[0]["digest"] != order.digest:
                    raise Reused
                return _job(before[0], self._places(run, client)), before[0]["id"] == id_
            self._room(run, client, limits)
            run(
                "INSERT INTO jobs (id, client, state, shop, tier, name, size, digest, options, "
                "repeat_key, created) VALUES (:id, :client, 'queued', :shop, :tier, :name, :size, "
                ":digest, :options, :key, :now)",
                id=id_, client=client, shop=order.shop, tier=order.tier, name=order.name,
                size=order.size, digest=order.digest, options=json.dumps(dict(order.options)),
                key=order.repeat_key, now=self._now(run),
            )  # fmt: skip
            row = run("SELECT * FROM jobs WHERE id = :id", id=id_)[0]
            return _job(row, self._places(run, client)), True

        return self._do(body)

    def _room(self, run: Run, client: int, limits: Limits) -> None:
        waiting = run("SELECT count(*) AS n FROM jobs WHERE state = 'queued'")[0]["n"]
        if waiting >= limits.queue:
            raise Full(f"the queue is full ({waiting} jobs are waiting)")
        own = run(
            "SELECT count(*) AS n FROM jobs WHERE client = :client AND state IN "
            "('queued', 'running')",
            client=client,
        )[0]["n"]
        if own >= limits.per_client:
            raise Full(f"{own} of your jobs are waiting or running, and no more are taken")

    def _places(self, run: Run, client: int) -> dict[str, int]:
        return {row["id"]: row["place"] for row in run(_POSITIONS, client=client)}

    def get(self, client: int, id_: str) -> Job | None:
        def body(run: Run) -> Job | None:
            rows = run(
                "SELECT * FROM jobs WHERE id = :id AND client = :client AND state <> 'deleted'",
                id=id_, client=client,
            )  # fmt: skip
            if not rows:
                return None
            waits = rows[0]["state"] == "queued"
            return _job(rows[0], self._places(run, client) if waits else {})

        return self._do(body)

    def listed(self, client: int, limit: int, before: str | None = None) -> list[Job]:
        def body(run: Run) -> list[Job]:
            rows = run(
                "SELECT * FROM jobs WHERE client = :client AND state <> 'deleted' AND seq < "
                "coalesce((SELECT seq FROM jobs WHERE id = :before AND client = :client), "
                ":last) ORDER BY seq DESC LIMIT :limit",
                client=client, before=before or "", limit=limit, last=-1 if before else 2**62,
            )  # fmt: skip
            waits = any(row["state"] == "queued" for row in rows)
            places = self._places(run, client) if waits else {}
            return [_job(row, places) for row in rows]

        return self._do(body)

    def cancel(self, client: int, id_: str) -> Job | None:
        def body(run: Run) -> None:
            run(
                "UPDATE jobs SET state = 'cancelled', finished = :now, reason = :why "
                "WHERE id = :id AND client = :client AND state = 'queued'",
                id=id_, client=client, now=self._now(run), why="cancelled by the client",
            )  # fmt: skip
            run(
                "UPDATE jobs SET cancel = 1 WHERE id = :id AND client = :client "
                "AND state = 'running'",
                id=id_, client=client,
            )  # fmt: skip

        self._do(body)
        return self.get(client, id_)

    def delete(self, client: int, id_: str) -> bool:
        def body(run: Run) -> bool:
            return bool(
                run(
                    f"{_FORGET} WHERE id = :id AND client = :client AND state <> 'deleted' "
                    "RETURNING id",
                    id=id_, client=client, now=self._now(run),
                )
            )  # fmt: skip

        return self._do(body)

    # jobs, as workers see them

    def claim(self, worker: str, lease_s: float, attempts: int) -> Lease | None:
        def body(run: Run) -> Lease | None:
            now, token = self._now(run), new_id()
            self._reap(run, now, attempts)
            rows = run(
                "UPDATE jobs SET state = 'running', token = :token, worker = :worker, "
                "lease_until = :until, attempts = attempts + 1, started = :now, stage = '', "
                "done = 0, total = 0 WHERE seq = (SELECT j.seq FROM jobs j JOIN clients c "
                "ON c.id = j.client WHERE j.state = 'queued' OR (j.state = 'running' AND "
                "j.lease_until < :now) ORDER BY CASE j.state WHEN 'running' THEN 0 ELSE 1 END, "
                f"c.served, j.seq LIMIT 1 {self.SKIP_LOCKED}) RETURNING *",
                token=token, worker=worker, until=now + lease_s, now=now,
            )  # fmt: skip
            if not rows:
                return None
            run("UPDATE clients SET served = :now WHERE id = :id", now=now, id=rows[0]["client"])
            return Lease(_job(rows[0], {}), token)

        return self._do(body)

    def _reap(self, run: Run, now: float, attempts: int) -> None:
        """End what a silent worker left, where it is not to be tried again."""
        run(
            "UPDATE jobs SET state = 'cancelled', finished = :now, reason = :why "
            "WHERE state = 'running' AND lease_until < :now AND cancel = 1",
            now=now, why="cancelled by the client",
        )  # fmt: skip
        run(
            "UPDATE jobs SET state = 'failed', kind = 'crash', finished = :now, reason = :why "
            "WHERE state = 'running' AND lease_until < :now AND attempts >= :most",
            now=now, most=attempts,
            why=f"its worker died or fell silent, {attempts} times; it is not tried again",
        )  # fmt: skip

    def beat(
        self, lease: Lease, lease_s: float, stage: str = "", done: int = 0, total: int = 0
    ) -> Beat:
        def body(run: Run) -> Beat:
            rows = run(
                "UPDATE jobs SET lease_until = :until, stage = :stage, done = :done, "
                "total = :total WHERE id = :id AND token = :token AND state = 'running' "
                "RETURNING cancel",
                until=self._now(run) + lease_s, stage=stage, done=done, total=total,
                id=lease.job.id, token=lease.token,
            )  # fmt: skip
            if not rows:
                return "lost"
            return "cancel" if rows[0]["cancel"] else "kept"

        return self._do(body)

    def finish(self, lease: Lease, outcome: Outcome) -> bool:
        def body(run: Run) -> bool:
            values = {
                "id": lease.job.id, "token": lease.token, "state": outcome.state,
                "folder": outcome.folder,
            }  # fmt: skip
            if run(
                "UPDATE jobs SET state = :state, reason = :reason, kind = :kind, "
                "verdict = :verdict, counts = :counts, folder = :folder, finished = :now "
                "WHERE id = :id AND token = :token AND state = 'running' RETURNING id",
                reason=outcome.reason, kind=outcome.kind, verdict=outcome.verdict,
                counts=json.dumps(dict(outcome.counts)), now=self._now(run), **values,
            ):  # fmt: skip
                return True
            # Told twice, because the first answer was lost on the way: it is recorded.
            return bool(
                run(
                    "SELECT id FROM jobs WHERE id = :id AND token = :token AND state = :state "
                    "AND folder = :folder",
                    **values,
                )
            )

        return self._do(body)

    def give_back(self, lease: Lease, *, counts: bool) -> bool:
        def body(run: Run) -> bool:
            return bool(
                run(
                    "UPDATE jobs SET state = 'queued', token = NULL, started = NULL, stage = '', "
                    "attempts = attempts - :less WHERE id = :id AND token = :token "
                    "AND state = 'running' RETURNING id",
                    less=0 if counts else 1, id=lease.job.id, token=lease.token,
                )
            )  # fmt: skip

        return self._do(body)

    def seen(self, worker: str) -> None:
        def body(run: Run) -> None:
            now = self._now(run)
            run(
                "INSERT INTO workers (name, seen) VALUES (:name, :now) "
                "ON CONFLICT (name) DO UPDATE SET seen = excluded.seen",
                name=worker, now=now,
            )  # fmt: skip
            run("DELETE FROM workers WHERE seen < :old", old=now - 3600)

        self._do(body)

    def workers(self, within_s: float) -> int:
        def body(run: Run) -> int:
            since = self._now(run) - within_s
            return int(
                run("SELECT count(*) AS n FROM workers WHERE seen >= :since", since=since)[0]["n"]
            )

        return self._do(body)

    # housekeeping

    def expire(self, before: float) -> int:
        def body(run: Run) -> int:
            marks = ", ".join(f"'{state}'" for state in FINAL)
            return len(
                run(
                    f"{_FORGET} WHERE state IN ({marks}) AND finished < :before RETURNING id",
                    now=self._now(run), before=before,
                )
            )  # fmt: skip

        return self._do(body)

    def folders(self) -> dict[str, tuple[str, str]]:
        rows = self._do(lambda run: run("SELECT id, state, folder FROM jobs"))
        return {row["id"]: (row["state"], row["folder"]) for row in rows}

    def purge(self, ids: list[str]) -> None:
        def body(run: Run) -> None:
            for id_ in ids:
                run("DELETE FROM jobs WHERE id = :id AND state = 'deleted'", id=id_)

        self._do(body)

    def counts(self) -> dict[str, int]:
        rows = self._do(lambda run: run("SELECT state, count(*) AS n FROM jobs GROUP BY state"))
        return {row["state"]: row["n"] for row in rows}


# All that came from the client goes at once; the row stays until the files are gone too.
_FORGET = (
    "UPDATE jobs SET state = 'deleted', name = '', options = '{}', digest = '', "
    "repeat_key = NULL, token = NULL, reason = '', verdict = '', counts = '{}', finished = :now"
)


def _job(row: Row, places: dict[str, int]) -> Job:
    order = Order(
        row["shop"], row["tier"], row["name"], row["size"], row["digest"],
        json.loads(row["options"]), row["repeat_key"],
    )  # fmt: skip
    return Job(
        id=row["id"],
        client=row["client"],
        state=cast(State, row["state"]),
        order=order,
        created=row["created"],
        started=row["started"],
        finished=row["finished"],
        attempts=row["attempts"],
        stage=row["stage"],
        done=row["done"],
        total=row["total"],
        reason=row["reason"],
        kind=row["kind"],
        verdict=row["verdict"],
        counts=json.loads(row["counts"]),
        folder=row["folder"],
        cancel=bool(row["cancel"]),
        position=places.get(row["id"]),
    )
