"""How often a client may submit, and how many uploads it may have open."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from dfmcheck.service.refusal import Refusal


class Rates:
    """A bucket per client that fills evenly over a minute; kept by each server for itself."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._level: dict[int, tuple[float, float]] = {}
        self._open: Counter[int] = Counter()

    def take(self, client: int, per_minute: int) -> None:
        """Count one submission; Refusal 429 where it is one too many."""
        with self._lock:
            now = self._clock()
            level, since = self._level.get(client, (float(per_minute), now))
            level = min(per_minute, level + (now - since) * per_minute / 60)
            self._level[client] = (level - 1 if level >= 1 else level, now)
        if level < 1:
            wait = max(1, round((1 - level) * 60 / per_minute + 0.5))
            raise Refusal(
                429, f"more than {per_minute} packages in a minute; try again in {wait} s",
                retry_s=wait,
            )  # fmt: skip

    @contextmanager
    def uploading(self, client: int, most: int) -> Iterator[None]:
        """Hold one of the client's places for uploads; Refusal 429 where all are taken."""
        with self._lock:
            if self._open[client] >= most:
                raise Refusal(
                    429, f"{most} uploads of yours are under way; wait for one to end", retry_s=2
                )
            self._open[client] += 1
        try:
            yield
        finally:
            with self._lock:
                self._open[client] -= 1
