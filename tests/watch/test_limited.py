"""Tasks in a process of their own: whatever they do, the caller gets an answer."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from dfmcheck.limited import End, Ended, run_limited

TASK = """
import os, signal, subprocess, sys, time
from pathlib import Path
from dfmcheck.errors import PackageError
from dfmcheck.limited import serve_task

def task(given):
    what = given["what"]
    if what == "double":
        print("a library says something")
        os.write(1, b"and from C, too")
        return {"twice": given["n"] * 2}
    if what == "refuse":
        raise PackageError("the archive ends early", "a whole zip", "Ask for it again.")
    if what == "raise":
        raise ValueError("odd\\nthing")
    if what == "abort":
        os.abort()
    if what == "leave":
        os._exit(3)
    if what == "eat":
        kept = []
        while True:
            kept.append(bytearray(os.urandom(1 << 20) * 16))
            time.sleep(0.01)
    if what == "ask for much":
        return {"n": len(bytearray(1 << 40))}
    if what == "shout":
        for _ in range(300):
            os.write(2, b"x" * 65536)
        return {}
    child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(100)"])
    Path(given["pids"]).write_text(f"{os.getpid()} {child.pid} ")
    time.sleep(100)

if __name__ == "__main__":
    serve_task(task)
"""


@pytest.fixture(autouse=True)
def task_module(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "made_up_task.py").write_text(TASK)
    root = Path(__file__).parents[2]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join((str(tmp_path), str(root))))


def run(what: str, seconds: float = 60.0, megabytes: int = 1000, **given: object) -> Ended:
    return run_limited(
        "made_up_task", {"what": what, **given}, seconds=seconds, megabytes=megabytes
    )


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def gone(pids: list[int], within: float = 10.0) -> bool:
    until = time.monotonic() + within
    while time.monotonic() < until:
        if not any(alive(pid) for pid in pids):
            return True
        time.sleep(0.02)
    return False


def test_answer_comes_back_whatever_is_printed() -> None:
    ended = run("double", n=21)
    assert (ended.end, ended.answer, ended.reason) == (End.DONE, {"twice": 42}, "")
    assert "a library says something\n" in ended.trace
    assert "and from C, too" in ended.trace


def test_refusal_is_the_sentence_of_the_error() -> None:
    ended = run("refuse")
    assert (ended.end, ended.error) == (End.REFUSED, "PackageError")
    assert ended.reason == "the archive ends early; expected a whole zip. Ask for it again."


@pytest.mark.parametrize(
    ("what", "end", "told"),
    [
        ("raise", End.FAILED, "ValueError: odd thing"),
        ("abort", End.DIED, "its process ended without a result (signal SIGABRT)"),
        ("leave", End.DIED, "its process ended without a result (exit code 3)"),
        ("eat", End.MEMORY, "it needs more than the 300 MB of memory allowed"),
        ("ask for much", End.MEMORY, "it needs more than the 300 MB of memory allowed"),
    ],
)
def test_failure_is_one_sentence(what: str, end: End, told: str) -> None:
    ended = run(what, megabytes=300)
    assert (ended.end, ended.reason, ended.answer) == (end, told, {})


def test_flood_of_words_does_not_block_the_task() -> None:
    assert run("shout").end is End.DONE


def test_time_limit_ends_all_that_was_started(tmp_path: Path) -> None:
    began = time.monotonic()
    ended = run("sleep", seconds=3.0, pids=str(tmp_path / "pids"))
    assert ended.end is End.TIME
    assert ended.reason == "it took longer than the 3 s allowed"
    assert time.monotonic() - began < 30
    pids = [int(word) for word in (tmp_path / "pids").read_text().split()]
    assert len(pids) == 2
    assert gone(pids)


def test_stop_ends_all_that_was_started(tmp_path: Path) -> None:
    pids = tmp_path / "pids"
    ended = run_limited(
        "made_up_task", {"what": "sleep", "pids": str(pids)}, seconds=60, megabytes=1000,
        stop=lambda: pids.exists() and pids.read_text().endswith(" "),
    )  # fmt: skip
    assert ended.end is End.STOPPED
    assert gone([int(word) for word in pids.read_text().split()])


def test_task_ends_with_its_caller_even_when_that_is_killed(tmp_path: Path) -> None:
    caller = textwrap.dedent(f"""
        from dfmcheck.limited import run_limited
        run_limited("made_up_task", {{"what": "sleep", "pids": {str(tmp_path / "pids")!r}}},
                    seconds=100, megabytes=1000)
    """)
    process = subprocess.Popen([sys.executable, "-c", caller])
    until = time.monotonic() + 30
    pids = tmp_path / "pids"
    while not (pids.exists() and pids.read_text().endswith(" ")):
        assert time.monotonic() < until
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    assert gone([int(word) for word in pids.read_text().split()])
