"""The interface, in process: what is answered to whom, and what is on the disk by then."""

from __future__ import annotations

import json
import logging
import os
import shutil
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from dfmcheck.service.app import create_app
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.janitor import sweep
from dfmcheck.service.keys import digest, new_key
from dfmcheck.service.model import JobStore, Outcome, Unavailable
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


@pytest.fixture()
def gate(tmp_path: Path) -> Iterator[Gate]:
    made = gate_of(tmp_path / "data")
    yield made
    made.store.close()


def test_an_accepted_package_is_on_the_disk_and_in_the_store(gate: Gate) -> None:
    answer = gate.send(
        b"PK" + bytes(3_000_000), tier="economy", thickness="1.6", role="a.gbr=profile"
    )
    assert answer.status_code == 202
    job = answer.json()
    assert answer.headers["location"] == f"{JOBS}/{job['id']}" == job["links"]["self"]
    assert (job["state"], job["position"], job["package"]) == ("queued", 1, "pump.zip")
    assert (job["tier"], job["size"]) == ("economy", 3_000_002)
    assert gate.folder.package(job["id"]).read_bytes() == b"PK" + bytes(3_000_000)
    fresh = open_store("", gate.root)
    lease = fresh.claim("w", 30, 3)
    assert lease and lease.job.order.options == {
        "thickness": 1.6, "roles": {"a.gbr": "profile"},
    }  # fmt: skip
    fresh.close()


def test_synced_before_it_is_told(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    real_sync, real_submit = os.fsync, gate.store.submit
    kinds = {True: "folder", False: "file"}

    def sync(handle: int) -> None:
        order.append(kinds[Path(f"/proc/self/fd/{handle}").resolve().is_dir()])
        real_sync(handle)

    def submit(*args: Any) -> Any:
        order.append("row")
        return real_submit(*args)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(gate.store, "submit", submit)
    assert gate.send().status_code == 202
    assert order == ["file", "folder", "folder", "row"]


def test_the_tier_is_the_shops_own_where_none_is_given(gate: Gate) -> None:
    assert gate.send().json()["tier"] == "standard"


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"shop": "volum"}, "Did you mean 'volume'?"),
        ({"shop": "/etc/passwd"}, "no shop is called"),
        ({"shop": ""}, "no shop is given"),
        ({"tier": "standart"}, "Did you mean 'standard'?"),
        ({"thickness": "thick"}, "a number from 0.05 to 20 mm"),
        ({"thickness": "nan"}, "a number from 0.05 to 20 mm"),
        ({"copper": "-1"}, "a number from 1 to 1000 µm"),
        ({"role": "in1.gbr"}, "FILE=ROLE"),
        ({"role": "in1.gbr=banana"}, "banana"),
        ({"colour": "green"}, "'colour'"),
    ],
)
def test_what_does_not_fit_is_told_in_a_sentence(
    gate: Gate, fields: dict[str, str], told: str
) -> None:
    answer = gate.send(**fields)
    assert answer.status_code == 422 and told in answer.json()["message"]
    assert gate.store.counts() == {} and not list((gate.root / "jobs").iterdir())
    assert not list((gate.root / "incoming").iterdir())


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"", "multipart/form-data; boundary=x", 400),
        (b"--x\r\nbroken", "multipart/form-data; boundary=x", 400),
        (b"--x\r\n\r\n\r\n--x--\r\n", "multipart/form-data; boundary=x", 422),
        (b"{}", "application/json", 415),
        (b"x", "multipart/form-data", 415),
        (
            b'--x\r\nContent-Disposition: form-data; name="package"\r\n\r\ntext\r\n--x--\r\n',
            "multipart/form-data; boundary=x", 422,
        ),
        (
            b'--x\r\nContent-Disposition: form-data; name="package"; filename="a"\r\n\r\n'
            b"\r\n--x--\r\n",
            "multipart/form-data; boundary=x", 422,
        ),
        (
            b'--x\r\nContent-Disposition: form-data; name="package"; filename="a"\r\n\r\nPK\r\n',
            "multipart/form-data; boundary=x", 400,
        ),
        (
            b'--x\r\nContent-Disposition: form-data; name="shop"\r\n\r\n' + b"v" * 5000
            + b"\r\n--x--\r\n", "multipart/form-data; boundary=x", 400,
        ),
        (
            b'--x\r\nContent-Disposition: form-data; name="role"\r\n\r\na\r\n' * 61 + b"--x--\r\n",
            "multipart/form-data; boundary=x", 400,
        ),
    ],
)  # fmt: skip
def test_damaged_forms_leave_nothing(gate: Gate, body: bytes, kind: str, status: int) -> None:
    answer = gate.mine.post(JOBS, content=body, headers={"Content-Type": kind})
    assert answer.status_code == status, answer.text
    assert set(answer.json()) == {"error", "message"}
    assert not list((gate.root / "incoming").iterdir())


@pytest.mark.parametrize(
    "name", ["../../../../tmp/evil", "C:\\evil.zip", "a" * 5000 + ".zip", ".", "\x00\x1b[31m", ""]
)
def test_no_name_of_a_client_reaches_the_disk(gate: Gate, name: str) -> None:
    body = b'--x\r\nContent-Disposition: form-data; name="shop"\r\n\r\nvolume\r\n--x\r\n'
    quoted = name.encode().replace(b'"', b"%22").replace(b"\x00", b"%00")
    body += b'Content-Disposition: form-data; name="package"; filename="' + quoted + b'"\r\n\r\n'
    head = {"Content-Type": "multipart/form-data; boundary=x"}
    answer = gate.mine.post(JOBS, content=body + b"PK\r\n--x--\r\n", headers=head)
    if answer.status_code != 202:
        assert answer.status_code == 400 and len(name) > 4000  # a header of that length
        return
    job = answer.json()
    assert "/" not in job["package"] and "\x1b" not in job["package"] and job["package"]
    assert len(job["package"]) <= 120
    stored = [n for n in gate.on_disk() if not n.startswith("jobs.sqlite3")]
    assert stored == [f"jobs/{job['id']}/package"]


def test_upload_limit_by_announcement_by_count_and_by_client(tmp_path: Path) -> None:
    gate = gate_of(tmp_path / "data", max_upload_mb=1.0)
    assert gate.send(b"x" * 1_000_000).status_code == 202
    for size in (1_000_001, 3_000_000):
        answer = gate.send(b"x" * size)
        assert answer.status_code == 413 and "1 MB" in answer.json()["message"]

    def chunks() -> Iterator[bytes]:  # no length announced
        yield b'--x\r\nContent-Disposition: form-data; name="package"; filename="a"\r\n\r\n'
        for _ in range(40):
            yield b"x" * 100_000

    head = {"Content-Type": "multipart/form-data; boundary=x"}
    assert gate.mine.post(JOBS, content=chunks(), headers=head).status_code == 413
    assert not list((gate.root / "incoming").iterdir())
    key = new_key()
    gate.store.add_client("small", digest(key), max_bytes=1000)
    answer = gate.send(b"x" * 1001, headers={"Authorization": f"Bearer {key}"})
    assert answer.status_code == 413 and "0.001 MB" in answer.json()["message"]
    gate.store.close()


def test_an_upload_is_never_whole_in_memory(gate: Gate) -> None:
    import tracemalloc

    size = 40_000_000

    def chunks() -> Iterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="shop"\r\n\r\nvolume\r\n--x\r\n'
        yield b'Content-Disposition: form-data; name="package"; filename="a.zip"\r\n\r\n'
        for _ in range(size // 50_000):
            yield b"x" * 50_000
        yield b"\r\n--x--\r\n"

    head = {"content-type": "multipart/form-data; boundary=x"}
    head["authorization"] = f"Bearer {gate.keys[0]}"
    status = _straight(gate, chunks(), head)
    assert status == 202
    tracemalloc.start()
    assert _straight(gate, chunks(), head) == 202
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < size / 4
    assert gate.store.listed(1, 1)[0].order.size == size


def _straight(gate: Gate, chunks: Iterator[bytes], head: dict[str, str]) -> int:
    """Call the application without a client that would gather the body."""
    import asyncio

    statuses: list[int] = []

    async def receive() -> dict[str, Any]:
        part = next(chunks, None)
        return {"type": "http.request", "body": part or b"", "more_body": part is not None}

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            statuses.append(message["status"])

    scope = {
        "type": "http", "method": "POST", "path": JOBS, "raw_path": JOBS.encode(),
        "query_string": b"", "root_path": "", "scheme": "http", "http_version": "1.1",
        "headers": [(k.encode(), v.encode()) for k, v in head.items()] + [(b"host", b"x")],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8480),
    }  # fmt: skip
    asyncio.run(gate.mine.app(scope, receive, send))  # type: ignore[arg-type]
    return statuses[0]


@pytest.mark.parametrize("stalls", [False, True])
def test_a_client_that_goes_away_or_stalls_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stalls: bool
) -> None:
    import asyncio

    monkeypatch.setattr("dfmcheck.service.middleware._DRAIN_S", 0.1)
    gate = gate_of(tmp_path / "data", upload_time_s=1.0)
    body = b'--x\r\nContent-Disposition: form-data; name="package"; filename="a"\r\n\r\nPK half'
    parts = iter([{"type": "http.request", "more_body": True, "body": body}])
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        part = next(parts, None)
        if part is None and stalls:
            await asyncio.sleep(60)
        return part or {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    head = [
        (b"content-type", b"multipart/form-data; boundary=x"),
        (b"authorization", f"Bearer {gate.keys[0]}".encode()),
        (b"host", b"x"),
    ]
    scope = {
        "type": "http", "method": "POST", "path": JOBS, "raw_path": JOBS.encode(),
        "query_string": b"", "root_path": "", "scheme": "http", "http_version": "1.1",
        "headers": head, "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8480),
    }  # fmt: skip
    asyncio.run(gate.mine.app(scope, receive, send))  # type: ignore[arg-type]
    assert not list((gate.root / "incoming").iterdir())
    assert gate.store.counts() == {}
    assert sent[0]["status"] == (408 if stalls else 400)
    gate.store.close()


def test_a_repeated_submission_is_the_same_job(gate: Gate) -> None:
    head = {"Idempotency-Key": "order-7"}
    first = gate.send(headers=head)
    again = gate.send(headers=head)
    assert (first.status_code, again.status_code) == (202, 202)
    assert first.json()["id"] == again.json()["id"]
    assert "idempotency-replayed" not in first.headers
    assert again.headers["idempotency-replayed"] == "true"
    assert [n for n in gate.on_disk() if n.endswith("package")] == [
        f"jobs/{first.json()['id']}/package"
    ]
    for changed in ({"data": b"PK other"}, {"tier": "economy"}, {"name": "other.zip"}):
        answer = gate.send(headers=head, **changed)  # type: ignore[arg-type]
        assert answer.status_code == 422 and "Idempotency-Key" in answer.json()["message"]
    assert gate.send(by=gate.other, headers=head).json()["id"] != first.json()["id"]
    assert gate.send(headers={"Idempotency-Key": "a b"}).status_code == 400


def test_another_clients_key_gets_404_everywhere(gate: Gate) -> None:
    id_ = gate.done()
    unknown = "0" * 32
    for method, tail in (
        ("GET", ""), ("GET", "/findings"), ("GET", "/report"), ("GET", "/files/csv"),
        ("POST", "/cancel"), ("DELETE", ""),
    ):  # fmt: skip
        theirs = gate.other.request(method, f"{JOBS}/{id_}{tail}")
        none = gate.other.request(method, f"{JOBS}/{unknown}{tail}")
        assert theirs.status_code == none.status_code == 404, tail
        assert theirs.json() == none.json()
    for tail in ("", "/report", "/files/csv"):
        assert gate.other.get(f"/jobs/{id_}{tail}").status_code == 404
    for tail in ("/cancel", "/delete"):
        assert gate.other.post(f"/jobs/{id_}{tail}").status_code == 404
    assert gate.other.get(JOBS).json() == {"jobs": [], "more": None}
    assert gate.mine.get(f"{JOBS}/{id_}").status_code == 200


def test_without_a_key_nothing_is_told(gate: Gate) -> None:
    id_ = gate.done()
    for path in (JOBS, f"{JOBS}/{id_}", f"{JOBS}/{id_}/report", "/api/v1/shops"):
        for head in ({}, {"Authorization": "Bearer dfm_wrong"}, {"Authorization": "Basic abc"}):
            answer = gate.nobody.get(path, headers=head)
            assert answer.status_code == 401 and answer.headers["www-authenticate"] == "Bearer"
    assert gate.nobody.get("/api/v1/health").status_code == 200
    answer = gate.nobody.get(f"/jobs/{id_}", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")


def test_a_revoked_key_ends_at_once(gate: Gate) -> None:
    assert gate.mine.get(JOBS).status_code == 200
    gate.store.revoke_client("yard")
    assert gate.mine.get(JOBS).status_code == 401


def test_keys_are_kept_hashed(gate: Gate) -> None:
    gate.mine.get(JOBS)
    gate.store.close()
    for file in gate.root.rglob("*"):
        if file.is_file():
            data = file.read_bytes()
            assert not any(key.encode() in data for key in gate.keys), file.name


def test_results_come_when_the_job_is_done(gate: Gate) -> None:
    id_ = gate.send().json()["id"]
    early = gate.mine.get(f"{JOBS}/{id_}/findings")
    assert early.status_code == 409 and "queued" in early.json()["message"]
    assert early.headers["retry-after"]
    gate.mine.delete(f"{JOBS}/{id_}")
    id_ = gate.done()
    job = gate.mine.get(f"{JOBS}/{id_}").json()
    assert (job["state"], job["verdict"], job["counts"]) == ("done", "hold", {"hold": 2})
    assert "certificate" in job["caution"] and job["expires"] > job["finished"]
    for kind, link in job["links"].items():
        answer = gate.mine.get(link)
        assert answer.status_code == 200, kind
    assert gate.mine.get(f"{JOBS}/{id_}/findings").json() == {}
    answer = gate.mine.get(f"{JOBS}/{id_}/files/csv")
    assert answer.headers["content-disposition"].startswith("attachment")
    assert gate.mine.get(f"{JOBS}/{id_}/files/exe").status_code == 404
    assert gate.mine.get(f"{JOBS}/{id_}/files/..%2f..%2fjobs.sqlite3").status_code == 404


def test_a_failed_job_tells_why_instead_of_results(gate: Gate) -> None:
    id_ = gate.done("failed")
    job = gate.mine.get(f"{JOBS}/{id_}").json()
    assert (job["state"], job["kind"], job["verdict"]) == ("failed", "package", None)
    answer = gate.mine.get(f"{JOBS}/{id_}/report")
    assert answer.status_code == 409 and "it is no board" in answer.json()["message"]


def test_the_report_is_served_under_its_own_policy_in_a_sandbox(gate: Gate) -> None:
    id_ = gate.done()
    for path in (f"{JOBS}/{id_}/report", f"/jobs/{id_}/report"):
        answer = gate.mine.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'; script-src 'sha256-abc'" in policy
        assert "sandbox allow-scripts" in policy and "allow-same-origin" not in policy
        assert "frame-ancestors 'self'" in policy and "unsafe" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"


def test_every_answer_has_its_security_headers(gate: Gate) -> None:
    for path in ("/", "/sign-in", JOBS, "/nowhere", "/api/v1/nowhere", "/assets/page.css"):
        answer = gate.mine.get(path)
        assert "default-src 'none'" in answer.headers["content-security-policy"], path
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "same-origin"


def test_delete_takes_everything(gate: Gate) -> None:
    id_ = gate.done()
    assert gate.mine.delete(f"{JOBS}/{id_}").status_code == 204
    assert not gate.folder.job(id_).exists()
    assert gate.mine.get(f"{JOBS}/{id_}").status_code == 404
    assert gate.mine.delete(f"{JOBS}/{id_}").status_code == 404
    assert gate.mine.get(JOBS).json()["jobs"] == []


def test_cancel(gate: Gate) -> None:
    id_ = gate.send().json()["id"]
    job = gate.mine.post(f"{JOBS}/{id_}/cancel").json()
    assert job["state"] == "cancelled" and job["reason"]
    assert gate.mine.post(f"{JOBS}/{id_}/cancel").json()["state"] == "cancelled"


def test_lists_go_on(gate: Gate) -> None:
    ids = [gate.send().json()["id"] for _ in range(3)]
    first = gate.mine.get(JOBS, params={"limit": 2}).json()
    second = gate.mine.get(first["more"]).json()
    assert [job["id"] for job in first["jobs"] + second["jobs"]] == ids[::-1]
    assert second["more"] is None
    assert gate.mine.get(JOBS, params={"limit": 0}).status_code == 422
    assert gate.mine.get(JOBS, params={"before": "../x"}).json()["jobs"] == []


def test_full_queue_and_rate_say_when_to_come_again(tmp_path: Path) -> None:
    gate = gate_of(tmp_path / "data", max_queue=2, rate=4)
    assert [gate.send().status_code for _ in range(3)] == [202, 202, 429]
    answer = gate.send()
    assert "queue is full" in answer.json()["message"] and int(answer.headers["retry-after"]) > 0
    answer = gate.send()
    assert answer.status_code == 429 and "4 packages in a minute" in answer.json()["message"]
    assert 1 <= int(answer.headers["retry-after"]) <= 16
    assert gate.send(by=gate.other).json()["message"].startswith("the queue is full")
    assert len([n for n in gate.on_disk() if n.endswith("package")]) == 2
    gate.store.close()


def test_a_full_disk_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    gate = gate_of(tmp_path / "data", min_free_mb=1e9)
    answer = gate.send()
    assert answer.status_code == 507 and "disk space" in answer.json()["message"]
    gate.store.close()
    gate = gate_of(tmp_path / "data2")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert gate.send().status_code == 507
    assert not list((gate.root / "incoming").iterdir())
    monkeypatch.undo()
    gate.store.close()


def test_a_store_that_is_away_gives_503(gate: Gate, monkeypatch: pytest.MonkeyPatch) -> None:
    def away(*_: object, **__: object) -> None:
        raise Unavailable("gone")

    monkeypatch.setattr(gate.store, "submit", away)
    answer = gate.send()
    assert answer.status_code == 503 and answer.headers["retry-after"]
    # It may have been recorded all the same, so the package waits for the sweep to tell.
    assert len(list((gate.root / "jobs").iterdir())) == 1
    sweep(gate.store, gate.folder, gate.settings, grace_s=0)
    assert not list((gate.root / "jobs").iterdir())
    monkeypatch.setattr(gate.store, "counts", away)
    assert gate.nobody.get("/api/v1/health").status_code == 503


def test_uploads_at_the_same_time_are_limited(gate: Gate) -> None:
    desk_limit = gate.settings.max_uploads
    started, release = threading.Semaphore(0), threading.Event()
    real = gate.store.submit

    def slow(*args: Any) -> Any:
        started.release()
        release.wait(20)
        return real(*args)

    gate.store.submit = slow  # type: ignore[method-assign]
    answers: list[int] = []
    threads = [
        threading.Thread(target=lambda: answers.append(gate.send().status_code))
        for _ in range(desk_limit)
    ]
    for thread in threads:
        thread.start()
    for _ in threads:
        started.acquire(timeout=20)
    answer = gate.send()
    assert answer.status_code == 429 and "under way" in answer.json()["message"]
    release.set()
    for thread in threads:
        thread.join()
    assert answers == [202] * desk_limit
    assert gate.send().status_code == 202


def test_without_keys_only_this_machine_is_served(tmp_path: Path) -> None:
    gate = gate_of(tmp_path / "data", keys=False)
    here = gate.nobody
    assert here.get(JOBS).status_code == 200
    assert gate.send(by=here).status_code == 202
    for head in (
        {"Host": "evil.example"}, {"Host": "["}, {"X-Forwarded-For": "10.0.0.1"},
        {"Forwarded": "for=10.0.0.1"},
    ):  # fmt: skip
        assert here.get(JOBS, headers=head).status_code == 403, head
    for head in (
        {"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"}, {"Origin": "null"},
    ):  # fmt: skip
        assert gate.send(by=here, headers=head).status_code == 403, head
    good = {"Origin": "http://127.0.0.1:8480", "Sec-Fetch-Site": "same-origin"}
    assert gate.send(by=here, headers=good).status_code == 202
    gate.store.close()


def test_signing_in_gives_a_cookie_that_scripts_and_sites_cannot_use(gate: Gate) -> None:
    page = gate.nobody
    assert page.post("/sign-in", data={"key": "dfm_wrong"}).status_code == 401
    answer = page.post("/sign-in", data={"key": gate.keys[0]}, follow_redirects=False)
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=lax" in cookie
    assert page.get("/").status_code == 200
    evil = {"Origin": "https://evil.example"}
    assert gate.send(by=page, headers=evil).status_code == 403
    assert gate.send(by=page).status_code == 202
    page.post("/sign-out")
    assert page.get("/", follow_redirects=False).headers["location"] == "/sign-in"
    big = page.post("/sign-in", content=b"key=" + b"a" * 10_000)
    assert big.status_code == 413


def test_the_form_works_without_scripts(gate: Gate) -> None:
    answer = gate.mine.post(
        "/jobs", files={"package": ("<b>pump</b>.zip", b"PK")},
        data={"shop": "volume", "tier": "", "thickness": "", "role": ""}, follow_redirects=False,
    )  # fmt: skip
    assert answer.status_code == 303
    page = gate.mine.get(answer.headers["location"])
    assert "Waiting" in page.text and 'http-equiv="refresh"' in page.text
    assert "&lt;b&gt;" not in page.text and "<b>pump" not in page.text  # only what follows "/"
    answer = gate.mine.post("/jobs", files={"package": ("a", b"PK")}, data={"shop": "nil"})
    assert answer.status_code == 422 and "No shop is called" in answer.text


def test_logs_hold_no_customer_data(gate: Gate, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        id_ = gate.send(name="secret-name.zip", role="secret.gbr=profile").json()["id"]
        gate.mine.get(f"{JOBS}/{id_}")
        gate.mine.get("/secret-path?secret=1")
        gate.mine.get(f"{JOBS}/secret-job")
    ours = "\n".join(r.getMessage() for r in caplog.records if r.name.startswith("dfmcheck"))
    assert id_ in ours and "secret" not in ours


def test_the_description_is_whole(gate: Gate) -> None:
    spec = gate.nobody.get("/api/v1/openapi.json").json()
    assert len(spec["paths"]) == 9
    for path, methods in spec["paths"].items():
        for method, told in methods.items():
            assert told["summary"], (method, path)
    form = spec["paths"][JOBS]["post"]["requestBody"]["content"]["multipart/form-data"]
    assert set(form["schema"]["required"]) == {"package", "shop"}
    assert json.dumps(spec).count("Idempotency-Key") >= 1


def test_one_store_for_both(gate: Gate, database: str, package: Path, tmp_path: Path) -> None:
    """The same application on PostgreSQL."""
    from tests.service.conftest import empty

    empty(database)
    larger = Gate(tmp_path / "larger", replace(gate.settings, store=database))
    assert larger.send(package.read_bytes()).status_code == 202
    id_ = larger.mine.get(JOBS).json()["jobs"][0]["id"]
    assert larger.other.get(f"{JOBS}/{id_}").status_code == 404
    assert larger.mine.delete(f"{JOBS}/{id_}").status_code == 204
    assert shutil.disk_usage(tmp_path).free > 0
    larger.store.close()
