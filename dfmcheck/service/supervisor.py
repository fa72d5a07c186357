"""Keeps the worker processes of one server running."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
import threading
import time
from dataclasses import fields

from dfmcheck.service.settings import ENVIRONMENT, Settings

LOG = logging.getLogger("dfmcheck.service.supervisor")
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
_QUICK_S = 5.0
_END_S = 15.0


def worker_environment(settings: Settings) -> dict[str, str]:
    """The environment a worker is started with: every setting, so that none is in its command
    line, where others could read a password."""
    out = dict(os.environ)
    for entry in fields(Settings):
        value = getattr(settings, entry.name)
        if isinstance(value, tuple):
            text = os.pathsep.join(value)
        else:
            text = json.dumps(value) if isinstance(value, bool) else str(value)
        out[ENVIRONMENT + entry.name.upper()] = text
    for name in _ONE_THREAD:
        out.setdefault(name, "1")
    out["DFMCHECK_SERVER_PID"] = str(os.getpid())
    return out


class Supervisor:
    """Starts workers in a thread of its own and replaces those that die.

    The thread lives as long as the process: the kernel ends the workers with it.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._stop = threading.Event()
        self._workers: list[subprocess.Popen[bytes]] = []
        self._thread = threading.Thread(target=self._keep, name="supervisor", daemon=True)

    def start(self) -> None:
        if self._settings.workers:
            self._thread.start()

    def stop(self) -> None:
        """Ask the workers to give their jobs back and end; kill those that do not."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(_END_S + 5)

    def _spawn(self) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "dfmcheck.service.worker"],
            env=worker_environment(self._settings),
            stdin=subprocess.DEVNULL,
        )

    def _keep(self) -> None:
        began: dict[int, float] = {}
        wait = 0.0
        while not self._stop.is_set():
            for worker in self._workers:
                if worker.poll() is not None:
                    lived = time.monotonic() - began.pop(worker.pid, 0.0)
                    LOG.error("worker process %d ended (%s)", worker.pid, worker.returncode)
                    # One that cannot even start must not be started over and over at once.
                    wait = min(max(wait * 2, 0.5), 30.0) if lived < _QUICK_S else 0.0
            self._workers = [worker for worker in self._workers if worker.poll() is None]
            if len(self._workers) < self._settings.workers and not self._stop.wait(wait):
                try:
                    worker = self._spawn()
                except OSError as error:
                    LOG.error("no worker process can be started (%s)", error.strerror)
                    wait = 5.0
                    continue
                began[worker.pid] = time.monotonic()
                self._workers.append(worker)
            else:
                self._stop.wait(0.2)
        self._end()

    def _end(self) -> None:
        for worker in self._workers:
            worker.terminate()
        until = time.monotonic() + _END_S
        for worker in self._workers:
            try:
                worker.wait(max(until - time.monotonic(), 0.1))
            except subprocess.TimeoutExpired:
                worker.kill()
                worker.wait()
