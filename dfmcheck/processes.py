"""Limits on one screen's processes, and their end (Linux); shared by watch and service."""

from __future__ import annotations

import contextlib
import ctypes
import os
import resource
import signal
import sys
import time
from pathlib import Path

_DEATH_SIGNAL = 1  # PR_SET_PDEATHSIG, linux/prctl.h
_HEADROOM = 2 << 30
"""Address space beyond the memory limit: libraries reserve much that they never touch."""
_FILE_BYTES = 2 << 30
MB = 1_000_000


def die_with_parent() -> None:
    """Have the kernel end this process when the thread that started it ends."""
    if sys.platform != "linux":
        return
    ctypes.CDLL(None, use_errno=True).prctl(_DEATH_SIGNAL, signal.SIGKILL, 0, 0, 0)


def signal_name(number: int) -> str:
    """
    >>> signal_name(9), signal_name(60)
    ('SIGKILL', '60')
    """
    try:
        return signal.Signals(number).name
    except ValueError:
        return str(number)


def confine(memory_mb: int, time_s: float, processes: int) -> None:
    """Set this process's limits; its children inherit them.

    The watcher outside is what holds a screen to its limits; these hold when a single step
    outruns it, or the watcher is gone.
    """
    space = memory_mb * MB + _HEADROOM
    seconds = int(time_s * max(processes, 1)) + 60
    for what, most in (
        (resource.RLIMIT_AS, space),
        (resource.RLIMIT_CPU, seconds),
        (resource.RLIMIT_FSIZE, _FILE_BYTES),
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(what)[1]
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (most, most))
    with contextlib.suppress(OSError):
        # Where the machine itself runs out, the kernel shall end this rather than the server.
        Path("/proc/self/oom_score_adj").write_text("800", encoding="ascii")
    with contextlib.suppress(OSError):
        os.nice(5)


def group_members(group: int) -> list[int]:
    """Processes of a process group that still run."""
    out = []
    for entry in os.scandir("/proc"):
        if not entry.name.isdigit():
            continue
        try:
            text = Path(entry.path, "stat").read_text(encoding="utf-8", errors="replace")
        except OSError:
            continue
        state, _, pgrp = text.rpartition(")")[2].split()[:3]
        if int(pgrp) == group and state != "Z":
            out.append(int(entry.name))
    return out


def group_memory(group: int) -> int:
    """Bytes of memory of a process group; a page shared by n processes counts 1/n to each."""
    return sum(process_memory(pid) for pid in group_members(group))


def process_memory(pid: int) -> int:
    """Bytes of memory of one process (its proportional set size); 0 when it is gone."""
    try:
        with Path(f"/proc/{pid}/smaps_rollup").open(encoding="ascii") as lines:
            for line in lines:
                if line.startswith("Pss:"):
                    return int(line.split()[1]) * 1024
    except OSError:
        pass
    return 0


def end_group(group: int, wait_s: float = 10.0) -> None:
    """Kill all of a process group and wait until it is gone."""
    until = time.monotonic() + wait_s
    while time.monotonic() < until:
        try:
            os.killpg(group, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            return
        if not group_members(group):
            return
        time.sleep(0.02)
