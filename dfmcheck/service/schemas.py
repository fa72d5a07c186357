"""What the interface answers, as its OpenAPI description has it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from dfmcheck.report.text import CAUTION
from dfmcheck.service.model import Job
from dfmcheck.service.results import FILES

API = "/api/v1"


class Answer(BaseModel):
    model_config = ConfigDict(extra="forbid")


class Problem(Answer):
    """Why a request was not carried out."""

    error: str = Field(description="One short word, the same for the same status.")
    message: str = Field(description="One sentence for a person.")


class Progress(Answer):
    """How far a running screen is; `total` is 0 where the stage is not counted."""

    stage: str
    done: int
    total: int


class JobAnswer(Answer):
    """One job. Times are UTC, ISO 8601."""

    id: str
    state: Literal["queued", "running", "done", "failed", "cancelled"]
    package: str = Field(description="What the client called the package.")
    shop: str
    tier: str
    size: int = Field(description="Bytes of the package.")
    created: datetime
    started: datetime | None
    finished: datetime | None
    expires: datetime | None = Field(description="When the job and its results are deleted.")
    position: int | None = Field(description="Place in the queue, 1 is next.")
    progress: Progress | None
    attempts: int
    verdict: Literal["release", "query", "hold"] | None
    counts: dict[str, int] = Field(description="Findings by severity.")
    reason: str | None = Field(description="Why the job failed or was cancelled.")
    kind: Literal["package", "time", "memory", "crash", "tool"] | None = Field(
        description="What ended a failed job: `package` cannot be screened as sent, `time` and "
        "`memory` are the limits, `crash` and `tool` are the service's own."
    )
    links: dict[str, str]
    caution: str


class JobList(Answer):
    """Jobs of the client, newest first; `more` goes on where there are more."""

    jobs: list[JobAnswer]
    more: str | None


class ShopAnswer(Answer):
    """A shop one may choose."""

    name: str
    title: str
    tiers: list[str] = Field(description="From the least to the most demanding.")
    default_tier: str


class ShopList(Answer):
    shops: list[ShopAnswer]


class Health(Answer):
    """Whether jobs are taken and worked on."""

    status: Literal["ok", "no-worker"]
    version: str
    workers: int
    queued: int
    running: int


def moment(seconds: float | None) -> datetime | None:
    """A time of the store's as UTC, whole seconds."""
    return None if seconds is None else datetime.fromtimestamp(int(seconds), UTC)


def job_answer(job: Job, retention_h: float) -> JobAnswer:
    """A job as a client sees it."""
    end = None if job.finished is None else job.finished + retention_h * 3600
    own = f"{API}/jobs/{job.id}"
    links = {"self": own, "page": f"/jobs/{job.id}"}
    if job.state == "done":
        links |= {kind: f"{own}/{_tail(kind)}" for kind in FILES}
    running = job.state == "running"
    values: dict[str, Any] = {
        "id": job.id,
        "state": job.state,
        "package": job.order.name,
        "shop": job.order.shop,
        "tier": job.order.tier,
        "size": job.order.size,
        "created": moment(job.created),
        "started": moment(job.started),
        "finished": moment(job.finished),
        "expires": moment(end),
        "position": job.position,
        "progress": Progress(stage=job.stage or "starting", done=job.done, total=job.total)
        if running
        else None,
        "attempts": job.attempts,
        "verdict": job.verdict or None,
        "counts": dict(job.counts),
        "reason": job.reason or None,
        "kind": job.kind or None,
        "links": links,
        "caution": CAUTION,
    }
    return JobAnswer(**values)


def _tail(kind: str) -> str:
    return {"html": "report", "json": "findings"}.get(kind, f"files/{kind}")
