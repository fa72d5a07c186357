"""A worker process: takes one job at a time and watches over the process that runs it."""

from __future__ import annotations

import contextlib
import gc
import logging
import os
import signal
import socket
import time
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path

from dfmcheck import processes
from dfmcheck.service.child import Task, memory_outcome, time_outcome
from dfmcheck.service.folder import DataFolder
from dfmcheck.service.model import JobStore, Lease, Outcome, Unavailable
from dfmcheck.service.running import Attempt, how_it_died
from dfmcheck.service.settings import MB, Settings
from dfmcheck.service.shops import Shops

LOG = logging.getLogger("dfmcheck.service.worker")
_LOOK_S = 0.2
_IDLE_S = 0.25
_SEEN_S = 5.0


@dataclass
class Worker:
    """Runs jobs until told to stop."""

    settings: Settings
    store: JobStore
    folder: DataFolder
    shops: Shops
    name: str = field(default_factory=lambda: f"{socket.gethostname()}-{os.getpid()}")
    stopping: bool = False
    _seen: float = float("-inf")

    def stop(self, *_: object) -> None:
        self.stopping = True

    def run(self) -> None:
        """Take and run jobs until :meth:`stop`; a store that is away is waited for."""
        _preload(self.shops)
        LOG.info("worker %s ready", self.name)
        away = False
        while not self.stopping:
            try:
                self._tell_seen()
                lease = self.store.claim(self.name, self.settings.lease_s, self.settings.attempts)
                away = False
            except Unavailable as error:
                if not away:
                    LOG.warning("worker %s waits: %s", self.name, error)
                away, lease = True, None
            if lease is None:
                time.sleep(_IDLE_S)
            else:
                self.work(lease)
        LOG.info("worker %s stopped", self.name)

    def _tell_seen(self) -> None:
        if time.monotonic() - self._seen > _SEEN_S:
            self.store.seen(self.name)
            self._seen = time.monotonic()

    def work(self, lease: Lease) -> None:
        """Run one job to its end, whatever that is."""
        job = lease.job
        began = time.monotonic()
        try:
            place = self.folder.attempt(job.id)
        except FileNotFoundError:
            self._record(lease, _PACKAGE_LOST, None)
            return
        except OSError as error:
            LOG.error("job %s: the data folder cannot be written (%s)", job.id, error.strerror)
            self._again(lease, "found no room for results in the data folder", None)
            time.sleep(_IDLE_S)
            return
        task = Task(
            job.order, self.folder.package(job.id), place, self.settings.processes,
            self.settings.memory_limit_mb,
        )  # fmt: skip
        self.store.close()  # no connection may be open in two processes
        attempt = Attempt.start(task, self.shops, self.settings)
        outcome, lost = self._watch(lease, attempt)
        status = attempt.end()
        if attempt.trace:
            LOG.error("job %s: %s", job.id, attempt.trace)
        if lost:
            self.folder.remove_attempt(place)
            LOG.warning("job %s: lease lost or job deleted, attempt ended", job.id)
        elif outcome is not None:
            self._record(lease, outcome, place)
        elif self.stopping:
            self._give_back(lease, place, counts=False)
        else:
            self._died(lease, status, place)
        LOG.info(
            "job %s: attempt %d, %s, %.1f s, peak %.0f MB", job.id, job.attempts,
            outcome.state if outcome else "no outcome", time.monotonic() - began,
            attempt.peak / MB,
        )  # fmt: skip

    def _watch(self, lease: Lease, attempt: Attempt) -> tuple[Outcome | None, bool]:
        """Outcome, None where the process died or must stop; whether the lease is lost."""
        settings = self.settings
        every = min(1.0, settings.lease_s / 5)
        looked = beaten = kept = time.monotonic()
        while not attempt.over:
            if self.stopping and attempt.outcome is None:
                return None, False
            attempt.listen(0.1)
            now = time.monotonic()
            if attempt.outcome is None:
                if now - attempt.began > settings.time_limit_s:
                    return time_outcome(settings.time_limit_s), False
                if now - looked > _LOOK_S:
                    looked = now
                    if attempt.weigh() > settings.memory_limit_mb * MB:
                        return memory_outcome(settings.memory_limit_mb), False
            if now - beaten > every:
                beaten = now
                try:
                    self._tell_seen()
                    beat = self.store.beat(lease, settings.lease_s, *attempt.progress)
                except Unavailable:
                    if now - kept > settings.lease_s:
                        return None, True
                    continue
                kept = now
                if beat == "lost":
                    return None, True
                if beat == "cancel" and attempt.outcome is None:
                    return Outcome("cancelled", "cancelled by the client"), False
        return attempt.outcome, False

    def _record(self, lease: Lease, outcome: Outcome, place: Path | None) -> None:
        """Record the end; without the lease nothing of it stays."""
        until = time.monotonic() + 2 * self.settings.lease_s
        while True:
            try:
                recorded = self.store.finish(lease, outcome)
                break
            except Unavailable:
                if time.monotonic() > until:
                    return  # the job is taken again; what lies about is swept up later
                time.sleep(0.5)
        if recorded:
            self.folder.keep_only(lease.job.id, outcome.folder, package=self.settings.keep_package)
        elif place is not None:
            self.folder.remove_attempt(place)

    def _give_back(self, lease: Lease, place: Path | None, *, counts: bool) -> None:
        if place is not None:
            self.folder.remove_attempt(place)
        with contextlib.suppress(Unavailable):  # then the lease runs out by itself
            self.store.give_back(lease, counts=counts)

    def _died(self, lease: Lease, status: int, place: Path) -> None:
        told = how_it_died(status)
        LOG.error("job %s: the process %s", lease.job.id, told)
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGXCPU:
            self._record(lease, time_outcome(self.settings.time_limit_s), place)
        else:
            self._again(lease, told, place)

    def _again(self, lease: Lease, told: str, place: Path | None) -> None:
        """The job is tried again, or ends with what became of its process."""
        if lease.job.attempts < self.settings.attempts:
            self._give_back(lease, place, counts=True)
        else:
            times = f" on attempt {lease.job.attempts}" if lease.job.attempts > 1 else ""
            reason = f"the process of this screen {told}{times}, and it is not tried again"
            self._record(lease, Outcome("failed", reason, "crash"), place)


_NEEDED = (
    "lark",
    "pyarrow",
    "dfmcheck.formats.jobfile.reader",
    "dfmcheck.judge",
    "dfmcheck.measure.store",
    "dfmcheck.report.csv_report",
    "dfmcheck.report.html",
    "dfmcheck.report.json_report",
    "dfmcheck.report.junit",
    "dfmcheck.report.sarif",
    "dfmcheck.screen",
)
_PACKAGE_LOST = Outcome("failed", "the package is no longer in the data folder", "crash")


def _preload(shops: Shops) -> None:
    """Load once what every job needs; children share the memory."""
    for module in _NEEDED:
        import_module(module)
    from dfmcheck.measure.rule import measure_functions, rules

    shops.known  # noqa: B018 - it is kept from now on
    rules()
    measure_functions()
    gc.collect()
    gc.freeze()


def run_worker(settings: Settings) -> None:
    """Run a worker in this process until SIGTERM or SIGINT."""
    from dfmcheck.service.store import open_store

    os.umask(0o077)
    folder = DataFolder.opened(settings.folder)
    worker = Worker(
        settings, open_store(settings.store, settings.folder), folder, Shops(settings.shops)
    )
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, worker.stop)
    worker.run()


def main() -> None:
    """Entry of a worker that a server started; it ends with its server."""
    from dfmcheck.service.logs import set_up
    from dfmcheck.service.settings import load

    parent = int(os.environ.pop("DFMCHECK_SERVER_PID", "0"))
    processes.die_with_parent()
    if parent and os.getppid() != parent:
        return
    set_up()
    run_worker(load({}))


if __name__ == "__main__":
    main()
