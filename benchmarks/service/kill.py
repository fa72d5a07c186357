"""Kills server, workers and job processes at random while jobs come in; every job must end right.

``python -m benchmarks.service.kill --jobs 200 --seed 7`` prints what was killed and how the jobs
ended, and fails unless every accepted job ended with the right findings, recorded exactly once.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from benchmarks.service.live import Live, descendants, kill_hard
from dfmcheck.capability import load_shop
from dfmcheck.judge import judge
from dfmcheck.measure.rule import rules
from dfmcheck.report.json_report import to_json
from dfmcheck.screen import screen
from dfmcheck.service.folder import DataFolder

SAMPLES = Path(__file__).parents[2] / "sample_boards"
PACKAGES = ("tide-logger-clean", "tide-logger-planted")
SHOPS = ("volume", "prototype", "published")
ENDED = ("done", "failed", "cancelled")
# Far more kills than a machine ever sees: a job may be hit again and again.
SETTINGS = {
    "lease_s": "4", "attempts": "100", "rate": "100000", "max_jobs": "100000", "workers": "2",
    "max_uploads": "100",
}  # fmt: skip


@dataclass
class Figures:
    """What happened."""

    jobs: int
    kills: Counter[str] = field(default_factory=Counter)
    retried: int = 0
    replayed: int = 0
    attempts: Counter[int] = field(default_factory=Counter)
    states: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    recorded_not_once: int = 0
    seconds: float = 0.0


def expected(package: Path, shop_name: str) -> dict[str, Any]:
    """The right answer, from the library directly."""
    shop = load_shop(shop_name)
    screening = screen(package, workers=1, reach=shop.limit_reach())
    return to_json(judge(screening, shop, rules=rules()))


def _comparable(report: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in report.items() if key != "package"}


class Run:
    """One run: submitters, a killer, and the judgement at the end."""

    def __init__(
        self, live: Live, jobs: int, seed: int, gap_s: tuple[float, float], most: int = 10_000
    ) -> None:
        self.live, self.gap_s, self.most = live, gap_s, most
        self.random = random.Random(seed)
        self.figures = Figures(jobs)
        self.folder = Path(tempfile.mkdtemp(prefix="dfmcheck-kill-"))
        self.zips = {
            name: Path(shutil.make_archive(str(self.folder / name), "zip", SAMPLES / name))
            for name in PACKAGES
        }
        self.answers = {
            (name, shop): _comparable(expected(path, shop))
            for name, path in self.zips.items()
            for shop in SHOPS
        }
        self.keys = [live.key(f"client-{n}") for n in range(4)]
        self.stopping = threading.Event()
        self._lock = threading.Lock()

    def go(self) -> Figures:
        began = time.monotonic()
        self.live.start()
        self.live.wait()
        if not self.live.settings.get("store"):
            _count_ends(self.live.data)
        killer = threading.Thread(target=self._kill)
        killer.start()
        try:
            with ThreadPoolExecutor(8) as pool:
                ids = list(pool.map(self._submit, range(self.figures.jobs)))
                if len(set(ids)) != len(ids):
                    self.figures.wrong.append("two submissions became one job")
                jobs = list(pool.map(self._follow, range(len(ids)), ids))
        finally:
            self.stopping.set()
            killer.join()
        self.live.wait()
        for n, job in enumerate(jobs):
            self._judge(n, job)
        self._leftovers(ids)
        below = descendants([self.live.process.pid] if self.live.process else [])
        self.live.stop()
        time.sleep(0.5)
        if any(Path(f"/proc/{pid}").exists() for pid in below):
            self.figures.wrong.append("a process outlived its server")
        self.figures.seconds = time.monotonic() - began
        shutil.rmtree(self.folder)
        return self.figures

    def _kill(self) -> None:
        while not self.stopping.is_set() and sum(self.figures.kills.values()) < self.most:
            # Mostly while a job runs, so that work goes on at all; now and then while all of it
            # is just coming back.
            if self.random.random() < 0.8:
                while not self.live.pids()["jobs"] and not self.stopping.wait(0.2):
                    pass
            if self.stopping.wait(self.random.uniform(*self.gap_s)):
                return
            kind = self.random.choices(("server", "workers", "jobs"), (2, 4, 4))[0]
            pids = self.live.pids()[kind]
            if not pids or not kill_hard(self.random.choice(pids)):
                continue
            self.figures.kills[kind] += 1
            if kind == "server":
                self.live.kill()
                self.live.start()

    def _ask(self, method: str, path: str, key: str, **more: Any) -> httpx.Response:
        """Ask until there is an answer, as a client with a bad line would."""
        head = {"Authorization": f"Bearer {key}"} | more.pop("headers", {})
        until = time.monotonic() + 300
        while time.monotonic() < until:
            try:
                answer = httpx.request(
                    method, self.live.url + path, timeout=60, headers=head, **more
                )
                if answer.status_code < 500 and answer.status_code != 429:
                    return answer
            except httpx.HTTPError:
                with self._lock:
                    self.figures.retried += 1
            process = self.live.process
            if process and process.poll() not in (None, -9):
                break
            time.sleep(0.3)
        raise AssertionError(f"the service never came back: {self.live.log.read_text()[-2000:]}")

    def _choice(self, n: int) -> tuple[str, str, str]:
        name = PACKAGES[n % len(PACKAGES)]
        return name, SHOPS[n % len(SHOPS)], self.keys[n % len(self.keys)]

    def _submit(self, n: int) -> str:
        name, shop, key = self._choice(n)
        answer = self._ask(
            "POST", "/api/v1/jobs", key, headers={"Idempotency-Key": f"job-{n}"},
            files={"package": (f"{name}-{n}.zip", self.zips[name].read_bytes())},
            data={"shop": shop},
        )  # fmt: skip
        assert answer.status_code == 202, answer.text
        if "idempotency-replayed" in answer.headers:
            with self._lock:
                self.figures.replayed += 1
        id_: str = answer.json()["id"]
        return id_

    def _follow(self, n: int, id_: str) -> dict[str, Any]:
        while True:
            answer = self._ask("GET", f"/api/v1/jobs/{id_}", self._choice(n)[2])
            job: dict[str, Any] = answer.json()
            if answer.status_code != 200 or job["state"] in ENDED:
                return job
            time.sleep(1.0)

    def _judge(self, n: int, job: dict[str, Any]) -> None:
        name, shop, key = self._choice(n)
        self.figures.states[job.get("state", "lost")] += 1
        self.figures.attempts[job.get("attempts", 0)] += 1
        if job.get("state") != "done":
            self.figures.wrong.append(f"job {n}: {job}")
            return
        found = self._ask("GET", job["links"]["json"], key).json()
        if found["package"] != f"{name}-{n}.zip" or _comparable(found) != self.answers[name, shop]:
            self.figures.wrong.append(f"job {n}: other findings than expected")
        again = self._ask("GET", job["links"]["self"], key).json()
        if again != job:
            self.figures.wrong.append(f"job {n} changed after its end")

    def _leftovers(self, ids: list[str]) -> None:
        folder = DataFolder(self.live.data)
        if sorted(folder.job_ids()) != sorted(ids):
            # a folder whose row never came: left by a kill between the two, swept up later
            extra = set(folder.job_ids()) - set(ids)
            if set(ids) - set(folder.job_ids()):
                self.figures.wrong.append("results are missing on the disk")
            for id_ in extra:
                if any((folder.job(id_)).glob("*/findings.json")):
                    self.figures.wrong.append("a job ran that nobody was told of")
        if not self.live.settings.get("store"):
            ends = _ends(self.live.data)
            self.figures.recorded_not_once = sum(1 for id_ in ids if ends[id_] != 1)
            if set(ends) - set(ids):
                self.figures.wrong.append("a job ended that nobody submitted")


def _count_ends(data: Path) -> None:
    """Have the database itself count how often each job's end is written."""
    with sqlite3.connect(data / "jobs.sqlite3", timeout=30) as connection:
        connection.executescript(
            "CREATE TABLE ends (id TEXT); CREATE TRIGGER count_ends AFTER UPDATE OF state ON jobs "
            "WHEN NEW.state IN ('done', 'failed', 'cancelled') "
            "BEGIN INSERT INTO ends VALUES (NEW.id); END;"
        )
    connection.close()


def _ends(data: Path) -> Counter[str]:
    connection = sqlite3.connect(data / "jobs.sqlite3", timeout=30)
    ends = Counter(row[0] for row in connection.execute("SELECT id FROM ends"))
    connection.close()
    return ends


def main() -> int:
    """Run it and print the figures; 1 where anything is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--port", type=int, default=8491)
    parser.add_argument("--store", default="", help="postgresql://… instead of SQLite")
    parser.add_argument("--gap", type=float, nargs=2, default=(0.0, 5.0), help="seconds")
    given = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # the server is ended then too
    with tempfile.TemporaryDirectory(prefix="dfmcheck-kill-") as folder:
        live = Live(Path(folder) / "data", given.port, {**SETTINGS, "store": given.store})
        try:
            figures = Run(live, given.jobs, given.seed, tuple(given.gap)).go()
        finally:
            live.kill()
    print(json.dumps(vars(figures), indent=1))
    return 1 if figures.wrong or figures.recorded_not_once else 0


if __name__ == "__main__":
    raise SystemExit(main())
