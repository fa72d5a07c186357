"""The interface for programs, under /api/v1."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query, Request, Response
from fastapi.responses import JSONResponse, StreamingResponse
from fastapi.security import HTTPBearer

from dfmcheck import __version__
from dfmcheck.ranges import COPPER, THICKNESS
from dfmcheck.report.json_report import schema
from dfmcheck.service.folder import DataFolder, is_id
from dfmcheck.service.guard import Guard
from dfmcheck.service.model import Client, Job, JobStore
from dfmcheck.service.refusal import not_found
from dfmcheck.service.results import FILES
from dfmcheck.service.schemas import (
    API,
    Health,
    JobAnswer,
    JobList,
    Problem,
    ShopAnswer,
    ShopList,
    job_answer,
)
from dfmcheck.service.serving import finished, send
from dfmcheck.service.submit import Desk

WORKER_SILENT_S = 30.0
_TOLD = {
    400: "The request is damaged.",
    401: "No key, or one that is not known.",
    403: "The request comes from where it may not.",
    404: "There is no such job of yours.",
    408: "The upload took too long.",
    409: "The job has no results (yet).",
    413: "The package is too large.",
    415: "The body is not a form.",
    422: "Something in the request does not fit.",
    429: "Too many at once; Retry-After tells when to try again.",
    503: "The job store does not answer; try again.",
    507: "The service has no disk space left.",
}
_FORM = {
    "required": True,
    "content": {
        "multipart/form-data": {
            "schema": {
                "type": "object",
                "required": ["package", "shop"],
                "additionalProperties": False,
                "properties": {
                    "package": {
                        "type": "string",
                        "format": "binary",
                        "description": "Zip, tar (also .gz, .bz2, .xz) or a single file.",
                    },
                    "shop": {"type": "string", "description": "Name of a shop, see /shops."},
                    "tier": {"type": "string", "description": "The shop's default if left out."},
                    "thickness": {
                        "type": "number", "minimum": THICKNESS[0], "maximum": THICKNESS[1],
                        "description": "Board thickness in mm, in place of what the data says.",
                    },
                    "copper": {
                        "type": "number", "minimum": COPPER[0], "maximum": COPPER[1],
                        "description": "Finished copper in µm, on every layer.",
                    },
                    "board": {
                        "type": "string",
                        "description": "Prefix of the board meant, if there are several.",
                    },
                    "role": {
                        "type": "array",
                        "items": {"type": "string"},
                        "description": "FILE=ROLE, to settle the role of a file.",
                    },
                },
            }
        }
    },
}  # fmt: skip
_REPEAT = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "schema": {"type": "string", "minLength": 1, "maxLength": 200, "pattern": "^[!-~]+$"},
    "description": "The same key with the same package and options gives the same job, however "
    "often it is sent.",
}


def _may(*statuses: int) -> dict[int | str, dict[str, Any]]:
    return {status: {"model": Problem, "description": _TOLD[status]} for status in statuses}


def _ok(told: dict[str, Any]) -> dict[int | str, dict[str, Any]]:
    return {200: told}


def _binary(kind: str) -> dict[int | str, dict[str, Any]]:
    media = FILES[kind].media_type.partition(";")[0]
    return {200: {"content": {media: {}}, "description": FILES[kind].told}}


def api_router(guard: Guard, desk: Desk, store: JobStore, folder: DataFolder) -> APIRouter:
    """The routes under /api/v1."""
    bearer = HTTPBearer(auto_error=False, description="The client's API key.")
    router = APIRouter(prefix=API, tags=["jobs"])
    retention = desk.settings.retention_h

    def asking(request: Request) -> Client:
        return guard.client(request)

    Asking = Annotated[Client, Depends(asking)]
    secured: dict[str, Any] = {"dependencies": [Depends(bearer)]} if desk.settings.keys else {}
    Id = Annotated[str, Path(description="The job's id.")]

    def own(client: Client, id_: str) -> Job:
        job = store.get(client.id, id_) if is_id(id_) else None
        if job is None:
            raise not_found()
        return job

    @router.post(
        "/jobs",
        status_code=202,
        response_model=JobAnswer,
        responses=_may(400, 401, 403, 408, 413, 415, 422, 429, 503, 507)
        | {202: {"description": "Accepted: the package and the job are on the disk."}},
        openapi_extra={"requestBody": _FORM, "parameters": [_REPEAT]},
        summary="Submit a package",
        **secured,
    )
    async def submit(request: Request, response: Response, client: Asking) -> JobAnswer:
        job, new = await desk.take(request, client)
        response.headers["Location"] = f"{API}/jobs/{job.id}"
        if not new:
            response.headers["Idempotency-Replayed"] = "true"
        return job_answer(job, retention)

    @router.get(
        "/jobs",
        response_model=JobList,
        responses=_may(401, 403, 422, 503),
        summary="List your own jobs",
        **secured,
    )
    def list_jobs(
        client: Asking,
        limit: Annotated[int, Query(ge=1, le=200, description="Most jobs in the answer.")] = 50,
        before: Annotated[
            str | None, Query(description="Go on after this job, as `more` says.")
        ] = None,
    ) -> JobList:
        before = before if before is None or is_id(before) else "-"
        jobs = store.listed(client.id, limit + 1, before)
        more = (
            f"{API}/jobs?limit={limit}&before={jobs[limit - 1].id}" if len(jobs) > limit else None
        )
        return JobList(jobs=[job_answer(job, retention) for job in jobs[:limit]], more=more)

    @router.get(
        "/jobs/{job_id}",
        response_model=JobAnswer,
        responses=_may(401, 403, 404, 503),
        summary="State, place in the queue and progress of a job",
        **secured,
    )
    def status(client: Asking, job_id: Id) -> JobAnswer:
        return job_answer(own(client, job_id), retention)

    @router.post(
        "/jobs/{job_id}/cancel",
        response_model=JobAnswer,
        responses=_may(401, 403, 404, 503),
        summary="Cancel a job that waits or runs",
        description="A running job ends within a second or two. One that has ended stays as it is.",
        **secured,
    )
    def cancel(client: Asking, job_id: Id) -> JobAnswer:
        own(client, job_id)
        job = store.cancel(client.id, job_id)
        if job is None:
            raise not_found()
        return job_answer(job, retention)

    @router.delete(
        "/jobs/{job_id}",
        status_code=204,
        response_class=Response,
        responses=_may(401, 403, 404, 503),
        summary="Delete a job with its package, report and measurements",
        **secured,
    )
    def delete(client: Asking, job_id: Id) -> Response:
        own(client, job_id)
        if not store.delete(client.id, job_id):
            raise not_found()
        folder.remove(job_id)
        return Response(status_code=204)

    @router.get(
        "/jobs/{job_id}/findings",
        response_class=StreamingResponse,
        responses=_binary("json") | _may(401, 403, 404, 409, 503),
        summary="Verdict and findings as JSON",
        description="In the form of /api/v1/findings.schema.json.",
        **secured,
    )
    def findings(client: Asking, job_id: Id) -> StreamingResponse:
        return send(folder, finished(own(client, job_id)), "json", download=False)

    @router.get(
        "/jobs/{job_id}/report",
        response_class=StreamingResponse,
        responses=_binary("html") | _may(401, 403, 404, 409, 503),
        summary="The report as one HTML file",
        **secured,
    )
    def report(client: Asking, job_id: Id) -> StreamingResponse:
        return send(folder, finished(own(client, job_id)), "html", download=False)

    media: dict[str, Any] = {file.media_type.partition(";")[0]: {} for file in FILES.values()}

    @router.get(
        "/jobs/{job_id}/files/{kind}",
        response_class=StreamingResponse,
        responses=_ok({"content": media, "description": "The file."})
        | _may(401, 403, 404, 409, 503),
        summary=f"A result file: {', '.join(FILES)}",
        **secured,
    )
    def result_file(
        client: Asking, job_id: Id, kind: Annotated[str, Path(description=", ".join(FILES))]
    ) -> StreamingResponse:
        return send(folder, finished(own(client, job_id)), kind, download=True)

    @router.get(
        "/shops",
        response_model=ShopList,
        responses=_may(401, 403, 503),
        tags=["service"],
        summary="Shops and tiers",
        **secured,
    )
    def shops(client: Asking) -> ShopList:
        return ShopList(
            shops=[
                ShopAnswer(
                    name=name,
                    title=shop.title,
                    tiers=list(shop.tiers),
                    default_tier=shop.default_tier,
                )
                for name, shop in desk.shops.known.items()
            ]
        )

    @router.get(
        "/findings.schema.json", tags=["service"], summary="JSON Schema of the findings",
        response_class=JSONResponse,
    )  # fmt: skip
    def findings_schema() -> JSONResponse:
        return JSONResponse(schema(), media_type="application/json")

    @router.get(
        "/health",
        response_model=Health,
        responses=_may(503),
        tags=["service"],
        summary="Whether jobs are taken and worked on",
    )
    def health() -> Health:
        counts = store.counts()
        workers = store.workers(WORKER_SILENT_S)
        return Health(
            status="ok" if workers else "no-worker",
            version=__version__,
            workers=workers,
            queued=counts.get("queued", 0),
            running=counts.get("running", 0),
        )

    return router
