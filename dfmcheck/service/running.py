"""The process of one attempt, seen from the worker that started it."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass, field
from typing import Any

from dfmcheck import processes
from dfmcheck.service.child import Task, perform
from dfmcheck.service.model import Outcome
from dfmcheck.service.settings import Settings
from dfmcheck.service.shops import Shops

_LOST_POOL = 70
"""Exit status when one of the screen's own processes was ended from outside."""


@dataclass(slots=True)
class Attempt:
    """A running attempt. ``outcome`` is set once it told one; ``peak`` is in bytes."""

    pid: int
    pipe: int
    began: float
    outcome: Outcome | None = None
    progress: tuple[str, int, int] = ("starting", 0, 0)
    trace: str = ""
    peak: int = 0
    over: bool = False
    _rest: bytes = field(default=b"")

    @classmethod
    def start(cls, task: Task, shops: Shops, settings: Settings) -> Attempt:
        """Fork a process for one attempt, in a process group of its own.

        To fork spares each job the second it takes to load the libraries. The worker has one
        thread and no connection open when it does so.
        """
        reading, writing = os.pipe()
        parent = os.getpid()
        pid = os.fork()
        if pid == 0:
            status = 1
            try:
                os.close(reading)
                status = _in_child(task, shops, settings, writing, parent)
            finally:
                os._exit(status)  # nothing inherited may run its own end
        os.close(writing)
        with contextlib.suppress(PermissionError, ProcessLookupError):
            os.setpgid(pid, pid)  # both sides do, whoever comes first
        os.set_blocking(reading, False)
        return cls(pid, reading, time.monotonic())

    def listen(self, wait_s: float) -> None:
        """Take what the process tells, waiting for it at most so long."""
        ready, _, _ = select.select([self.pipe], [], [], wait_s)
        if not ready:
            return
        try:
            block = os.read(self.pipe, 1 << 16)
        except BlockingIOError:
            return
        if not block:
            self.over = True
            return
        *lines, self._rest = (self._rest + block).split(b"\n")
        for line in lines:
            self._take(json.loads(line))

    def _take(self, told: dict[str, Any]) -> None:
        if "progress" in told:
            stage, done, total = told["progress"]
            self.progress = (str(stage), int(done), int(total))
        elif "trace" in told:
            self.trace = str(told["trace"])
        elif "outcome" in told:
            self.outcome = Outcome(**told["outcome"])

    def weigh(self) -> int:
        """Memory of all its processes now, bytes."""
        memory = processes.group_memory(self.pid)
        self.peak = max(self.peak, memory)
        return memory

    def end(self) -> int:
        """Kill what still runs of it; the wait status of its first process."""
        processes.end_group(self.pid)
        _, status = os.waitpid(self.pid, 0)
        processes.end_group(self.pid)
        os.close(self.pipe)
        return status


def how_it_died(status: int) -> str:
    """A wait status in words.

    Examples
    --------
    >>> how_it_died(9), how_it_died(1 << 8)
    ('was ended by signal 9 (SIGKILL)', 'ended with status 1')
    """
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return f"was ended by signal {number} ({processes.signal_name(number)})"
    code = os.WEXITSTATUS(status)
    return "lost one of its processes" if code == _LOST_POOL else f"ended with status {code}"


def _in_child(task: Task, shops: Shops, settings: Settings, writing: int, parent: int) -> int:
    os.setpgid(0, 0)
    processes.die_with_parent()
    if os.getppid() != parent:
        return 1
    os.register_at_fork(after_in_child=processes.die_with_parent)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_DFL)
    nothing = os.open(os.devnull, os.O_RDWR)
    for standard in (0, 1, 2):
        os.dup2(nothing, standard)
    tempfile.tempdir = str(task.folder)
    processes.confine(settings.memory_limit_mb, settings.time_limit_s, settings.processes)
    try:
        perform(task, shops, _teller(writing))
    except BrokenExecutor:
        return _LOST_POOL
    return 0


def _teller(pipe: int) -> Callable[[dict[str, Any]], None]:
    owner = os.getpid()

    def tell(what: dict[str, Any]) -> None:
        if os.getpid() != owner:
            return
        data = json.dumps(what).encode() + b"\n"
        while data:
            data = data[os.write(pipe, data) :]

    return tell
