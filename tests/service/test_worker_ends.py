"""Jobs that are cancelled, deleted, given back or forgotten, and what is swept after them."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from dfmcheck.service.folder import DataFolder
from dfmcheck.service.janitor import sweep
from dfmcheck.service.keys import new_id
from dfmcheck.service.shops import Shops
from dfmcheck.service.store import open_store
from dfmcheck.service.worker import Worker
from tests.service.benches import Bench, during, hang, hang_with_children, screen_by


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
        until = time.monotonic() + 60
        while (job := other.get(bench.client, id_)) and time.monotonic() < until:
            if job.total:
                seen.append((job.stage, job.done, job.total))
                break
            time.sleep(0.05)
        other.cancel(bench.client, id_)

    during(bench, look, after_s=0.0)
    bench.work()
    assert seen == [("measuring", 3, 9)]
    other.close()
