"""A server as a process of its own, with workers, over a real connection."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from benchmarks.service import kill
from benchmarks.service.live import Live, descendants, kill_hard
from tests.report.browser import PATIENCE_MS, browser
from tests.service.conftest import empty
from tests.service.postgres import free_port

JOBS = "/api/v1/jobs"
ENDED = ("done", "failed", "cancelled")


@pytest.fixture()
def live(tmp_path: Path) -> Iterator[Live]:
    made = Live(tmp_path / "data", free_port(), {"lease_s": "3"})
    yield made
    if made.log.is_file():  # shown with a test that fails
        print(made.log.read_text()[-4000:])
    if made.process and made.process.poll() is None:
        made.stop()


def send(live: Live, key: str, package: Path, **head: str) -> httpx.Response:
    return httpx.post(
        live.url + JOBS, files={"package": (package.name, package.read_bytes())},
        data={"shop": "volume"}, timeout=60,
        headers={"Authorization": f"Bearer {key}", **head},
    )  # fmt: skip


def follow(live: Live, key: str, id_: str, seconds: float = 120) -> dict[str, Any]:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        head = {"Authorization": f"Bearer {key}"}
        job: dict[str, Any] = httpx.get(f"{live.url}{JOBS}/{id_}", headers=head, timeout=60).json()
        if job["state"] in ENDED:
            return job
        time.sleep(0.3)
    raise AssertionError(f"the job never ended: {job}, {live.log.read_text()}")


def test_kill_at_random_loses_nothing(tmp_path: Path) -> None:
    live = Live(tmp_path / "data", free_port(), dict(kill.SETTINGS))
    figures = kill.Run(live, jobs=10, seed=3, gap_s=(0.0, 2.0), most=6).go()
    assert figures.wrong == [] and figures.recorded_not_once == 0
    assert figures.states == {"done": 10}
    assert sum(figures.kills.values()) >= 2


def test_a_restart_on_postgres_loses_nothing(tmp_path: Path, database: str, package: Path) -> None:
    empty(database)
    live = Live(tmp_path / "data", free_port(), {"lease_s": "3", "store": database})
    key = live.key("yard")
    live.start()
    live.wait()
    ids = [send(live, key, package).json()["id"] for _ in range(3)]
    time.sleep(1)
    live.kill()
    live.start()
    live.wait()
    assert [follow(live, key, id_)["verdict"] for id_ in ids] == ["hold"] * 3
    assert live.stop() == 0


def test_orderly_end_gives_the_job_back_and_the_next_start_does_it(
    live: Live, package: Path
) -> None:
    key, other = live.key("yard"), live.key("other")
    live.start()
    live.wait()
    ids = [send(live, key, package).json()["id"] for _ in range(3)]
    below = descendants([live.process.pid])  # type: ignore[union-attr]
    assert below
    assert live.stop() == 0
    assert not any(Path(f"/proc/{pid}").exists() for pid in below)
    live.start()
    live.wait()
    jobs = [follow(live, key, id_) for id_ in ids]
    assert [(job["state"], job["verdict"]) for job in jobs] == [("done", "hold")] * 3
    assert [job["attempts"] for job in jobs] == [1, 1, 1]
    for tail in ("", "/report", "/findings"):
        head = {"Authorization": f"Bearer {other}"}
        answer = httpx.get(f"{live.url}{JOBS}/{ids[0]}{tail}", headers=head)
        assert answer.status_code == 404
    text = live.log.read_text()
    assert ids[0] in text and package.name not in text and "gbr" not in text.lower()


def test_a_killed_worker_is_replaced(live: Live, package: Path) -> None:
    key = live.key("yard")
    live.start()
    live.wait()
    (worker,) = live.pids()["workers"]
    id_ = send(live, key, package).json()["id"]
    time.sleep(0.5)
    jobs = live.pids()["jobs"]
    kill_hard(worker)
    job = follow(live, key, id_)
    assert job["verdict"] == "hold"
    assert live.pids()["workers"] not in ([], [worker])
    assert not any(Path(f"/proc/{pid}").exists() for pid in jobs)


def test_an_early_refusal_reaches_a_client_that_sends_first(tmp_path: Path) -> None:
    live = Live(tmp_path / "data", free_port(), {"workers": "0", "max_upload_mb": "1"})
    key = live.key("yard")
    live.start()
    live.wait()
    large = tmp_path / "large.zip"
    large.write_bytes(b"x" * 1_900_000)
    answer = send(live, key, large)
    assert answer.status_code == 413 and "1 MB" in answer.json()["message"]
    answer = send(live, "dfm_wrong", large)
    assert answer.status_code == 401
    live.stop()


def test_the_commands_make_list_and_revoke_keys(tmp_path: Path, package: Path) -> None:
    data = ["--data", str(tmp_path / "data")]

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "dfmcheck.cli", "serve-clients", *words, *data],
            capture_output=True, text=True,
        )  # fmt: skip

    added = run("add", "yard", "--rate", "7")
    assert added.returncode == 0 and added.stdout.startswith("dfm_")
    key = added.stdout.strip()
    assert "yard" in run("add", "yard").stderr
    assert run("add", "local").returncode == 2
    listed = run("list").stdout
    assert "yard" in listed and "7" in listed and key not in listed
    live = Live(tmp_path / "data", free_port(), {"workers": "0"})
    live.start()
    live.wait()
    assert send(live, key, package).status_code == 202
    assert run("revoke", "yard").returncode == 0
    assert send(live, key, package).status_code == 401
    assert run("revoke", "yard").returncode == 2
    live.stop()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--no-keys", "--host", "0.0.0.0"], "without keys"),
        (["--store", "mysql://x"], "--store"),
        (["--workers", "-1"], "workers"),
        (["--data", "/proc/nowhere"], "data folder"),
    ],
)
def test_a_wrong_start_is_told_in_a_sentence(tmp_path: Path, options: list[str], told: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dfmcheck.cli", "serve", "--data", str(tmp_path / "d"), *options],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 2 and told in done.stderr
    assert "Traceback" not in done.stderr


def test_from_upload_to_report_in_a_browser(live: Live, package: Path) -> None:
    key = live.key("yard")
    live.start()
    live.wait()
    with browser() as started:
        page = started.new_context(viewport={"width": 1280, "height": 900}).new_page()
        page.set_default_timeout(PATIENCE_MS)
        told: list[str] = []
        asked: list[str] = []
        page.on("console", lambda message: told.append(message.text))
        page.on("pageerror", lambda error: told.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(live.url)
        page.wait_for_selector("#key:focus")
        page.keyboard.type(key)  # the field has the focus
        page.keyboard.press("Enter")
        page.wait_for_selector("#package")
        page.set_input_files("#package", package)
        page.select_option("[name=shop]", "volume")
        assert page.locator("[name=tier]").input_value() == "standard"
        assert page.locator("[name=tier] option").all_inner_texts() == [
            "economy", "standard", "advanced",
        ]  # fmt: skip
        page.select_option("[name=tier]", "economy")
        page.focus("#send")
        page.keyboard.press("Enter")
        page.wait_for_url("**/jobs/*")
        page.wait_for_selector("h1:has-text('Hold')")
        assert page.locator("text=harbour-gauge.zip").count() >= 1
        report = page.frame_locator("iframe")
        report.locator("html[data-ready=yes]").wait_for(state="attached")
        assert report.locator("#list > li").count() > 5
        page.click("a:has-text('Open the report')")
        page.wait_for_selector("html[data-ready=yes]", state="attached")
        assert page.evaluate("window.origin") == "null"  # in the sandbox
        page.go_back()
        page.wait_for_selector("h1:has-text('Hold')")
        report.locator("html[data-ready=yes]").wait_for(state="attached")
        page.click("summary:has-text('Delete it now')")
        with page.expect_navigation():
            page.click("button:has-text('Delete for good')")
        assert page.url == f"{live.url}/" and page.locator("text=None yet.").count() == 1
        assert told == []
        assert {url.split("/")[2] for url in asked if url.startswith("http")} == {
            f"127.0.0.1:{live.port}"
        }


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_fit_a_narrow_screen_and_can_be_read(live: Live, package: Path, scheme: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is missing")
    live.settings["keys"] = "false"
    live.start()
    live.wait()
    with browser() as started:
        page = started.new_context(
            viewport={"width": 360, "height": 700}, color_scheme=scheme
        ).new_page()
        page.set_default_timeout(PATIENCE_MS)

        def check() -> None:
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            # the report is checked where it is made
            found = axe.Axe().run(page, context={"exclude": [["iframe"]]})
            assert found.violations_count == 0, found.generate_report()

        page.goto(live.url)
        page.click("summary")
        check()
        page.set_input_files("#package", package)
        page.click("#send")
        page.wait_for_url("**/jobs/*")
        check()
        page.wait_for_selector("text=Open the report")
        check()
        page.goto(f"{live.url}/jobs/{'0' * 32}")
        check()
        page.goto(live.url)
        check()


def test_a_dropped_file_is_taken(live: Live) -> None:
    live.settings |= {"keys": "false", "workers": "0"}
    live.start()
    live.wait()
    with browser() as started:
        page = started.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.goto(live.url)
        page.evaluate(
            """() => {
              const data = new DataTransfer();
              data.items.add(new File(['PK'], 'dropped.zip'));
              const how = {bubbles: true, dataTransfer: data};
              document.body.dispatchEvent(new DragEvent('drop', how));
            }"""
        )
        assert page.evaluate("document.getElementById('package').files[0].name") == "dropped.zip"
        page.keyboard.press("Enter")  # the button has the focus
        page.wait_for_url("**/jobs/*")
        assert "Waiting" in page.inner_text("h1")
        page.click("button:has-text('Cancel')")
        page.wait_for_selector("h1:has-text('Cancelled')")


def test_the_server_ends_on_sigterm_even_with_an_upload_under_way(live: Live) -> None:
    import socket

    key = live.key("yard")
    live.settings["workers"] = "0"
    live.start()
    live.wait()
    with socket.create_connection(("127.0.0.1", live.port)) as line:
        line.sendall(
            f"POST {JOBS} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {key}\r\n"
            "Content-Length: 100000\r\nContent-Type: multipart/form-data; boundary=x\r\n\r\n"
            "--x\r\n".encode()
        )
        time.sleep(0.5)
        assert live.process is not None
        os.kill(live.process.pid, signal.SIGTERM)
        live.process.wait(45)
