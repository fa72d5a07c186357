"""The interface, in process: what is answered to whom, and what is on the disk by then."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dfmcheck.service.janitor import sweep
from dfmcheck.service.model import Unavailable
from dfmcheck.service.store import open_store
from tests.service.gates import JOBS, Gate, gate_of


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
    larger.store.close()
