"""Logs without customer data: job ids, routes, states and times, never a name or a message."""

from __future__ import annotations

import logging
import sys
import time
import traceback
from pathlib import Path


class _Bare(logging.Formatter):
    """Leaves an exception's message out, which may quote a file: its kind and place stay."""

    def formatException(self, ei: object) -> str:
        if not isinstance(ei, tuple) or ei[1] is None:
            return ""
        frames = traceback.extract_tb(ei[2])
        where = " < ".join(f"{Path(f.filename).name}:{f.lineno}" for f in reversed(frames[-8:]))
        return f"{type(ei[1]).__name__} at {where}"


def set_up(level: int = logging.INFO) -> None:
    """Log to standard error, one line each, with the time in UTC."""
    handler = logging.StreamHandler(sys.stderr)
    formatter = _Bare("%(asctime)s %(levelname)s %(name)s %(message)s", "%Y-%m-%dT%H:%M:%SZ")
    formatter.converter = time.gmtime
    handler.setFormatter(formatter)
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("dfmcheck").setLevel(level)
    # The web server's own lines hold addresses as clients wrote them; ours take their place.
    for name in ("uvicorn", "uvicorn.error", "uvicorn.access"):
        logger = logging.getLogger(name)
        logger.handlers.clear()
        logger.propagate = name != "uvicorn.access"
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
