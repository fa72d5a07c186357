"""Sends packages of the open boards from several clients at once and follows them to the end.

``python -m benchmarks.service.load --packages 100 --clients 8`` prints how long jobs waited and
took, and the most memory that server, workers and job processes held.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx

from benchmarks.service.live import Live

ROOT = Path(__file__).parents[2]
ENDED = ("done", "failed", "cancelled")


def packages(folder: Path, boards: Path) -> list[Path]:
    """Every open board as a zip, by name."""
    return [
        Path(shutil.make_archive(str(folder / board.name), "zip", board))
        for board in sorted(boards.iterdir())
        if board.is_dir()
    ]


class Memory:
    """Samples the memory of a server's processes twice a second and keeps the peaks."""

    def __init__(self, live: Live) -> None:
        self.live = live
        self.peaks: Counter[str] = Counter()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def __enter__(self) -> Memory:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(0.5):
            now = self.live.memory()
            now["all"] = sum(now.values())
            for kind, size in now.items():
                self.peaks[kind] = max(self.peaks[kind], size)


class Client:
    """One client: sends its share as fast as it can, then follows each job."""

    def __init__(self, live: Live, name: str, share: list[Path]) -> None:
        self.share = share
        self.http = httpx.Client(
            base_url=live.url, timeout=120, headers={"Authorization": f"Bearer {live.key(name)}"}
        )
        self.answer_s: list[float] = []

    def run(self) -> list[dict[str, Any]]:
        ids = []
        for path in self.share:
            began = time.monotonic()
            with path.open("rb") as file:
                answer = self.http.post(
                    "/api/v1/jobs", files={"package": (path.name, file)}, data={"shop": "volume"}
                )
            self.answer_s.append(time.monotonic() - began)
            assert answer.status_code == 202, answer.text
            ids.append(answer.json()["id"])
        return [self._follow(id_) for id_ in ids]

    def _follow(self, id_: str) -> dict[str, Any]:
        while True:
            job: dict[str, Any] = self.http.get(f"/api/v1/jobs/{id_}").json()
            if job["state"] in ENDED:
                if job["state"] == "done":
                    assert self.http.get(job["links"]["json"]).json()["verdict"] == job["verdict"]
                return job
            time.sleep(1.5)


def seconds(job: dict[str, Any], start: str, end: str) -> float:
    """Time between two moments of a job, whole seconds."""
    return (datetime.fromisoformat(job[end]) - datetime.fromisoformat(job[start])).total_seconds()


def spread(values: list[float]) -> dict[str, float]:
    """Median, 95th percentile and largest."""
    parts = statistics.quantiles(values, n=20, method="inclusive")
    return {
        "median": round(statistics.median(values), 2), "p95": round(parts[-1], 2),
        "max": round(max(values), 2),
    }  # fmt: skip


def run(live: Live, paths: list[Path], clients: int) -> dict[str, Any]:
    """Send them all and gather the figures."""
    makers = [Client(live, f"client-{n}", paths[n::clients]) for n in range(clients)]
    live.start()
    live.wait()
    began = time.monotonic()
    with Memory(live) as memory, ThreadPoolExecutor(clients) as pool:
        jobs = [job for share in pool.map(Client.run, makers) for job in share]
    took = time.monotonic() - began
    slowest: dict[str, float] = {}
    for job in jobs:
        ran = seconds(job, "started", "finished")
        slowest[job["package"]] = max(slowest.get(job["package"], 0.0), ran)
    live.stop()
    return {
        "sent": len(paths),
        "states": Counter(job["state"] for job in jobs),
        "verdicts": Counter(str(job["verdict"]) for job in jobs),
        "lost": len(paths) - len({job["id"] for job in jobs}),
        "seconds_in_all": round(took, 1),
        "answer_to_submit_s": spread([s for maker in makers for s in maker.answer_s]),
        "waiting_s": spread([seconds(job, "created", "started") for job in jobs]),
        "screening_s": spread([seconds(job, "started", "finished") for job in jobs]),
        "to_result_s": spread([seconds(job, "created", "finished") for job in jobs]),
        "longest_screen_s": dict(sorted(slowest.items(), key=lambda item: -item[1])[:4]),
        "peak_mb": {kind: round(size / 1e6) for kind, size in memory.peaks.items()},
        "failed": sorted({f"{j['package']}: {j['reason']}" for j in jobs if j["reason"]}),
    }


def main() -> int:
    """Run it and print the figures; 1 where a job is lost or failed by the service."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packages", type=int, default=100)
    parser.add_argument("--clients", type=int, default=8)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--port", type=int, default=8492)
    parser.add_argument("--store", default="", help="postgresql://… instead of SQLite")
    parser.add_argument("--largest", type=int, default=1, help="how often the largest board goes")
    parser.add_argument("--without", nargs="*", default=[], help="boards left out")
    given = parser.parse_args()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # the server is ended then too
    boards = Path(os.environ.get("DFMCHECK_BOARDS") or ROOT.parent / "shared" / "boards")
    with tempfile.TemporaryDirectory(prefix="dfmcheck-load-") as name:
        folder = Path(name)
        (folder / "zips").mkdir()
        all_ = sorted(packages(folder / "zips", boards), key=lambda path: path.stat().st_size)
        all_ = [path for path in all_ if path.stem not in given.without]
        *usual, largest = all_
        rest = given.packages - given.largest
        paths = [largest] * given.largest + [usual[n % len(usual)] for n in range(rest)]
        settings = {
            "workers": str(given.workers), "rate": "100000", "max_jobs": "1000",
            "store": given.store, "time_limit_s": "1800",
        }  # fmt: skip
        live = Live(folder / "data", given.port, settings)
        try:
            figures = run(live, paths, given.clients)
        finally:
            live.kill()
    print(json.dumps(figures, indent=1))
    return 0 if not figures["lost"] and set(figures["states"]) <= {"done"} else 1


if __name__ == "__main__":
    raise SystemExit(main())
