"""Takes one submission: checks, stores, and only then answers."""

from __future__ import annotations

import hashlib
import json
import logging
import math
import re
from dataclasses import dataclass
from typing import Any

from fastapi import Request
from fastapi.concurrency import run_in_threadpool

from dfmcheck.errors import UsageError
from dfmcheck.ranges import COPPER, THICKNESS
from dfmcheck.report.text import plain
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.keys import new_id
from dfmcheck.service.model import Client, Full, Job, JobStore, Limits, Order, Reused, Unavailable
from dfmcheck.service.rate import Rates
from dfmcheck.service.refusal import Refusal
from dfmcheck.service.settings import MB, Settings
from dfmcheck.service.shops import Shops
from dfmcheck.service.upload import Upload, receive
from dfmcheck.terms import Role

LOG = logging.getLogger("dfmcheck.service.jobs")
FIELDS = ("shop", "tier", "thickness", "copper", "board", "role")
_REPEAT_KEY = re.compile(r"[\x21-\x7e]{1,200}")
_RANGES = {"thickness": (*THICKNESS, "mm"), "copper": (*COPPER, "µm")}


@dataclass(slots=True)
class Desk:
    """What it takes to accept a package."""

    settings: Settings
    store: JobStore
    folder: DataFolder
    shops: Shops
    rates: Rates

    async def take(self, request: Request, client: Client) -> tuple[Job, bool]:
        """Accept a package; the job, and whether it is new.

        On return the package is synced to the disk and the job's row is committed. Raises
        Refusal.
        """
        settings = self.settings
        key = _repeat_key(request)
        self.rates.take(client.id, client.rate or settings.rate)
        with self.rates.uploading(client.id, settings.max_uploads):
            upload = await receive(
                request,
                self.folder,
                limit=min(client.max_bytes or settings.max_bytes, settings.max_bytes),
                time_s=settings.upload_time_s,
                min_free=int(settings.min_free_mb * MB),
            )
            return await run_in_threadpool(self._keep, upload, client, key)

    def _keep(self, upload: Upload, client: Client, key: str | None) -> tuple[Job, bool]:
        id_ = new_id()
        placed = kept = False
        try:
            order = self._order(upload, key)
            self.folder.take(upload.path, id_)
            placed = True
            limits = Limits(self.settings.max_queue, client.max_jobs or self.settings.max_jobs)
            job, kept = self.store.submit(client.id, id_, order, limits)
        except Full as error:
            raise Refusal(429, f"{error}; try again later", retry_s=30) from error
        except Unavailable:
            # It may be recorded all the same: the package stays until the row is known to be
            # missing, so that a job never stands there without it.
            kept = placed
            raise
        except Reused as error:
            raise Refusal(
                422, "this Idempotency-Key already stands for another submission; use a new one"
            ) from error
        finally:
            if not kept:
                upload.path.unlink(missing_ok=True)
                if placed:
                    self.folder.remove(id_)
        if kept:
            LOG.info("job %s: accepted from client %d, %d bytes", id_, client.id, upload.size)
        return job, kept

    def _order(self, upload: Upload, key: str | None) -> Order:
        fields = upload.fields
        for name, values in fields.items():
            if name not in FIELDS:
                raise Refusal(
                    422, f"the form has a field '{plain(name)[:40]}'; expected package, "
                    f"{', '.join(FIELDS)}",
                )  # fmt: skip
            if name != "role" and len(values) > 1:
                raise Refusal(422, f"the field '{name}' is there more than once; give it once")
        shop = _one(fields, "shop")
        if not shop:
            raise Refusal(422, "no shop is given; name one in the field 'shop'")
        try:
            tier = self.shops.tier(shop, _one(fields, "tier"))
        except UsageError as error:
            raise Refusal(422, plain(str(error))) from error
        options: dict[str, Any] = {
            name: _number(name, _one(fields, name)) for name in _RANGES if _one(fields, name)
        }
        if board := _one(fields, "board"):
            options["board"] = plain(board)
        if roles := _roles(fields.get("role", [])):
            options["roles"] = roles
        whole = json.dumps([upload.digest, upload.name, shop, tier, options], sort_keys=True)
        digest = hashlib.sha256(whole.encode("utf-8", "surrogatepass")).hexdigest()
        return Order(shop, tier, upload.name, upload.size, digest, options, key)


def _one(fields: dict[str, list[str]], name: str) -> str:
    return fields.get(name, [""])[0].strip()


def _number(name: str, text: str) -> float:
    low, high, unit = _RANGES[name]
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise Refusal(
            422,
            f"{name} is '{plain(text)[:40]}'; expected a number from {low:g} to {high:g} {unit}",
        )
    return value


def _roles(given: list[str]) -> dict[str, str]:
    """FILE=ROLE, one a line or one a field."""
    out: dict[str, str] = {}
    for line in "\n".join(given).splitlines():
        if not line.strip():
            continue
        file, equals, role = line.strip().rpartition("=")
        if not equals or not file:
            raise Refusal(422, f"role '{plain(line)[:80]}' has not the form FILE=ROLE")
        try:
            out[plain(file)] = str(Role.parse(role))
        except ValueError as error:
            raise Refusal(422, f"role '{plain(line)[:80]}': {plain(str(error))}") from error
    return out


def _repeat_key(request: Request) -> str | None:
    key = request.headers.get("idempotency-key")
    if key is not None and not _REPEAT_KEY.fullmatch(key):
        raise Refusal(400, "the Idempotency-Key is not 1 to 200 plain ASCII characters")
    return key
