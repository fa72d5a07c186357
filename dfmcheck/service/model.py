"""What the parts of the service share: jobs, clients, and the interface of the job store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

State = Literal["queued", "running", "done", "failed", "cancelled"]
FINAL: tuple[State, ...] = ("done", "failed", "cancelled")
Beat = Literal["kept", "cancel", "lost"]
Clock = Callable[[], float]
"""Seconds since the epoch."""


class Full(Exception):
    """The queue, or the client's share of it, is full; the text says which."""


class Reused(Exception):
    """The client's Idempotency-Key already stands for another submission."""


class Unavailable(Exception):
    """The store does not answer."""


@dataclass(frozen=True, slots=True)
class Client:
    """One holder of an API key.

    ``rate`` is submissions a minute, ``max_bytes`` the largest upload, ``max_jobs`` the jobs
    waiting or running at a time; None where the service's own settings hold.
    """

    id: int
    name: str
    created: float
    revoked: float | None = None
    rate: int | None = None
    max_bytes: int | None = None
    max_jobs: int | None = None


@dataclass(frozen=True, slots=True)
class Order:
    """What a client asks for.

    ``name`` is what the client called the package and is only ever shown; ``digest`` stands for
    the content and every option, so that a repeat can be told from another submission.
    """

    shop: str
    tier: str
    name: str
    size: int
    digest: str
    options: Mapping[str, Any] = field(default_factory=dict)
    repeat_key: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a job ended.

    ``folder`` names the attempt's folder that holds the results, "" where there are none.
    ``kind`` tells what ended a failed job: ``package`` (it cannot be screened as sent), ``time``,
    ``memory``, ``crash``, ``tool`` (an error of the tool).
    """

    state: Literal["done", "failed", "cancelled"]
    reason: str = ""
    kind: str = ""
    verdict: str = ""
    counts: Mapping[str, int] = field(default_factory=dict)
    folder: str = ""


@dataclass(frozen=True, slots=True)
class Job:
    """One job as the store knows it. Times are seconds since the epoch, None: not yet."""

    id: str
    client: int
    state: State
    order: Order
    created: float
    started: float | None
    finished: float | None
    attempts: int
    stage: str
    done: int
    total: int
    reason: str
    kind: str
    verdict: str
    counts: Mapping[str, int]
    folder: str
    cancel: bool
    position: int | None = None

    @property
    def ended(self) -> bool:
        return self.state in FINAL


@dataclass(frozen=True, slots=True)
class Lease:
    """A job that a worker holds until it ends it, gives it back or falls silent."""

    job: Job
    token: str


@dataclass(frozen=True, slots=True)
class Limits:
    """How many jobs may wait: of all clients together, and waiting or running of one."""

    queue: int
    per_client: int


class JobStore(Protocol):
    """Keeps jobs and clients. Every method is one transaction, safe from any thread or process.

    A job goes queued → running → done, failed or cancelled. Running means leased: who holds the
    token may end the job, once. A lease not renewed in time may be taken by another worker,
    after which the old token counts for nothing.
    """

    def submit(self, client: int, id_: str, order: Order, limits: Limits) -> tuple[Job, bool]:
        """Add a job; durable on return. True where it is new, False where it repeats one.

        Raises Full or Reused.
        """
        ...

    def get(self, client: int, id_: str) -> Job | None:
        """One job of the client's own, with its place in the queue."""
        ...

    def listed(self, client: int, limit: int, before: str | None = None) -> list[Job]:
        """The client's jobs, newest first; ``before`` goes on after that job."""
        ...

    def cancel(self, client: int, id_: str) -> Job | None:
        """End a waiting job, ask the worker to end a running one."""
        ...

    def delete(self, client: int, id_: str) -> bool:
        """Forget a job: at once invisible and emptied of what came from the client."""
        ...

    def claim(self, worker: str, lease_s: float, attempts: int) -> Lease | None:
        """Take the next job, if any; jobs of silent workers first.

        Clients take turns. A job whose worker fell silent ``attempts`` times fails.
        """
        ...

    def beat(
        self, lease: Lease, lease_s: float, stage: str = "", done: int = 0, total: int = 0
    ) -> Beat:
        """Renew a lease and tell the progress."""
        ...

    def finish(self, lease: Lease, outcome: Outcome) -> bool:
        """Record how a job ended; False where the lease is lost, and then nothing changes."""
        ...

    def give_back(self, lease: Lease, *, counts: bool) -> bool:
        """Queue a job again; ``counts``: the attempt is counted. False where the lease is lost."""
        ...

    def workers(self, within_s: float) -> int:
        """Workers heard of lately."""
        ...

    def seen(self, worker: str) -> None:
        """Note that a worker lives."""
        ...

    def expire(self, before: float) -> int:
        """Delete, as :meth:`delete` does, the jobs that ended before a time."""
        ...

    def folders(self) -> dict[str, tuple[str, str]]:
        """State (also ``deleted``) and result folder of every job known, by id."""
        ...

    def purge(self, ids: list[str]) -> None:
        """Drop the last trace of deleted jobs, when their files are gone."""
        ...

    def counts(self) -> dict[str, int]:
        """How many jobs are in each state."""
        ...

    def add_client(
        self,
        name: str,
        digest: str,
        *,
        rate: int | None = None,
        max_bytes: int | None = None,
        max_jobs: int | None = None,
    ) -> Client:
        """Add a client by the digest of its key; UsageError where the name is taken."""
        ...

    def clients(self) -> list[Client]:
        """All clients, also revoked ones."""
        ...

    def revoke_client(self, name: str) -> bool:
        """End a client's key; its jobs stay until their time is over."""
        ...

    def client_of(self, digest: str) -> Client | None:
        """The client with this key's digest, if it is not revoked."""
        ...

    def now(self) -> float:
        """The store's own clock, which all its leases follow."""
        ...

    def close(self) -> None:
        """Close the connections; the next call opens new ones."""
        ...
