"""The web side, put together."""

from __future__ import annotations

import logging
from collections.abc import Callable

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp

from dfmcheck import __version__
from dfmcheck.report.text import CAUTION
from dfmcheck.service.api import api_router
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.guard import Guard
from dfmcheck.service.middleware import Around
from dfmcheck.service.model import JobStore, Unavailable
from dfmcheck.service.pages import Pages
from dfmcheck.service.rate import Rates
from dfmcheck.service.refusal import Refusal, away, kind
from dfmcheck.service.schemas import API
from dfmcheck.service.settings import Settings
from dfmcheck.service.shops import Shops
from dfmcheck.service.submit import Desk

LOG = logging.getLogger("dfmcheck.service")
_ABOUT = (
    "Screens bare-board fabrication data: what will fail, at which step, where, by how much, and "
    "what has to change.\n\n" + CAUTION
)


def create_app(settings: Settings, store: JobStore, folder: DataFolder) -> ASGIApp:
    """The application for one server. It starts no workers and no janitor."""
    # Around all, so that the answer to an error of ours has its headers too.
    return Around(_application(settings, store, folder), drain_bytes=2 * settings.max_bytes)


def _application(settings: Settings, store: JobStore, folder: DataFolder) -> FastAPI:
    shops = Shops(settings.shops)
    guard = Guard(settings, store)
    guard.prepare()
    desk = Desk(settings, store, folder, shops, Rates())
    app = FastAPI(
        title="dfmcheck",
        version=__version__,
        description=_ABOUT,
        openapi_url=f"{API}/openapi.json",
        docs_url=None,  # those pages load their scripts from elsewhere
        redoc_url=None,
    )
    pages = Pages(guard, desk, store, folder)
    app.include_router(api_router(guard, desk, store, folder))
    app.include_router(pages.router())
    _refusals(app, pages.refused)
    return app


def _refusals(app: FastAPI, page: Callable[[Request, Refusal], Response]) -> None:
    """Every error as one sentence: JSON under /api, a page elsewhere."""

    def answer(request: Request, refusal: Refusal) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse(
                {"error": kind(refusal.status), "message": refusal.message},
                refusal.status,
                refusal.headers,
            )
        return page(request, refusal)

    @app.exception_handler(Refusal)
    def refused(request: Request, error: Refusal) -> Response:
        return answer(request, error)

    @app.exception_handler(Unavailable)
    def unavailable(request: Request, error: Unavailable) -> Response:
        LOG.error("%s", error)
        return answer(request, away())

    @app.exception_handler(RequestValidationError)
    def invalid(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"][1:])
        return answer(request, Refusal(422, f"{where}: {first['msg']}"))

    @app.exception_handler(HTTPException)
    def routed(request: Request, error: HTTPException) -> Response:
        told = {404: "there is nothing here", 405: "this address does not take such a request"}
        refusal = Refusal(error.status_code, told.get(error.status_code, str(error.detail)))
        response = answer(request, refusal)
        response.headers.update(error.headers or {})
        return response

    @app.exception_handler(Exception)
    def failed(request: Request, error: Exception) -> Response:
        return answer(request, Refusal(500, "the service failed; the operator finds it in the log"))
