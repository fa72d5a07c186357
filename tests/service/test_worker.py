"""Worker and job processes: results, limits, deaths. The screen is replaced where it must hang."""

from __future__ import annotations

import faulthandler
import json
import os
import signal
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest
import shapely

from dfmcheck.errors import out_of_memory
from dfmcheck.measure import store as screenings
from tests.service.benches import ORDER, Bench, during, hang, hang_with_children, screen_by


def test_a_job_leaves_its_results_and_nothing_else(bench: Bench) -> None:
    id_ = bench.submit()
    bench.work()
    job = bench.job(id_)
    assert (job.state, job.verdict, job.attempts) == ("done", "hold", 1)
    assert [Path(name).name for name in bench.files(id_)] == [
        "findings.csv", "findings.json", "findings.junit.xml", "findings.sarif",
        "measurements.dfm", "report.html",
    ]  # fmt: skip
    found = json.loads(bench.folder.result(id_, job.folder, "findings.json").read_text())
    assert found["package"] == "harbour-gauge.zip" and found["verdict"] == "hold"
    assert sum(job.counts.values()) == len(found["findings"]) > 0
    kept = screenings.load(bench.folder.result(id_, job.folder, "measurements.dfm"))
    assert kept.package == "harbour-gauge.zip" and len(kept.places) > 0
    modes = {path.stat().st_mode & 0o077 for path in bench.folder.job(id_).rglob("*")}
    assert modes == {0}


def test_a_package_is_kept_where_asked(bench: Bench) -> None:
    id_ = bench.submit()
    bench.work(keep_package=True)
    assert "package" in bench.files(id_)


def test_a_single_file_has_its_role_by_the_name_the_client_gave(
    bench: Bench, tmp_path: Path
) -> None:
    layer = next((Path(__file__).parents[2] / "sample_boards").glob("*-planted/*.gtl"), None)
    source = (
        layer
        or sorted((Path(__file__).parents[2] / "sample_boards/tide-logger-planted").iterdir())[0]
    )
    id_ = bench.submit(replace(ORDER, name=source.name), source)
    bench.work()
    job = bench.job(id_)
    assert job.state == "done" and job.verdict in ("query", "hold")
    found = json.loads(bench.folder.result(id_, job.folder, "findings.json").read_text())
    assert [file["name"] for file in found["coverage"]["files"]] == [source.name]
    assert found["package"] == source.name


@pytest.mark.parametrize("name", ["..", "x/../../y.gbr", "pump.zip"])
def test_what_is_no_package_fails_with_one_sentence(
    bench: Bench, tmp_path: Path, name: str
) -> None:
    rubbish = tmp_path / "rubbish"
    rubbish.write_bytes(b"PK\x03\x04 this is no archive")
    id_ = bench.submit(replace(ORDER, name=name), rubbish)
    bench.work()
    job = bench.job(id_)
    assert (job.state, job.kind, job.attempts) == ("failed", "package", 1)
    assert job.reason.startswith(f"{name}: ") and str(tmp_path) not in job.reason
    assert bench.files(id_) == []


def test_a_board_that_is_not_there_is_told(bench: Bench) -> None:
    id_ = bench.submit(replace(ORDER, options={"board": "left"}))
    bench.work()
    job = bench.job(id_)
    assert (job.state, job.kind) == ("failed", "package") and "left" in job.reason


@pytest.mark.parametrize("body", [hang, hang_with_children])
def test_the_time_limit_ends_all_processes(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, body: Callable[..., None]
) -> None:
    screen_by(monkeypatch, body)
    id_ = bench.submit()
    bench.work(time_limit_s=1.5)
    job = bench.job(id_)
    assert (job.state, job.kind, job.attempts) == ("failed", "time", 1)
    assert "1.5 s" in job.reason
    assert bench.files(id_) == []


def fill(megabytes: int) -> float:
    held = np.ones(megabytes * 125_000)
    time.sleep(30)
    return float(held[0])


def test_the_memory_limit_counts_all_processes_of_a_job(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def shared_out(*_: object, **__: object) -> None:
        with ProcessPoolExecutor(3, mp_context=get_context("fork")) as pool:
            list(pool.map(fill, [250, 250, 250]))

    screen_by(monkeypatch, shared_out)
    id_ = bench.submit()
    bench.work(memory_limit_mb=600)
    job = bench.job(id_)
    assert (job.state, job.kind, job.attempts) == ("failed", "memory", 1)
    assert "600 MB" in job.reason


def test_one_huge_step_meets_the_memory_limit_too(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen_by(monkeypatch, lambda *_, **__: np.ones(20_000_000_000))
    id_ = bench.submit()
    bench.work(memory_limit_mb=600)
    assert (bench.job(id_).state, bench.job(id_).kind) == ("failed", "memory")


def test_a_library_that_is_out_of_memory_in_its_own_words_meets_it_too(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def out(*_: object, **__: object) -> None:
        raise shapely.errors.GEOSException("std::bad_alloc")

    screen_by(monkeypatch, out)
    id_ = bench.submit()
    bench.work(memory_limit_mb=600)
    job = bench.job(id_)
    assert (job.state, job.kind) == ("failed", "memory") and "600 MB" in job.reason


def test_a_killed_process_is_tried_again_and_then_told(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen_by(monkeypatch, hang_with_children)
    id_, other = bench.submit(), bench.submit()
    for attempt in (1, 2):
        during(bench, lambda pids: os.kill(pids[0], signal.SIGKILL))
        bench.work(attempts=2)
        assert bench.job(id_).attempts == attempt
        assert bench.files(id_) == (["package"] if attempt == 1 else [])
    job = bench.job(id_)
    assert (job.state, job.kind) == ("failed", "crash")
    assert "signal 9 (SIGKILL)" in job.reason and "attempt 2" in job.reason
    monkeypatch.undo()
    bench.work()
    assert bench.job(other).state == "done"  # and nothing else is harmed


def test_a_killed_process_of_the_pool_is_a_crash_not_an_error(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen_by(monkeypatch, hang_with_children)
    id_ = bench.submit()
    during(bench, lambda pids: os.kill(pids[-1], signal.SIGKILL), pool=2)
    bench.work(attempts=1)
    job = bench.job(id_)
    assert (job.state, job.kind) == ("failed", "crash")
    assert "lost one of its processes" in job.reason


def test_a_crash_of_the_interpreter_is_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def abort(*_: object, **__: object) -> None:
        faulthandler.disable()
        os.abort()

    screen_by(monkeypatch, abort)
    id_ = bench.submit()
    bench.work(attempts=1)
    assert "SIGABRT" in bench.job(id_).reason


def test_an_error_of_the_tool_says_nothing_of_the_data(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("secret-net-name in secret-file.gbr")

    screen_by(monkeypatch, broken)
    id_ = bench.submit(replace(ORDER, name="secret-name.zip"))
    with caplog.at_level("DEBUG"):
        bench.work()
    job = bench.job(id_)
    assert (job.state, job.kind, job.attempts) == ("failed", "tool", 1)
    assert "RuntimeError at test_worker.py" in caplog.text and id_ in caplog.text
    assert "secret" not in caplog.text + job.reason


def test_memory_errors_are_known_through_their_causes() -> None:
    try:
        try:
            raise MemoryError
        except MemoryError as error:
            raise ValueError("wrapped") from error
    except ValueError as error:
        assert out_of_memory(error)
    assert not out_of_memory(ValueError("plain"))
