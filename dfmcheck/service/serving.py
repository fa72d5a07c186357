"""Serves result files from the disk, in pieces, and the report under a policy of its own."""

from __future__ import annotations

import html
import os
import re
from collections.abc import Iterator
from typing import BinaryIO

from fastapi.responses import StreamingResponse

from dfmcheck.service.folder import DataFolder
from dfmcheck.service.model import Job
from dfmcheck.service.refusal import Refusal, not_found
from dfmcheck.service.results import FILES

_BLOCK = 1 << 16
_HEAD = 1 << 13
_META = re.compile(rb'<meta http-equiv="Content-Security-Policy" content="([^"]+)"')
# Whatever a report might do, it does as a page of nobody: no cookies, no calls to the service.
_SANDBOX = "sandbox allow-scripts allow-downloads allow-modals; frame-ancestors 'self'"
_NOTHING = "default-src 'none'; style-src 'unsafe-inline'"


def finished(job: Job | None) -> Job:
    """The job, if it has results; Refusal 404 or 409."""
    if job is None:
        raise not_found()
    if job.state == "done":
        return job
    if job.ended:
        how = "was cancelled" if job.state == "cancelled" else "failed"
        why = f": {job.reason}" if job.reason and job.state == "failed" else ""
        raise Refusal(409, f"the job {how}, so it has no results{why}")
    raise Refusal(409, f"the job is {job.state}; its results come when it is done", retry_s=2)


def send(folder: DataFolder, job: Job, kind: str, *, download: bool) -> StreamingResponse:
    """A result file; Refusal 404 where the job has none of the kind (any more)."""
    known = FILES.get(kind)
    if known is None:
        raise Refusal(404, f"there is no such file; expected one of {', '.join(FILES)}")
    try:
        file = folder.result(job.id, job.folder, known.name).open("rb")
    except FileNotFoundError as error:
        raise not_found() from error
    headers = {"Content-Length": str(os.fstat(file.fileno()).st_size)}
    if kind == "html":
        headers["Content-Security-Policy"] = _policy(file)
        headers["X-Frame-Options"] = "SAMEORIGIN"
    if download:
        headers["Content-Disposition"] = f'attachment; filename="{job.id[:8]}-{known.name}"'
    return StreamingResponse(_pieces(file), media_type=known.media_type, headers=headers)


def _policy(file: BinaryIO) -> str:
    """The report's own policy, by hash of its style and script, in a sandbox."""
    found = _META.search(file.read(_HEAD))
    file.seek(0)
    own = html.unescape(found[1].decode("ascii", "replace")) if found else _NOTHING
    return f"{own}; {_SANDBOX}"


def _pieces(file: BinaryIO) -> Iterator[bytes]:
    with file:
        while block := file.read(_BLOCK):
            yield block
