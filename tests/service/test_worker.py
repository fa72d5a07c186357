"""Worker and job processes: results, limits, deaths. The screen is replaced where it must hang."""

from __future__ import annotations

import faulthandler
import json
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks.service.live import children, descendants
from dfmcheck.measure import store as screenings
from dfmcheck.service import child
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.janitor import sweep
from dfmcheck.service.keys import digest, new_id, new_key
from dfmcheck.service.model import Job, JobStore, Limits, Order
from dfmcheck.service.settings import Settings, load
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


@pytest.fixture()
def bench(tmp_path: Path, package: Path) -> Iterator[Bench]:
    mask = os.umask(0o077)  # as a worker sets it
    made = Bench(tmp_path / "data", package, load({"data": str(tmp_path)}, environment={}))
    yield made
    made.store.close()
    os.umask(mask)
    left = set(descendants([os.getpid()])) - made.strangers - set(descendants([*made.strangers]))
    assert not left, "a job left a process behind"


def during(bench: Bench, act: Callable[[list[int]], None], after_s: float = 0.6) -> None:
    """Do something to the job's processes a while after they started."""

    def wait() -> None:
        for _ in range(200):
            if found := [pid for pid in children([os.getpid()]) if pid not in bench.strangers]:
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
    time.sleep(5)
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
    during(bench, lambda pids: os.kill(pids[-1], signal.SIGKILL))
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


def test_cancelling_ends_a_running_job(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    screen_by(monkeypatch, hang_with_children)
    id_ = bench.submit()
    other = open_store("", bench.root)
    during(bench, lambda _: other.cancel(bench.client, id_))
    began = time.monotonic()
    bench.work()
    assert bench.job(id_).state == "cancelled" and time.monotonic() - began < 20
    assert bench.files(id_) == []
    other.close()


def test_deleting_ends_a_running_job_and_leaves_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen_by(monkeypatch, hang)
    id_ = bench.submit()
    other = open_store("", bench.root)
    during(bench, lambda _: other.delete(bench.client, id_))
    bench.work()
    assert bench.store.get(bench.client, id_) is None
    sweep(bench.store, bench.folder, bench.settings)
    assert not bench.folder.job(id_).exists() and bench.store.folders() == {}
    other.close()


def test_a_worker_told_to_stop_gives_its_job_back_uncounted(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen_by(monkeypatch, hang)
    id_ = bench.submit()
    worker = Worker(bench.settings, bench.store, bench.folder, Shops(), name="w")
    during(bench, lambda _: worker.stop())
    worker.run()
    job = bench.job(id_)
    assert (job.state, job.attempts) == ("queued", 0)
    assert bench.files(id_) == ["package"]


def test_a_worker_that_lost_its_lease_writes_nothing(bench: Bench) -> None:
    id_ = bench.submit()
    lease = bench.store.claim("slow", 0.0, 3)
    assert lease is not None
    time.sleep(0.01)
    bench.work()  # somebody else does it meanwhile
    before = bench.files(id_)
    late = Worker(bench.settings, bench.store, bench.folder, Shops(), name="slow")
    late.work(lease)
    assert bench.files(id_) == before
    assert bench.job(id_).attempts == 2


def test_a_package_that_is_gone_is_told(bench: Bench) -> None:
    id_ = bench.submit()
    bench.folder.remove(id_)
    bench.work()
    assert "no longer in the data folder" in bench.job(id_).reason


def test_a_data_folder_without_room_does_not_end_a_job_at_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> Path:
        raise OSError(28, "No space left on device")

    id_ = bench.submit()
    with monkeypatch.context() as patch:
        patch.setattr(DataFolder, "attempt", full)
        bench.work(attempts=3)
        assert (bench.job(id_).state, bench.files(id_)) == ("queued", ["package"])
        bench.work(attempts=2)
    job = bench.job(id_)
    assert (job.state, job.kind) == ("failed", "crash") and "no room" in job.reason


def test_the_janitor_sweeps_what_a_crash_left(bench: Bench) -> None:
    done, waiting, gone = bench.submit(), bench.submit(), bench.submit()
    bench.work()
    leftover = bench.folder.job(done) / new_id()
    leftover.mkdir()
    (bench.folder.job(done) / "package").write_bytes(b"x")
    orphan = bench.folder.job(new_id())
    orphan.mkdir()
    half = bench.folder.incoming()
    half.write_bytes(b"x")
    os.utime(half, (1, 1))
    bench.store.delete(bench.client, gone)
    sweep(bench.store, bench.folder, bench.settings)
    assert len(bench.files(done)) == 6 and not leftover.exists()
    assert bench.files(waiting) == ["package"]
    assert not bench.folder.job(gone).exists() and gone not in bench.store.folders()
    assert not half.exists()
    assert orphan.exists()  # its row may just be on its way
    sweep(bench.store, bench.folder, bench.settings, grace_s=0.0)
    assert not orphan.exists()


def test_the_janitor_leaves_a_folder_of_another_database_alone(bench: Bench) -> None:
    strangers = [bench.folder.job(new_id()) for _ in range(8)]
    for stranger in strangers:
        stranger.mkdir()
    sweep(bench.store, bench.folder, bench.settings, grace_s=0.0)
    assert all(stranger.exists() for stranger in strangers)
    bench.submit()
    sweep(bench.store, bench.folder, bench.settings, grace_s=0.0)
    assert not any(stranger.exists() for stranger in strangers)


def test_retention_deletes_results(bench: Bench) -> None:
    id_ = bench.submit()
    bench.work()
    sweep(bench.store, bench.folder, replace(bench.settings, retention_h=1))
    assert bench.job(id_).state == "done"
    sweep(bench.store, bench.folder, replace(bench.settings, retention_h=0))
    assert bench.store.get(bench.client, id_) is None
    assert not bench.folder.job(id_).exists()


def test_progress_is_told_while_it_runs(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def slow(*_: object, progress: Callable[[str, int, int], None], **__: object) -> None:
        progress("measuring", 3, 9)
        time.sleep(600)

    screen_by(monkeypatch, slow)
    id_ = bench.submit()
    seen: list[tuple[str, int, int]] = []
    other = open_store("", bench.root)

    def look(_: list[int]) -> None:
        job = other.get(bench.client, id_)
        assert job is not None
        seen.append((job.stage, job.done, job.total))

    during(bench, look, after_s=2.0)
    bench.work(time_limit_s=3.0)
    assert seen == [("measuring", 3, 9)]
    other.close()


def test_memory_errors_are_known_through_their_causes() -> None:
    try:
        try:
            raise MemoryError
        except MemoryError as error:
            raise ValueError("wrapped") from error
    except ValueError as error:
        assert child._out_of_memory(error)
    assert not child._out_of_memory(ValueError("plain"))
