"""Who asks: keys, cookies, and where a request may come from."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

from fastapi import Request

from dfmcheck.service.keys import LOCAL, digest, new_key
from dfmcheck.service.model import Client, JobStore
from dfmcheck.service.refusal import Refusal
from dfmcheck.service.settings import Settings

COOKIE = "dfmcheck_key"
_SAFE = ("GET", "HEAD", "OPTIONS")
_LONGEST_KEY = 200
_NO_KEY = "a key is needed; send it as 'Authorization: Bearer KEY'"
_FORWARDED = ("forwarded", "via", "x-real-ip")
_OWN_NAMES = ("localhost", "127.0.0.1", "::1")


@dataclass(slots=True)
class Guard:
    """Finds the client of a request."""

    settings: Settings
    store: JobStore
    _local: Client | None = None

    def prepare(self) -> None:
        """Have the one client of a service without keys ready."""
        if not self.settings.keys:
            known = {client.name: client for client in self.store.clients()}
            # Its key is thrown away: nobody can use it where keys are asked for.
            self._local = known.get(LOCAL) or self.store.add_client(LOCAL, digest(new_key()))

    def client(self, request: Request) -> Client:
        """The client who asks; Refusal 401 or 403."""
        if not self.settings.keys:
            self._only_from_here(request)
            if self._local is None:
                self.prepare()
            assert self._local is not None
            return self._local
        given = _bearer(request)
        if given is None:
            given = request.cookies.get(COOKIE)
            if given is not None:
                self.same_origin(request)
        if given is None:
            raise Refusal(401, _NO_KEY)
        found = self.find(given)
        if found is None:
            raise Refusal(401, "the key is not known, or was revoked")
        return found

    def find(self, key: str) -> Client | None:
        """The client who holds a key."""
        return self.store.client_of(digest(key)) if 0 < len(key) <= _LONGEST_KEY else None

    def _only_from_here(self, request: Request) -> None:
        """Without keys: a page elsewhere must not reach in through a browser on this machine."""
        name = _host_of(f"//{request.headers.get('host', '')}")[0]
        forwarded = any(
            head in _FORWARDED or head.startswith("x-forwarded-") for head in request.headers
        )
        if name not in (*_OWN_NAMES, self.settings.host) or forwarded:
            raise Refusal(
                403, "this service runs without keys and serves its own machine only; start it "
                "with keys to reach it from elsewhere",
            )  # fmt: skip
        self.same_origin(request)

    def same_origin(self, request: Request) -> None:
        """Refuse what a page of another site makes a browser send."""
        if request.method in _SAFE:
            return
        site = request.headers.get("sec-fetch-site")
        origin = request.headers.get("origin")
        if site is not None:  # what the browser itself says; a page cannot change it
            foreign = site not in ("same-origin", "none")
        else:
            hosts = {request.headers.get("host", ""), self.settings.public_host} - {""}
            foreign = origin is not None and _host_of(origin)[1] not in hosts
        if foreign:
            raise Refusal(403, "the request comes from another site")


def _bearer(request: Request) -> str | None:
    kind, _, key = request.headers.get("authorization", "").partition(" ")
    return key.strip() if kind.lower() == "bearer" else None


def _host_of(address: str) -> tuple[str, str]:
    """Host without and with port; empty where the address makes no sense."""
    try:
        parts = urlsplit(address)
        return parts.hostname or "", parts.netloc
    except ValueError:
        return "", ""
