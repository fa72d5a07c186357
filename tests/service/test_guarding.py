"""Who may do what: keys, cookies, other sites, and what is told to whom."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import Any

import pytest

from tests.service.gates import JOBS, Gate, gate_of


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


def test_every_answer_has_its_security_headers(gate: Gate) -> None:
    for path in ("/", "/sign-in", JOBS, "/nowhere", "/api/v1/nowhere", "/assets/page.css"):
        answer = gate.mine.get(path)
        assert "default-src 'none'" in answer.headers["content-security-policy"], path
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert answer.headers["x-frame-options"] == "DENY"
        assert answer.headers["referrer-policy"] == "same-origin"


def test_without_keys_only_this_machine_is_served(tmp_path: Path) -> None:
    gate = gate_of(tmp_path / "data", keys=False)
    here = gate.nobody
    assert here.get(JOBS).status_code == 200
    assert gate.send(by=here).status_code == 202
    for head in (
        {"Host": "evil.example"}, {"Host": "["}, {"X-Forwarded-For": "10.0.0.1"},
        {"Forwarded": "for=10.0.0.1"}, {"X-Forwarded-Proto": "https"}, {"Via": "1.1 yard"},
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


def test_logs_hold_no_customer_data(gate: Gate, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        id_ = gate.send(name="secret-name.zip", role="secret.gbr=profile").json()["id"]
        gate.mine.get(f"{JOBS}/{id_}")
        gate.mine.get("/secret-path?secret=1")
        gate.mine.get(f"{JOBS}/secret-job")
    ours = "\n".join(r.getMessage() for r in caplog.records if r.name.startswith("dfmcheck"))
    assert id_ in ours and "secret" not in ours


_OPEN = {
    "/api/v1/health", "/api/v1/findings.schema.json", "/api/v1/openapi.json", "/sign-in",
    "/sign-out", "/assets/{name}",
}  # fmt: skip


def _routes(gate: Gate) -> list[tuple[str, str]]:
    """Method and path of every route there is, the ids filled in with those of a finished job."""
    found: set[tuple[str, str]] = set()

    def look(routes: list[Any], prefix: str) -> None:
        for route in routes:
            inner = getattr(route, "original_router", None)
            if inner is not None:
                look(inner.routes, prefix + route.include_context.prefix)
                continue
            found.update((method, prefix + route.path) for method in route.methods)

    look(gate.mine.app._app.routes, "")  # type: ignore[attr-defined]
    return sorted((method, path) for method, path in found if method != "HEAD")


def test_every_route_asks_for_a_key_but_those_that_are_open_to_all(gate: Gate) -> None:
    id_ = gate.done()
    routes = _routes(gate)
    assert len(routes) > 20 and {path for _, path in routes} >= _OPEN
    for method, path in routes:
        if path in _OPEN:
            continue
        address = path.replace("{job_id}", id_).replace("{kind}", "html")
        answer = gate.nobody.request(method, address, follow_redirects=False)
        shown = answer.headers.get("location")
        assert answer.status_code == 401 or (answer.status_code, shown) == (303, "/sign-in"), path
    assert gate.mine.get(f"{JOBS}/{id_}").json()["state"] == "done"


def test_no_other_site_can_use_a_cookie_to_change_anything(gate: Gate) -> None:
    id_ = gate.done()
    page = gate.nobody
    page.post("/sign-in", data={"key": gate.keys[0]})
    changing = [(m, p) for m, p in _routes(gate) if m not in ("GET", "OPTIONS")]
    assert ("DELETE", JOBS + "/{job_id}") in changing and ("POST", "/sign-out") in changing
    for head in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "same-site"}):
        for method, path in changing:
            answer = page.request(method, path.replace("{job_id}", id_), headers=head)
            assert answer.status_code == 403, (method, path, head)
    assert page.get(f"/jobs/{id_}").status_code == 200


def test_who_shows_no_key_cannot_hold_a_connection(
    gate: Gate, monkeypatch: pytest.MonkeyPatch
) -> None:
    import asyncio

    monkeypatch.setattr("dfmcheck.service.pages._FORM_S", 0.2)
    monkeypatch.setattr("dfmcheck.service.middleware._DRAIN_S", 0.1)
    sent: list[dict[str, Any]] = []
    parts = iter([{"type": "http.request", "more_body": True, "body": b"key="}])

    async def receive() -> dict[str, Any]:
        part = next(parts, None)
        if part is None:
            await asyncio.sleep(60)
        return part or {"type": "http.disconnect"}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    scope = {
        "type": "http", "method": "POST", "path": "/sign-in", "raw_path": b"/sign-in",
        "query_string": b"", "root_path": "", "scheme": "http", "http_version": "1.1",
        "headers": [(b"host", b"x"), (b"content-length", b"4000")],
        "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8480),
    }  # fmt: skip
    asyncio.run(asyncio.wait_for(gate.nobody.app(scope, receive, send), 20))  # type: ignore[arg-type]
    assert sent[0]["status"] == 408


def test_the_store_is_readable_by_its_own_user_alone(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir(mode=0o755)
    before = os.umask(0o022)
    try:
        gate = gate_of(tmp_path / "data")
    finally:
        os.umask(before)
    gate.send()
    modes = {file.name: file.stat().st_mode & 0o077 for file in (tmp_path / "data").iterdir()}
    gate.store.close()
    assert "jobs.sqlite3-wal" in modes and not any(modes.values()), modes
