"""In a Dask worker: keeps the process that screens, and ends it when it must.

Each thread of a worker has one such process, started with the first package and used for all
that follow. It is replaced when it ended by itself, took too long, or ran out of memory.
"""

from __future__ import annotations

import os
import pickle
import select
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from dfmcheck.fleet.child import HEAD
from dfmcheck.fleet.tasks import Limits, Outcome, Task, failed
from dfmcheck.processes import signal_name

_SHARE = 0.8  # of the machine's memory that all its processes may take together
_LOCAL = threading.local()
_KEEPERS: set[Keeper] = set()
_NO_MORE = threading.Event()
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def work(task: Task) -> Outcome:
    """Have one package screened. Never raises for what a package does."""
    if _NO_MORE.is_set():
        return failed(task, "crash", "the run was stopped")
    if not task.limits.memory:
        share = Limits(task.limits.seconds, memory_share(os.cpu_count() or 1))
        task = replace(task, limits=share)
    keeper: Keeper | None = getattr(_LOCAL, "keeper", None)
    if keeper is None:
        keeper = _LOCAL.keeper = Keeper()
        _KEEPERS.add(keeper)
    return keeper.outcome(task)


@contextmanager
def kept() -> Iterator[None]:
    """For workers that are threads of this process: at the end of the block the processes they
    keep are ended, whatever they are at, and no package starts another."""
    _NO_MORE.clear()
    try:
        yield
    finally:
        _NO_MORE.set()
        while _KEEPERS:
            _KEEPERS.pop().stop()


def memory_share(threads: int) -> int:
    """MB for each of ``threads`` processes of this machine."""
    pages, size = os.sysconf("SC_PHYS_PAGES"), os.sysconf("SC_PAGE_SIZE")
    return int(pages * size * _SHARE / 1e6 / max(threads, 1))


class Keeper:
    """One process that screens."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def outcome(self, task: Task) -> Outcome:
        """Screen a package, within its limits."""
        start = time.monotonic()
        process = self._started()
        try:
            answer = _asked(process, task, start + task.limits.seconds)
        except TimeoutError:
            self.end()
            reason = f"it was not done after {task.limits.seconds:g} s"
            return failed(task, "timeout", reason, time.monotonic() - start)
        except (EOFError, OSError):
            code = process.wait()
            self.end()
            return failed(task, "crash", _ending(code), time.monotonic() - start)
        outcome: Outcome = pickle.loads(answer)
        if outcome.state == "memory":
            self.end()
        return outcome

    def stop(self) -> None:
        """Kill the process, from another thread than the one that uses it."""
        process = self._process
        if process is not None:
            process.kill()
            process.wait()

    def end(self) -> None:
        """End the process; the next package starts another."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self.end()
            self._process = subprocess.Popen(
                [sys.executable, "-m", "dfmcheck.fleet.child"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **dict.fromkeys(_ONE_THREAD, "1")},
                bufsize=0,
                process_group=0,  # Ctrl-C is for the run, which ends them
            )
            if _NO_MORE.is_set():
                self._process.kill()
        return self._process


def _asked(process: subprocess.Popen[bytes], task: Task, until: float) -> bytes:
    """The answer of the process. TimeoutError when it is late, EOFError when it ended."""
    assert process.stdin is not None and process.stdout is not None
    content = pickle.dumps(task, protocol=pickle.HIGHEST_PROTOCOL)
    # the process reads a message at once, so that writing it cannot wait for long
    for part in (HEAD.pack(len(content)), content):
        view = memoryview(part)
        while view:
            view = view[process.stdin.write(view) :]
    answer = process.stdout.fileno()
    length = HEAD.unpack(_read(answer, HEAD.size, until))[0]
    return _read(answer, length, until)


def _read(stream: int, length: int, until: float) -> bytes:
    out = bytearray()
    ready = select.poll()
    ready.register(stream, select.POLLIN | select.POLLHUP)
    while len(out) < length:
        left = until - time.monotonic()
        if left <= 0 or not ready.poll(left * 1000):
            raise TimeoutError
        part = os.read(stream, min(length - len(out), 1 << 20))
        if not part:
            raise EOFError
        out += part
    return bytes(out)


def _ending(code: int) -> str:
    if code >= 0:
        return f"the process that screened it ended with code {code}"
    name = signal_name(-code)
    hint = ", often for want of memory" if name == "SIGKILL" else ""
    return f"the process that screened it was ended by signal {name}{hint}"
