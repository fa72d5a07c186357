"""A worker with its store and folder, and screens that hang."""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest

from benchmarks.service.live import children, descendants
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.keys import digest, new_id, new_key
from dfmcheck.service.model import Job, JobStore, Limits, Order
from dfmcheck.service.settings import Settings
from dfmcheck.service.shops import Shops
from dfmcheck.service.store import open_store
from dfmcheck.service.worker import Worker

ORDER = Order("volume", "standard", "harbour-gauge.zip", 1, "d")


@dataclass
class Bench:
    """A store, a folder and a worker in one place."""

    root: Path
    package: Path
    settings: Settings
    store: JobStore = field(init=False)
    folder: DataFolder = field(init=False)
    client: int = field(init=False)
    strangers: set[int] = field(init=False)
    """Children this process had before: a database or a browser of other tests."""

    def __post_init__(self) -> None:
        self.strangers = set(descendants([os.getpid()]))
        self.folder = DataFolder.opened(self.root)
        self.store = open_store("", self.root)
        self.client = self.store.add_client("yard", digest(new_key())).id

    def submit(self, order: Order = ORDER, source: Path | None = None) -> str:
        id_, place = new_id(), self.folder.incoming()
        shutil.copy(source or self.package, place)
        self.folder.take(place, id_)
        self.store.submit(self.client, id_, order, Limits(100, 100))
        return id_

    def work(self, **changed: Any) -> Worker:
        """Run one job to its end."""
        settings = replace(self.settings, **changed)
        worker = Worker(settings, self.store, self.folder, Shops(), name="w")
        lease = self.store.claim("w", settings.lease_s, settings.attempts)
        assert lease is not None
        worker.work(lease)
        return worker

    def job(self, id_: str) -> Job:
        found = self.store.get(self.client, id_)
        assert found is not None
        return found

    def files(self, id_: str) -> list[str]:
        return sorted(
            str(path.relative_to(self.folder.job(id_)))
            for path in self.folder.job(id_).rglob("*")
            if path.is_file()
        )


def during(
    bench: Bench, act: Callable[[list[int]], None], after_s: float = 0.6, pool: int = 0
) -> None:
    """Do something to the job's processes a while after they started, ``pool`` of them by the
    process of the screen."""

    def wait() -> None:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            found = [pid for pid in children([os.getpid()]) if pid not in bench.strangers]
            if found and len(descendants(found)) >= pool:
                time.sleep(after_s)
                act(found + descendants(found))
                return
            time.sleep(0.05)

    threading.Thread(target=wait, daemon=True).start()


def screen_by(monkeypatch: pytest.MonkeyPatch, body: Callable[..., Any]) -> None:
    monkeypatch.setattr("dfmcheck.screen.screen", body)


def hang(*_: object, **__: object) -> None:
    time.sleep(120)


def hang_with_children(*_: object, **__: object) -> None:
    with ProcessPoolExecutor(2, mp_context=get_context("fork")) as pool:
        list(pool.map(time.sleep, [120, 120]))
