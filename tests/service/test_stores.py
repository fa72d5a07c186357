"""What every job store must do; run on SQLite and on a real PostgreSQL."""

from __future__ import annotations

import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from dfmcheck.errors import UsageError
from dfmcheck.service.keys import digest, new_id, new_key
from dfmcheck.service.model import (
    Full,
    JobStore,
    Lease,
    Limits,
    Order,
    Outcome,
    Reused,
)
from dfmcheck.service.store import open_store
from tests.service.conftest import Opener, Time

ROOMY = Limits(1000, 1000)
DONE = Outcome("done", verdict="query", counts={"query": 2}, folder="f" * 32)
ORDER = Order("volume", "standard", "pump.zip", 100, "abc", {"board": "a"})


def client(store: JobStore, name: str = "yard") -> int:
    return store.add_client(name, digest(new_key())).id


def submit(store: JobStore, owner: int, order: Order = ORDER, limits: Limits = ROOMY) -> str:
    job, new = store.submit(owner, new_id(), order, limits)
    assert new
    return job.id


def claim(store: JobStore, lease_s: float = 30, attempts: int = 3) -> Lease:
    lease = store.claim("w", lease_s, attempts)
    assert lease is not None
    return lease


def test_a_job_goes_from_queue_to_result(store: JobStore, clock: Time) -> None:
    owner = client(store)
    id_ = submit(store, owner)
    job = store.get(owner, id_)
    assert job and (job.state, job.position, job.order) == ("queued", 1, ORDER)
    clock.now += 5
    lease = claim(store)
    assert lease.job.id == id_ and lease.job.attempts == 1
    assert store.beat(lease, 30, "measuring", 3, 9) == "kept"
    job = store.get(owner, id_)
    assert job and (job.state, job.stage, job.done, job.total) == ("running", "measuring", 3, 9)
    assert job.started == clock.now and job.position is None
    assert store.finish(lease, DONE)
    job = store.get(owner, id_)
    assert job and job.ended
    assert (job.state, job.verdict, job.counts, job.folder) == (
        "done", "query", {"query": 2}, "f" * 32,
    )  # fmt: skip
    assert store.claim("w", 30, 3) is None


def test_a_reopened_store_has_lost_nothing(opener: Opener) -> None:
    first = opener()
    owner = client(first)
    waiting, running = submit(first, owner), submit(first, owner)
    lease = claim(first)
    assert lease.job.id == waiting
    first.close()
    again = opener()
    states = {job.id: job.state for job in again.listed(owner, 10)}
    assert states == {waiting: "running", running: "queued"}
    assert again.finish(lease, DONE)


def test_a_silent_worker_loses_its_job_and_may_not_write(store: JobStore, clock: Time) -> None:
    owner = client(store)
    id_ = submit(store, owner)
    late = claim(store, lease_s=30)
    clock.now += 29
    assert store.claim("other", 30, 3) is None
    assert store.beat(late, 30) == "kept"
    clock.now += 31
    fresh = claim(store)
    assert fresh.job.id == id_ and fresh.job.attempts == 2 and fresh.token != late.token
    assert store.beat(late, 30) == "lost"
    assert not store.finish(late, replace(DONE, verdict="release"))
    assert not store.give_back(late, counts=True)
    assert store.finish(fresh, DONE)
    assert not store.finish(late, replace(DONE, verdict="release"))
    job = store.get(owner, id_)
    assert job and job.verdict == "query"


def test_a_result_is_recorded_once_and_told_twice_alike(store: JobStore) -> None:
    owner = client(store)
    submit(store, owner)
    lease = claim(store)
    assert store.finish(lease, DONE)
    assert store.finish(lease, DONE)  # the first answer was lost on the way
    assert not store.finish(lease, replace(DONE, folder="e" * 32))
    assert not store.finish(lease, Outcome("failed", "late"))


def test_a_job_is_not_tried_for_ever(store: JobStore, clock: Time) -> None:
    owner = client(store)
    id_ = submit(store, owner)
    for _ in range(3):
        claim(store, attempts=3)
        clock.now += 31
    assert store.claim("w", 30, 3) is None
    job = store.get(owner, id_)
    assert job and (job.state, job.kind, job.attempts) == ("failed", "crash", 3)
    assert "3 times" in job.reason


def test_a_job_given_back_is_next_again(store: JobStore) -> None:
    owner = client(store)
    first, _ = submit(store, owner), submit(store, owner)
    lease = claim(store)
    assert store.give_back(lease, counts=False)
    again = claim(store)
    assert (again.job.id, again.job.attempts) == (first, 1)
    assert store.give_back(again, counts=True)
    assert claim(store).job.attempts == 2


def test_clients_take_turns(store: JobStore, clock: Time) -> None:
    heavy, light = client(store, "heavy"), client(store, "light")
    many = [submit(store, heavy) for _ in range(4)]
    few = [submit(store, light) for _ in range(2)]
    told = {
        job.id: job.position for owner in (heavy, light) for job in store.listed(owner, 10)
    }  # fmt: skip
    order = []
    for _ in range(6):
        clock.now += 1
        order.append(claim(store).job.id)
    assert order == [many[0], few[0], many[1], few[1], many[2], many[3]]
    assert [told[id_] for id_ in order] == [1, 2, 3, 4, 5, 6]


def test_two_workers_never_hold_one_job(opener: Opener) -> None:
    store = opener()
    owner = client(store)
    wanted = {submit(store, owner) for _ in range(40)}
    taken: list[str] = []
    lock = threading.Lock()

    def work(other: JobStore) -> None:
        while (lease := other.claim("w", 30, 3)) is not None:
            with lock:
                taken.append(lease.job.id)
            assert other.finish(lease, DONE)

    stores = [opener() for _ in range(4)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, stores))
    assert sorted(taken) == sorted(wanted)


def test_many_submit_at_once_and_the_limit_holds(opener: Opener) -> None:
    store = opener()
    owner = client(store)
    stores = [opener() for _ in range(4)]

    def push(n: int) -> bool:
        try:
            submit(stores[n % 4], owner, limits=Limits(10, 1000))
        except Full:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        accepted = sum(pool.map(push, range(30)))
    assert accepted == 10 == store.counts()["queued"]


def test_the_repeat_of_a_submission_is_the_same_job(opener: Opener) -> None:
    store = opener()
    owner, other = client(store), client(store, "other")
    order = replace(ORDER, repeat_key="once")
    first, new = store.submit(owner, new_id(), order, ROOMY)
    again, second = store.submit(owner, new_id(), order, ROOMY)
    assert (new, second, again.id) == (True, False, first.id)
    with pytest.raises(Reused):
        store.submit(owner, new_id(), replace(order, digest="other"), ROOMY)
    elsewhere, third = store.submit(other, new_id(), order, ROOMY)
    assert third and elsewhere.id != first.id

    stores = [opener() for _ in range(4)]
    same = replace(ORDER, repeat_key="raced")

    def push(n: int) -> tuple[str, bool]:
        job, fresh = stores[n].submit(owner, new_id(), same, ROOMY)
        return job.id, fresh

    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(push, range(4)))
    assert len({id_ for id_, _ in answers}) == 1 and sum(fresh for _, fresh in answers) == 1


def test_limits_of_queue_and_client(store: JobStore) -> None:
    owner, other = client(store), client(store, "other")
    submit(store, owner, limits=Limits(3, 2))
    submit(store, owner, limits=Limits(3, 2))
    with pytest.raises(Full, match="2 of your jobs"):
        submit(store, owner, limits=Limits(3, 2))
    submit(store, other, limits=Limits(3, 2))
    with pytest.raises(Full, match="queue is full"):
        submit(store, other, limits=Limits(3, 2))
    claim(store)
    with pytest.raises(Full, match="2 of your jobs"):  # a running one counts too
        submit(store, owner, limits=Limits(3, 2))


def test_no_client_sees_or_touches_the_job_of_another(store: JobStore) -> None:
    owner, other = client(store), client(store, "other")
    id_ = submit(store, owner)
    assert store.get(other, id_) is None
    assert store.cancel(other, id_) is None
    assert not store.delete(other, id_)
    assert store.listed(other, 10) == []
    assert store.listed(other, 10, before=id_) == []
    job = store.get(owner, id_)
    assert job and job.state == "queued" and not job.cancel


def test_cancel(store: JobStore, clock: Time) -> None:
    owner = client(store)
    waiting, running, lost = (submit(store, owner) for _ in range(3))
    assert claim(store).job.id == waiting and claim(store).job.id == running
    job = store.cancel(owner, lost)
    assert job and job.state == "cancelled" and job.reason
    assert store.claim("w", 30, 3) is None
    job = store.cancel(owner, running)
    assert job and job.state == "running" and job.cancel
    clock.now += 31  # its worker is dead: it is not begun anew
    assert claim(store).job.id == waiting
    job = store.get(owner, running)
    assert job and job.state == "cancelled"


def test_a_running_job_hears_of_its_cancelling(store: JobStore) -> None:
    owner = client(store)
    id_ = submit(store, owner)
    lease = claim(store)
    store.cancel(owner, id_)
    assert store.beat(lease, 30) == "cancel"
    assert store.finish(lease, Outcome("cancelled", "cancelled by the client"))
    job = store.cancel(owner, id_)
    assert job and job.state == "cancelled"


def test_delete_leaves_no_word_of_the_client(store: JobStore, address: str, tmp_path: Path) -> None:
    owner = client(store)
    id_ = submit(store, owner, replace(ORDER, repeat_key="secret-key", name="secret-name.zip"))
    lease = claim(store)
    assert store.delete(owner, id_)
    assert not store.delete(owner, id_)
    assert store.get(owner, id_) is None and store.listed(owner, 10) == []
    assert store.beat(lease, 30) == "lost"
    assert not store.finish(lease, DONE)
    assert store.folders()[id_] == ("deleted", "")
    if not address:
        store.close()  # the last connection folds the log into the file
        for file in tmp_path.iterdir():
            assert b"secret-" not in file.read_bytes(), file.name
    store.purge([id_])
    assert store.folders() == {}


def test_purge_takes_only_what_was_deleted(store: JobStore) -> None:
    owner = client(store)
    id_ = submit(store, owner)
    store.purge([id_])
    assert store.get(owner, id_) is not None


def test_retention_takes_only_what_ended_before(store: JobStore, clock: Time) -> None:
    owner = client(store)
    old, young, waiting = (submit(store, owner) for _ in range(3))
    assert store.finish(claim(store), DONE)
    clock.now += 100
    assert store.finish(claim(store), DONE)
    assert store.expire(clock.now - 50) == 1
    assert store.get(owner, old) is None
    assert [job.id for job in store.listed(owner, 10)] == [waiting, young]
    assert store.counts() == {"deleted": 1, "done": 1, "queued": 1}


def test_lists_go_on_page_by_page(store: JobStore) -> None:
    owner = client(store)
    ids = [submit(store, owner) for _ in range(5)]
    first = store.listed(owner, 2)
    second = store.listed(owner, 2, before=first[-1].id)
    third = store.listed(owner, 2, before=second[-1].id)
    assert [job.id for job in first + second + third] == ids[::-1]
    assert store.listed(owner, 2, before="unknown") == []


def test_clients_and_their_keys(store: JobStore) -> None:
    key = new_key()
    added = store.add_client("yard", digest(key), rate=5, max_bytes=10, max_jobs=2)
    assert store.client_of(digest(key)) == added
    assert (added.rate, added.max_bytes, added.max_jobs) == (5, 10, 2)
    assert store.client_of(digest(new_key())) is None
    with pytest.raises(UsageError, match="yard"):
        store.add_client("yard", digest(new_key()))
    assert store.revoke_client("yard") and not store.revoke_client("yard")
    assert store.client_of(digest(key)) is None
    assert [(c.name, c.revoked is not None) for c in store.clients()] == [("yard", True)]


def test_workers_are_heard_of(store: JobStore, clock: Time) -> None:
    assert store.workers(30) == 0
    store.seen("a")
    clock.now += 20
    store.seen("b")
    store.seen("b")
    assert store.workers(30) == 2
    clock.now += 20
    assert store.workers(30) == 1


def test_texts_of_any_kind_come_back(store: JobStore) -> None:
    owner = client(store)
    name = "ß漢字 'quoted' \"x\"; DROP TABLE jobs; %s :id"
    id_ = submit(store, owner, replace(ORDER, name=name, options={"roles": {name: "legend-top"}}))
    job = store.get(owner, id_)
    assert job and job.order.name == name and job.order.options == {"roles": {name: "legend-top"}}


def test_an_address_that_fits_no_store_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--store"):
        open_store("mysql://x", tmp_path)


def test_opening_the_store_again_lets_no_lock_of_this_process_go(tmp_path: Path) -> None:
    """Closing a file lets go all POSIX locks of the process on it; without its lock the next
    process to leave takes itself for the last and removes the log under everybody else."""
    first = open_store("", tmp_path)
    first.add_client("yard", "d")
    open_store("", tmp_path).close()
    script = "import sys; from pathlib import Path; from dfmcheck.service.store import open_store; "
    script += "open_store('', Path(sys.argv[1])).close()"
    subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=True)
    assert (tmp_path / "jobs.sqlite3-wal").exists()
    first.close()
