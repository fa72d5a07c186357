"""Runs a task in a process of its own, with a limit on time and on memory.

Whatever the task does, crash of the interpreter included, the caller gets an answer in words.
The task is a module with ``if __name__ == "__main__": serve_task(function)`` at its end; it is
given one JSON object and returns one. It ends with its caller, even when that is killed.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from dfmcheck.errors import DfmcheckError, out_of_memory
from dfmcheck.processes import MB, confine, end_group, group_memory, signal_name

_POLL = 0.02  # seconds between looks at the process
_WEIGH = 0.25  # seconds between looks at its memory
_TOLD = 4000  # characters kept of what a crashed task said last


class End(StrEnum):
    """How a task ended."""

    DONE = "done"
    REFUSED = "refused"  # an error raised on purpose: its sentence is the reason
    FAILED = "failed"  # any other error of the task
    TIME = "time"
    MEMORY = "memory"
    DIED = "died"  # the process was ended by the system, or ended itself
    STOPPED = "stopped"  # the caller asked for it


@dataclass(frozen=True, slots=True)
class Ended:
    """What became of a task: ``answer`` where it is done, ``reason`` (one sentence) where not.

    ``error`` is the class name of the error of a task that refused or failed, ``trace`` what it
    said last, for whoever looks after the tool.
    """

    end: End
    answer: dict[str, Any] = field(default_factory=dict)
    reason: str = ""
    error: str = ""
    trace: str = ""


def run_limited(
    module: str,
    given: Mapping[str, Any],
    *,
    seconds: float,
    megabytes: int,
    processes: int = 1,
    stop: Callable[[], bool] = lambda: False,
) -> Ended:
    """Run the task of ``module`` on ``given`` and wait for it.

    Parameters
    ----------
    module : str
        Full name of a module that ends in :func:`serve_task`.
    given : mapping
        Must be JSON.
    seconds : float
        Time by the clock after which the task, and all processes it started, are ended.
    megabytes : int
        Memory the task and the processes it starts may use together.
    processes : int
        How many processes it may start; only for the processor time it is given.
    stop : callable
        Asked regularly; True ends the task.
    """
    limits = [megabytes, seconds, processes]
    message = json.dumps({"limits": limits, "given": dict(given)}) + "\n"
    process = subprocess.Popen(
        [sys.executable, "-m", module],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, encoding="utf-8", errors="replace", start_new_session=True,
    )  # fmt: skip
    said: dict[str, str] = {"out": "", "err": ""}
    assert process.stdout is not None and process.stderr is not None
    readers = [
        threading.Thread(target=_drain, args=(stream, name, said), daemon=True)
        for stream, name in ((process.stdout, "out"), (process.stderr, "err"))
    ]
    for reader in readers:
        reader.start()
    assert process.stdin is not None
    with contextlib.suppress(BrokenPipeError):
        process.stdin.write(message)
        process.stdin.flush()  # and stays open: its end tells the task that its caller is gone
    cut = _wait(process, time.monotonic() + seconds, megabytes, stop)
    end_group(process.pid)
    process.wait()
    with contextlib.suppress(BrokenPipeError):
        process.stdin.close()
    for reader in readers:
        reader.join(5.0)
    trace = said["err"][-_TOLD:]
    if cut is End.STOPPED:
        return Ended(cut, reason="it was stopped")
    if cut is End.TIME:
        return Ended(cut, reason=f"it took longer than the {seconds:g} s allowed", trace=trace)
    if cut is End.MEMORY:
        return Ended(cut, reason=_too_much(megabytes), trace=trace)
    return _answer(process.returncode, said["out"], trace, megabytes)


def _wait(
    process: subprocess.Popen[str], until: float, megabytes: int, stop: Callable[[], bool]
) -> End | None:
    """Wait for the end of the process; why it must be cut short, if it must."""
    weigh = 0.0
    # not poll(): the process must stay a zombie, so that its group's number is not given away
    while os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        now = time.monotonic()
        if stop():
            return End.STOPPED
        if now > until:
            return End.TIME
        if now >= weigh:
            weigh = now + _WEIGH
            if group_memory(process.pid) > megabytes * MB:
                return End.MEMORY
        time.sleep(_POLL)
    return None


def _too_much(megabytes: int) -> str:
    return f"it needs more than the {megabytes} MB of memory allowed"


def _drain(stream: Any, name: str, said: dict[str, str]) -> None:
    # what a task prints by mistake must not fill the memory of its caller
    with stream:
        while text := stream.read(65536):
            said[name] = (said[name] + text)[-(1 << 20) :]


def _answer(code: int, out: str, trace: str, megabytes: int) -> Ended:
    try:
        told = json.loads(out.rstrip("\n").rpartition("\n")[2])
    except ValueError:
        told = None
    if isinstance(told, dict) and "end" in told:
        reason = str(told.get("reason", ""))
        if told["end"] == End.MEMORY:
            reason = _too_much(megabytes)
        return Ended(
            End(told["end"]), dict(told.get("answer") or {}), reason,
            str(told.get("error", "")), trace,
        )  # fmt: skip
    if any(word in trace for word in ("MemoryError", "bad_alloc", "Unable to allocate")):
        return Ended(End.MEMORY, reason=_too_much(megabytes), trace=trace)
    return Ended(End.DIED, reason=f"its process ended without a result ({_how(code)})", trace=trace)


def _how(code: int) -> str:
    """
    >>> _how(-9), _how(3)
    ('signal SIGKILL', 'exit code 3')
    """
    return f"exit code {code}" if code >= 0 else f"signal {signal_name(-code)}"


# -- inside the process -------------------------------------------------------------------


def serve_task(task: Callable[[dict[str, Any]], dict[str, Any]]) -> None:
    """Take what the caller gives, hold to its limits, answer, and end the process."""
    message = json.loads(sys.stdin.readline() or "null")
    if message is None:
        os._exit(0)  # the caller was gone before it said anything
    # The answer goes out alone: whatever a library prints goes where errors go.
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    threading.Thread(target=_end_with_caller, daemon=True).start()
    confine(*message["limits"])
    told = _told(task, message["given"])
    with contextlib.suppress(BrokenPipeError):
        out.write("\n" + json.dumps(told) + "\n")
        out.flush()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)  # nothing left over may keep the process


def _told(
    task: Callable[[dict[str, Any]], dict[str, Any]], given: dict[str, Any]
) -> dict[str, Any]:
    try:
        return {"end": End.DONE, "answer": task(given)}
    except DfmcheckError as error:
        return {"end": End.REFUSED, "reason": str(error), "error": type(error).__name__}
    except MemoryError:
        return {"end": End.MEMORY, "error": "MemoryError"}
    except Exception as error:
        import traceback

        traceback.print_exc()
        if out_of_memory(error):
            return {"end": End.MEMORY, "error": type(error).__name__}
        told = " ".join(str(error).split())
        name = type(error).__name__
        return {"end": End.FAILED, "reason": f"{name}: {told}" if told else name, "error": name}


def _end_with_caller() -> None:
    while os.read(0, 4096):
        pass
    if os.getpgrp() == os.getpid():  # it leads a group of its own: nothing of it stays
        os.killpg(os.getpid(), signal.SIGKILL)
    os._exit(1)
