"""What comes over the wire: forms whole and damaged, limits, and what is left on the disk."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from python_multipart.multipart import MultipartParser

from dfmcheck.service.folder import DataFolder
from dfmcheck.service.keys import digest, new_key
from tests.service.gates import JOBS, Gate, gate_of


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


@pytest.mark.parametrize("line", [b"Content-Disposition: ", b""])
def test_the_head_of_a_field_is_bounded(
    gate: Gate, monkeypatch: pytest.MonkeyPatch, line: bytes
) -> None:
    real = MultipartParser.__init__

    def unbounded(self: MultipartParser, *args: Any) -> None:  # as older parsers are
        real(self, *args, max_header_size=10**9)

    monkeypatch.setattr(MultipartParser, "__init__", unbounded)
    body = b"--x\r\n" + line + b"a" * 100_000
    head = {"Content-Type": "multipart/form-data; boundary=x"}
    answer = gate.mine.post(JOBS, content=body, headers=head)
    assert answer.status_code == 400 and "4000 bytes" in answer.json()["message"]
    assert not list((gate.root / "incoming").iterdir())


def test_space_that_others_take_meanwhile_is_noticed(
    gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = iter([10**12, 10**12])
    monkeypatch.setattr(DataFolder, "free_bytes", lambda _: next(left, 10))
    assert gate.send(b"x" * 3_500_000).status_code == 507
    assert not list((gate.root / "incoming").iterdir())
