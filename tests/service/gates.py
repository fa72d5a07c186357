"""An application in this process, with two clients and no worker, for tests."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from fastapi.testclient import TestClient

from dfmcheck.service.app import create_app
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.keys import digest, new_key
from dfmcheck.service.model import JobStore, Outcome
from dfmcheck.service.results import FILES
from dfmcheck.service.settings import Settings, load
from dfmcheck.service.store import open_store

JOBS = "/api/v1/jobs"
REPORT = (
    '<meta http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;; '
    'script-src &#39;sha256-abc&#39;"><p>report'
)


@dataclass
class Gate:
    """An application with two clients, and no worker: the tests do what a worker does."""

    root: Path
    settings: Settings
    store: JobStore = field(init=False)
    folder: DataFolder = field(init=False)
    mine: TestClient = field(init=False)
    other: TestClient = field(init=False)
    nobody: TestClient = field(init=False)
    keys: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.folder = DataFolder.opened(self.root)
        self.store = open_store(self.settings.store, self.root)
        app = create_app(self.settings, self.store, self.folder)
        clients = []
        for name in ("yard", "other"):
            self.keys.append(new_key())
            self.store.add_client(name, digest(self.keys[-1]))
            head = {"Authorization": f"Bearer {self.keys[-1]}"}
            clients.append(TestClient(app, "http://127.0.0.1:8480", headers=head))
        self.mine, self.other = clients
        self.nobody = TestClient(app, "http://127.0.0.1:8480")

    def send(
        self, data: bytes = b"PK rest", by: TestClient | None = None, **more: Any
    ) -> httpx.Response:
        head = more.pop("headers", {})
        name = more.pop("name", "pump.zip")
        fields = {"shop": "volume"} | more
        return (by or self.mine).post(
            JOBS, files={"package": (name, data)}, data=fields, headers=head
        )

    def done(self, state: str = "done") -> str:
        """A job of mine that ended."""
        id_: str = self.send().json()["id"]
        lease = self.store.claim("w", 30, 3)
        assert lease is not None and lease.job.id == id_
        if state == "failed":
            assert self.store.finish(lease, Outcome("failed", "it is no board", "package"))
            return id_
        place = self.folder.attempt(id_)
        for file in FILES.values():
            (place / file.name).write_text(REPORT if file.name.endswith("html") else "{}")
        outcome = Outcome("done", verdict="hold", counts={"hold": 2}, folder=place.name)
        assert self.store.finish(lease, outcome)
        return id_

    def on_disk(self) -> list[str]:
        return sorted(
            str(path.relative_to(self.root)) for path in self.root.rglob("*") if path.is_file()
        )


def gate_of(root: Path, **changed: Any) -> Gate:
    return Gate(root, load({"data": str(root), **changed}, environment={}))
