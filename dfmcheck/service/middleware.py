"""Around every request: security headers, one log line, and bodies read to their end."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import MutableMapping
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOG = logging.getLogger("dfmcheck.service.http")
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS = {
    b"content-security-policy": PAGE_POLICY.encode(),
    b"x-frame-options": b"DENY",
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"same-origin",  # none at all would make a form's own origin "null"
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"camera=(), geolocation=(), microphone=()",
    b"cache-control": b"no-store",
}
_HTTPS_ONLY = (b"strict-transport-security", b"max-age=31536000")
_DRAIN_S = 15.0


class Around:
    """ASGI middleware.

    A refused upload is read on for a while before the answer goes out: many clients send all of
    a body before they look for an answer, and would only see the connection break.
    """

    def __init__(self, app: ASGIApp, drain_bytes: int) -> None:
        self._app = app
        self._drain_bytes = drain_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        began = time.monotonic()
        headers = dict(scope["headers"])
        body = _Body(receive, headers)
        status = 0

        async def answer(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                if status >= 400:
                    await body.drain(self._drain_bytes)
                _add_headers(message, https=scope.get("scheme") == "https")
            await send(message)

        try:
            await self._app(scope, body.receive, answer)
        finally:
            route = getattr(scope.get("route"), "path", "-")
            job = scope.get("path_params", {}).get("job_id", "-") if status < 400 else "-"
            LOG.info(
                "%s %s %d job=%s %.0f ms", scope["method"], route, status, job,
                (time.monotonic() - began) * 1000,
            )  # fmt: skip


class _Body:
    def __init__(self, receive: Receive, headers: MutableMapping[bytes, bytes]) -> None:
        self._receive = receive
        self._begun = False
        # A client that waits for leave to send its body takes an early answer as it should.
        self._asks_first = headers.get(b"expect", b"").lower() == b"100-continue"
        self._whole = not (b"content-length" in headers or b"transfer-encoding" in headers)

    async def receive(self) -> Message:
        self._begun = True
        message = await self._receive()
        if message["type"] != "http.request" or not message.get("more_body"):
            self._whole = True
        return message

    async def drain(self, most: int) -> None:
        if self._asks_first and not self._begun:
            return
        taken = 0
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_DRAIN_S):
                while not self._whole and taken < most:
                    message = await self.receive()
                    taken += len(message.get("body", b""))


def _add_headers(message: Message, *, https: bool) -> None:
    raw: list[tuple[bytes, bytes]] = list(message.get("headers", []))
    there: set[Any] = {name.lower() for name, _ in raw}
    raw += [(name, value) for name, value in _HEADERS.items() if name not in there]
    if https:
        raw.append(_HTTPS_ONLY)
    message["headers"] = raw
