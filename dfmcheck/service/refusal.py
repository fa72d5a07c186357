"""What the service does not do, and why: one sentence for people and programs alike."""

from __future__ import annotations

_TITLES = {
    400: "bad-request",
    401: "key-needed",
    403: "not-allowed",
    404: "not-found",
    405: "method-not-allowed",
    408: "too-slow",
    409: "not-yet",
    413: "too-large",
    415: "wrong-kind",
    422: "not-understood",
    429: "too-many",
    500: "failed",
    503: "away",
    507: "disk-full",
}


class Refusal(Exception):
    """An answer other than what was asked for.

    ``retry_s`` tells when it makes sense to ask again.
    """

    def __init__(self, status: int, message: str, *, retry_s: int | None = None) -> None:
        super().__init__(message)
        self.status = status
        self.message = message
        self.retry_s = retry_s

    @property
    def headers(self) -> dict[str, str]:
        out = {} if self.retry_s is None else {"Retry-After": str(self.retry_s)}
        return out | ({"WWW-Authenticate": "Bearer"} if self.status == 401 else {})


def kind(status: int) -> str:
    """A short word for a status, for programs."""
    return _TITLES.get(status, "failed" if status >= 500 else "refused")


def not_found() -> Refusal:
    """No such job, or one of somebody else: the two cannot be told apart."""
    return Refusal(404, "there is no such job")


def away() -> Refusal:
    """The store does not answer."""
    return Refusal(503, "the service cannot reach its job store; try again shortly", retry_s=5)
