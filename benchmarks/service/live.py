"""A server of the service as a process of its own, with its workers: to load, to kill, to test."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import httpx

from dfmcheck.processes import process_memory
from dfmcheck.service.keys import digest, new_key
from dfmcheck.service.store import open_store

_CLI = [sys.executable, "-m", "dfmcheck.cli", "serve"]


@dataclass
class Live:
    """One server on a port of this machine.

    Parameters
    ----------
    data : Path
        Its data folder; its log goes to ``server.log`` beside it.
    port : int
    settings : dict
        Further settings, as the environment names them.
    """

    data: Path
    port: int
    settings: dict[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None
    _log: IO[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def log(self) -> Path:
        return self.data.with_name(self.data.name + ".log")

    def start(self) -> None:
        environment = {
            **os.environ,
            **{f"DFMCHECK_SERVE_{name.upper()}": text for name, text in self.settings.items()},
        }
        if self._log is None:
            self._log = self.log.open("ab")
        self.process = subprocess.Popen(
            [*_CLI, "--data", str(self.data), "--port", str(self.port)],
            env=environment, stdin=subprocess.DEVNULL, stdout=self._log, stderr=self._log,
        )  # fmt: skip

    def wait(self, seconds: float = 60) -> None:
        """Wait until it answers, and until a worker is heard of where it keeps any."""
        wanted = "no-worker" if self.settings.get("workers") == "0" else "ok"
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            try:
                answer = httpx.get(f"{self.url}/api/v1/health", timeout=5)
                if answer.status_code == 200 and answer.json()["status"] in (wanted, "ok"):
                    return
            except httpx.HTTPError:
                pass
            assert self.process is None or self.process.poll() is None, self.log.read_text()
            time.sleep(0.1)
        raise AssertionError(f"the server does not answer: {self.log.read_text()}")

    def key(self, name: str) -> str:
        """A key for a new client."""
        self.data.mkdir(mode=0o700, parents=True, exist_ok=True)
        store = open_store(self.settings.get("store", ""), self.data)
        made = new_key()
        store.add_client(name, digest(made))
        store.close()
        return made

    def kill(self) -> None:
        """kill -9 of the server alone."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    def stop(self) -> int:
        """An orderly end; the exit status."""
        if self.process is None:
            return 0
        self.process.terminate()
        status = self.process.wait(60)
        if self._log is not None:
            self._log.close()
            self._log = None
        return status

    def pids(self) -> dict[str, list[int]]:
        """Processes that run now: the server, its workers, the processes of jobs."""
        server = [self.process.pid] if self.process and self.process.poll() is None else []
        workers = children(server)
        return {"server": server, "workers": workers, "jobs": descendants(workers)}

    def memory(self) -> dict[str, int]:
        """Bytes by kind of process; a shared page counts in parts."""
        return {kind: sum(map(process_memory, pids)) for kind, pids in self.pids().items()}


def _parents() -> dict[int, int]:
    out = {}
    for entry in os.scandir("/proc"):
        if entry.name.isdigit():
            try:
                text = Path(entry.path, "stat").read_text(errors="replace")
            except OSError:
                continue
            state, parent = text.rpartition(")")[2].split()[:2]
            if state != "Z":
                out[int(entry.name)] = int(parent)
    return out


def children(of: list[int]) -> list[int]:
    """Direct children of these processes."""
    return [pid for pid, parent in _parents().items() if parent in of]


def descendants(of: list[int]) -> list[int]:
    """All processes below these."""
    parents, out, front = _parents(), [], list(of)
    while front:
        front = [pid for pid, parent in parents.items() if parent in front]
        out += front
    return out


def kill_hard(pid: int) -> bool:
    """kill -9; whether it was still there."""
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return False
    return True
