"""The pages for people. They work without scripts; with them, progress is live."""

import asyncio
from datetime import UTC, datetime
from importlib.resources import files
from typing import Annotated, Any
from urllib.parse import parse_qs

from fastapi import APIRouter, Depends, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from dfmcheck import __version__
from dfmcheck.judge.finding import Verdict
from dfmcheck.ranges import COPPER, THICKNESS
from dfmcheck.report.html.page import MEANING
from dfmcheck.report.text import CAUTION, SEVERITIES, plural, sentence
from dfmcheck.service.folder import DataFolder, is_id
from dfmcheck.service.guard import COOKIE, Guard
from dfmcheck.service.model import Client, Job, JobStore
from dfmcheck.service.refusal import Refusal, not_found
from dfmcheck.service.results import FILES
from dfmcheck.service.schemas import API, moment
from dfmcheck.service.serving import finished, send
from dfmcheck.service.settings import MB
from dfmcheck.service.submit import Desk

_SHOWN = 25
_FORM_BYTES, _FORM_S = 8192, 20.0
_ASSETS = {
    # the report's own style first, so that both look alike
    "page.css": ("dfmcheck.report.html", "text/css; charset=utf-8"),
    "service.css": ("dfmcheck.service", "text/css; charset=utf-8"),
    "upload.js": ("dfmcheck.service", "text/javascript; charset=utf-8"),
    "job.js": ("dfmcheck.service", "text/javascript; charset=utf-8"),
}
_STATES = {
    "queued": "waiting",
    "running": "being screened",
    "failed": "failed",
    "cancelled": "cancelled",
    "done": "done",
}
_KINDS = {
    "package": "This package cannot be screened as sent.",
    "time": "The screen was ended by the limit on time.",
    "memory": "The screen was ended by the limit on memory.",
    "crash": "The screen broke off. The data may be in order; nothing was judged.",
    "tool": "The screen broke off. The data may be in order; nothing was judged.",
}


class Pages:
    """Routes and templates of the pages."""

    def __init__(self, guard: Guard, desk: Desk, store: JobStore, folder: DataFolder) -> None:
        self._guard, self._desk, self._store, self._folder = guard, desk, store, folder
        self._environment = Environment(
            loader=PackageLoader("dfmcheck.service"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._environment.filters |= {"sentence": sentence, "when": _when, "iso": _iso}
        self._environment.globals |= {
            "keys": desk.settings.keys, "version": __version__, "caution": CAUTION,
            "plural": plural, "states": _STATES, "api": API,
        }  # fmt: skip

    def _page(self, template: str, code: int = 200, **values: Any) -> HTMLResponse:
        return HTMLResponse(self._environment.get_template(template).render(values), code)

    def refused(self, request: Request, refusal: Refusal) -> Response:
        """An error as a page; without a key, the page that asks for one."""
        if refusal.status == 401 and request.method == "GET":
            return RedirectResponse("/sign-in", 303)
        page = self._page(
            "error.html", refusal.status, message=refusal.message, status=refusal.status
        )
        page.headers.update(refusal.headers)
        return page

    def router(self) -> APIRouter:
        """The routes, none of them in the description of the interface."""
        router = APIRouter(include_in_schema=False)

        def asking(request: Request) -> Client:
            return self._guard.client(request)

        Asking = Annotated[Client, Depends(asking)]

        @router.get("/")
        def home(client: Asking) -> Response:
            return self._home(client)

        @router.post("/jobs")
        async def submit(request: Request, client: Asking) -> Response:
            try:
                job, _ = await self._desk.take(request, client)
            except Refusal as refusal:
                return await run_in_threadpool(self._home, client, refusal.message, refusal.status)
            return RedirectResponse(f"/jobs/{job.id}", 303)

        @router.get("/jobs/{job_id}")
        def show(job_id: str, client: Asking) -> Response:
            return self._job(self._own(client, job_id), client)

        @router.post("/jobs/{job_id}/cancel")
        def cancel(job_id: str, client: Asking) -> Response:
            self._own(client, job_id)
            self._store.cancel(client.id, job_id)
            return RedirectResponse(f"/jobs/{job_id}", 303)

        @router.post("/jobs/{job_id}/delete")
        def delete(job_id: str, client: Asking) -> Response:
            self._own(client, job_id)
            if self._store.delete(client.id, job_id):
                self._folder.remove(job_id)
            return RedirectResponse("/", 303)

        @router.get("/jobs/{job_id}/report")
        def report(job_id: str, client: Asking) -> StreamingResponse:
            return send(self._folder, finished(self._own(client, job_id)), "html", download=False)

        @router.get("/jobs/{job_id}/files/{kind}")
        def result_file(job_id: str, kind: str, client: Asking) -> StreamingResponse:
            return send(self._folder, finished(self._own(client, job_id)), kind, download=True)

        @router.get("/sign-in")
        def sign_in_page() -> Response:
            if not self._desk.settings.keys:
                return RedirectResponse("/", 303)
            return self._page("sign_in.html", message="")

        @router.post("/sign-in")
        async def sign_in(request: Request) -> Response:
            return await self._sign_in(request)

        @router.post("/sign-out")
        def sign_out(request: Request) -> Response:
            self._guard.same_origin(request)
            response = RedirectResponse("/sign-in", 303)
            response.delete_cookie(COOKIE)
            return response

        @router.get("/assets/{name}")
        def asset(name: str) -> Response:
            if name not in _ASSETS:
                raise Refusal(404, "there is nothing here")
            package, media = _ASSETS[name]
            text = (files(package) / "assets" / name).read_bytes()
            return Response(text, media_type=media, headers={"Cache-Control": "max-age=300"})

        return router

    def _own(self, client: Client, id_: str) -> Job:
        job = self._store.get(client.id, id_) if is_id(id_) else None
        if job is None:
            raise not_found()
        return job

    def _home(self, client: Client, message: str = "", status: int = 200) -> Response:
        settings = self._desk.settings
        most = min(client.max_bytes or settings.max_bytes, settings.max_bytes)
        return self._page(
            "home.html",
            status,
            message=message,
            shops=list(self._desk.shops.known.values()),
            jobs=self._store.listed(client.id, _SHOWN),
            most_bytes=most,
            most_mb=f"{most / MB:g}",
            keep=settings.keep_package,
            hours=f"{settings.retention_h:g}",
            thickness=[f"{end:g}" for end in THICKNESS],
            copper=[f"{end:g}" for end in COPPER],
            client=client.name,
        )

    def _job(self, job: Job, client: Client) -> Response:
        end = None
        if job.finished is not None:
            end = job.finished + self._desk.settings.retention_h * 3600
        many = {"query": "queries"}
        return self._page(
            "job.html",
            job=job,
            meaning=MEANING[Verdict(job.verdict)] if job.verdict else "",
            what=_KINDS.get(job.kind, ""),
            counts=[
                (kind, plural(job.counts[kind], kind, many.get(kind, "")))
                for kind in SEVERITIES
                if job.counts.get(kind)
            ],
            files=FILES,
            end=end,
            shop_title=self._title(job.order.shop),
            client=client.name,
        )

    def _title(self, shop: str) -> str:
        known = self._desk.shops.known.get(shop)
        return known.title if known else shop

    async def _sign_in(self, request: Request) -> Response:
        self._guard.same_origin(request)
        body = bytearray()
        try:
            async with asyncio.timeout(_FORM_S):  # nobody has shown a key yet
                async for chunk in request.stream():
                    body += chunk
                    if len(body) > _FORM_BYTES:
                        raise Refusal(413, "the form is too long")
        except TimeoutError as error:
            raise Refusal(408, f"the form took longer than {_FORM_S:g} s") from error
        key = parse_qs(body.decode("utf-8", "replace")).get("key", [""])[0].strip()
        if await run_in_threadpool(self._guard.find, key) is None:
            told = "This key is not known, or was revoked."
            return self._page("sign_in.html", 401, message=told)
        response = RedirectResponse("/", 303)
        # For this session of the browser only, out of reach of scripts.
        response.set_cookie(
            COOKIE, key, httponly=True, samesite="lax", secure=request.url.scheme == "https"
        )
        return response


def _when(seconds: float | None) -> str:
    time = moment(seconds)
    return "" if time is None else f"{time:%Y-%m-%d %H:%M} UTC"


def _iso(seconds: float | None) -> str:
    return "" if seconds is None else datetime.fromtimestamp(int(seconds), UTC).isoformat()
