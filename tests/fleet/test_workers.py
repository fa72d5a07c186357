"""Packages that bring their process down, runs that are killed, and workers that are lost."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from dfmcheck.capability import load_shop
from dfmcheck.fleet.content import digest
from dfmcheck.fleet.dataset import Dataset, Identity, key_of, row_from
from dfmcheck.fleet.keeper import Keeper
from dfmcheck.fleet.tasks import Limits, Task
from tests.fleet.conftest import COUNT, ROOT, command, environment, run

SAMPLE = ROOT / "sample_boards" / "tide-logger-clean"


@pytest.fixture
def keeper() -> Iterator[Keeper]:
    one = Keeper()
    yield one
    one.end()


def task(seconds: float = 300.0, memory: int = 0) -> Task:
    identity = Identity("mill/board", "mill", key_of("mill/board"), digest(SAMPLE))
    shop = load_shop("volume")
    return Task(identity, SAMPLE, shop, "standard", "0", Limits(seconds, memory))


def test_a_package_that_takes_too_long_is_given_up_and_the_next_is_screened(keeper: Keeper) -> None:
    late = keeper.outcome(task(seconds=0.01))
    assert (late.state, late.verdict) == ("timeout", "")
    assert late.reason == "it was not done after 0.01 s"
    assert keeper.outcome(task()).state == "screened"


def test_a_package_that_needs_too_much_memory_is_given_up(keeper: Keeper) -> None:
    assert keeper.outcome(task()).state == "screened"  # all is loaded
    large = keeper.outcome(task(memory=1))
    assert (large.state, large.reason) == ("memory", "it needed more than 1 MB")
    assert keeper.outcome(task()).state == "screened"


@pytest.mark.parametrize("number", [signal.SIGSEGV, signal.SIGKILL])
def test_a_process_that_is_killed_is_told_and_replaced(keeper: Keeper, number: int) -> None:
    assert keeper.outcome(task()).state == "screened"
    process = keeper._process
    assert process is not None
    timer = threading.Timer(0.1, os.kill, (process.pid, number))
    timer.start()
    outcome = keeper.outcome(task())
    assert outcome.state == "crash" and signal.Signals(number).name in outcome.reason
    row = row_from(outcome.job)
    assert (row["state"], row["verdict"], row["places"]) == ("crash", None, None)
    assert keeper.outcome(task()).state == "screened"


def test_a_failure_of_the_machine_is_tried_again(packages: Path, tmp_path: Path) -> None:
    folder = tmp_path / "packages"
    folder.mkdir()
    source = sorted(packages.rglob("board-*.zip"))[0]
    (folder / "a.zip").write_bytes(source.read_bytes())
    told = run("fleet", folder, "--shop", "volume", "--out", tmp_path / "out", "--timeout", "1",
               "--memory", "60")  # fmt: skip
    assert told.returncode == 10
    (row,) = Dataset(tmp_path / "out").jobs().to_pylist()
    # which of them comes first hangs on the machine; none is the package's fault
    assert row["state"] in ("timeout", "memory", "crash")
    assert "not screened: run the command again" in told.stdout
    told = run("fleet", folder, "--shop", "volume", "--out", tmp_path / "out")
    assert told.returncode == 0, told.stdout + told.stderr
    (row,) = Dataset(tmp_path / "out").jobs().to_pylist()
    assert row["state"] == "screened"


def finished(out: Path) -> int:
    return len(Dataset(out).files("jobs"))


def wait_for(what: str, ready: object, seconds: float = 240.0) -> None:
    assert callable(ready)
    until = time.monotonic() + seconds
    while not ready():
        assert time.monotonic() < until, f"no {what} after {seconds:g} s"
        time.sleep(0.05)


def same_as(out: Path, screened: Path) -> None:
    """Every package once, with the verdict and the places of the undisturbed run."""
    columns = ["package", "state", "verdict", "places", "hash"]
    mine, theirs = (Dataset(folder).jobs(columns).to_pylist() for folder in (out, screened))
    assert Counter(row["package"] for row in mine).most_common(1)[0][1] == 1

    def by_name(rows: list[dict[str, object]]) -> list[dict[str, object]]:
        return sorted(rows, key=lambda row: str(row["package"]))

    assert by_name(mine) == by_name(theirs)
    counted = {file.stem for file in Dataset(out).files("places")}
    assert counted == {key_of(r["package"]) for r in mine if r["state"] == "screened"}
    assert not list(out.rglob("*.part"))


def test_a_run_killed_in_the_middle_goes_on(packages: Path, screened: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    arguments = ("fleet", packages, "--shop", "volume", "--out", out, "--workers", "2")
    first = subprocess.Popen(
        command(*arguments), env=environment(), cwd=ROOT, start_new_session=True,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    wait_for("third package", lambda: finished(out) >= 3 or first.poll() is not None)
    os.killpg(first.pid, signal.SIGKILL)
    first.wait()
    before = {file: file.stat().st_mtime_ns for file in Dataset(out).files("jobs")}
    assert 3 <= len(before) < COUNT + 1, "the run was not killed in the middle"
    told = run(*arguments)
    assert told.returncode == 10, told.stderr
    assert f"{len(before)}  of these were done before" in told.stdout
    after = {file: file.stat().st_mtime_ns for file in Dataset(out).files("jobs")}
    assert {file: after[file] for file in before} == before
    same_as(out, screened)


def children(parent: int) -> list[int]:
    """Processes that threads of a process started, and that still run."""
    tasks = Path(f"/proc/{parent}/task").glob("*/children")
    return [int(pid) for task in tasks for pid in task.read_text().split()]


def test_stopped_by_hand_it_says_so_in_one_line(packages: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    process = subprocess.Popen(
        command("fleet", packages, "--shop", "volume", "--out", out, "--workers", "1"),
        env=environment(), cwd=ROOT, start_new_session=True, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    wait_for("second package", lambda: finished(out) >= 2)
    screening = children(process.pid)
    assert screening
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does
    _, told = process.communicate(timeout=120)
    assert not any(Path(f"/proc/{pid}").exists() for pid in screening)
    assert process.returncode == 10
    assert "Stopped; what is done is kept." in told and "Traceback" not in told
    assert finished(out) >= 2


@contextmanager
def started(*arguments: str, log: Path, inside: str = "") -> Iterator[subprocess.Popen[bytes]]:
    """A process until the end of the block, in a network namespace where one is named."""
    before = ["ip", "netns", "exec", inside] if inside else []
    with log.open("wb") as stream:
        process = subprocess.Popen(
            [*before, sys.executable, *arguments], stdout=stream, stderr=stream, cwd=log.parent,
            env=environment(),
        )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def scheduler_in(stack: ExitStack, folder: Path, host: str, inside: str = "") -> str:
    """Address of a Dask scheduler started for the block."""
    file = folder / "scheduler.json"
    stack.enter_context(
        started(
            "-m", "distributed.cli.dask_scheduler", "--host", host, "--port", "0",
            "--no-dashboard", "--scheduler-file", str(file), log=folder / "scheduler.log",
            inside=inside,
        )
    )  # fmt: skip
    wait_for("scheduler", lambda: file.exists() and file.read_text().strip().endswith("}"))
    return str(json.loads(file.read_text())["address"])


def worker_in(
    stack: ExitStack, folder: Path, address: str, name: str, inside: str = "", host: str = ""
) -> subprocess.Popen[bytes]:
    where = ("--host", host) if host else ()
    process = stack.enter_context(
        started(
            "-m", "distributed.cli.dask_worker", address, "--name", name, "--nthreads", "1",
            "--no-nanny", "--no-dashboard", "--local-directory", str(folder / name), *where,
            log=folder / f"{name}.log", inside=inside,
        )
    )  # fmt: skip
    log = folder / f"{name}.log"
    wait_for(f"worker {name}", lambda: re.search(r"Registered to", log.read_text()))
    return process


def test_a_worker_killed_in_the_middle_loses_nothing_and_doubles_nothing(
    packages: Path, screened: Path, tmp_path: Path
) -> None:
    """Two workers as processes of their own, joined by TCP; packages are sent as bytes."""
    out = tmp_path / "out"
    with ExitStack() as stack:
        address = scheduler_in(stack, tmp_path, "127.0.0.1")
        assert address.startswith("tcp://127.0.0.1:")
        victim = worker_in(stack, tmp_path, address, "one")
        worker_in(stack, tmp_path, address, "two")
        killed = threading.Event()

        def kill() -> None:
            wait_for("second package", lambda: finished(out) >= 2)
            victim.send_signal(signal.SIGKILL)
            killed.set()

        threading.Thread(target=kill, daemon=True).start()
        told = run("fleet", packages, "--shop", "volume", "--out", out, "--scheduler", address)
        assert killed.is_set() and victim.wait() == -signal.SIGKILL
    assert told.returncode == 10, told.stderr
    assert "screening on 2 workers" in told.stderr
    same_as(out, screened)


def test_a_lost_scheduler_is_told_and_the_same_command_goes_on(
    packages: Path, screened: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    arguments = ("fleet", packages, "--shop", "volume", "--out", out)
    with ExitStack() as stack:
        address = scheduler_in(stack, tmp_path, "127.0.0.1")
        worker_in(stack, tmp_path, address, "one")
        process = subprocess.Popen(
            command(*arguments, "--scheduler", address), env=environment(), cwd=ROOT, text=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        )  # fmt: skip
        wait_for("second package", lambda: finished(out) >= 2)
    _, told = process.communicate(timeout=240)
    assert process.returncode == 10, told
    assert "was lost" in told or "no worker is left" in told
    assert "Traceback" not in told
    assert 2 <= finished(out) < COUNT + 1
    assert run(*arguments).returncode == 10
    same_as(out, screened)


def test_a_package_too_large_to_send_is_told(packages: Path, tmp_path: Path) -> None:
    folder = tmp_path / "packages"
    for name, size in (("mill/large", 1_200_000), ("mill/small", 0)):
        board = Path(shutil.copytree(SAMPLE, folder / name))
        (board / "notes.txt").write_bytes(b"as agreed\n" * (size // 10))
    with ExitStack() as stack:
        address = scheduler_in(stack, tmp_path, "127.0.0.1")
        worker_in(stack, tmp_path, address, "one")
        arguments = ("fleet", folder, "--shop", "volume", "--scheduler", address)
        told = run(*arguments, "--out", tmp_path / "out", "--send-limit", "1")
        assert told.returncode == 10
        rows = {r["package"]: r for r in Dataset(tmp_path / "out").jobs().to_pylist()}
        assert rows["mill/small"]["state"] == "screened"
        assert rows["mill/large"]["state"] == "too-large"
        assert "use --shared" in rows["mill/large"]["reason"]
        told = run(*arguments, "--out", tmp_path / "out", "--shared")
        assert told.returncode == 0, told.stderr
    rows = {r["package"]: r for r in Dataset(tmp_path / "out").jobs().to_pylist()}
    assert rows["mill/large"]["state"] == "screened"


@contextmanager
def namespaces(*names: str) -> Iterator[None]:
    """Network namespaces joined by a bridge in the first, which has 10.213.0.1."""

    def ip(*arguments: str) -> None:
        subprocess.run(["ip", *arguments], check=True, capture_output=True)

    made: list[str] = []
    try:
        for name in names:
            ip("netns", "add", name)
            made.append(name)
            ip("-n", name, "link", "set", "lo", "up")
        hub = names[0]
        ip("-n", hub, "link", "add", "bridge", "type", "bridge")
        ip("-n", hub, "addr", "add", "10.213.0.1/24", "dev", "bridge")
        ip("-n", hub, "link", "set", "bridge", "up")
        for number, name in enumerate(names[1:], start=2):
            ip("-n", hub, "link", "add", f"to{number}", "type", "veth", "peer", "eth0", "netns",
               name)  # fmt: skip
            ip("-n", hub, "link", "set", f"to{number}", "master", "bridge", "up")
            ip("-n", name, "addr", "add", f"10.213.0.{number}/24", "dev", "eth0")
            ip("-n", name, "link", "set", "eth0", "up")
        yield
    except (subprocess.CalledProcessError, FileNotFoundError) as error:
        if len(made) == len(names) and not isinstance(error, subprocess.CalledProcessError):
            raise
        told = getattr(error, "stderr", b"") or str(error).encode()
        pytest.skip(f"no network namespaces here: {told.decode().strip()}")
    finally:
        for name in made:
            subprocess.run(["ip", "netns", "del", name], check=False, capture_output=True)


def test_workers_on_machines_of_their_own(packages: Path, screened: Path, tmp_path: Path) -> None:
    """Scheduler, client and two workers in three network namespaces: three machines as far as
    the network goes. One worker is cut off in the middle."""
    names = [f"dfmcheck-{os.getpid()}-{n}" for n in range(3)]
    out = tmp_path / "out"
    with namespaces(*names), ExitStack() as stack:
        address = scheduler_in(stack, tmp_path, "10.213.0.1", names[0])
        assert address.startswith("tcp://10.213.0.1:")
        victim = worker_in(stack, tmp_path, address, "one", names[1], "10.213.0.2")
        worker_in(stack, tmp_path, address, "two", names[2], "10.213.0.3")

        def kill() -> None:
            wait_for("second package", lambda: finished(out) >= 2)
            victim.send_signal(signal.SIGKILL)

        threading.Thread(target=kill, daemon=True).start()
        told = subprocess.run(
            ["ip", "netns", "exec", names[0],
             *command("fleet", packages, "--shop", "volume", "--out", out, "--scheduler", address)],
            capture_output=True, text=True, timeout=600, cwd=ROOT, env=environment(), check=False,
        )  # fmt: skip
        assert told.returncode == 10, told.stderr
        assert victim.wait() == -signal.SIGKILL
    same_as(out, screened)


def test_a_run_here_can_be_reached_from_this_machine_only() -> None:
    from dfmcheck.fleet.run import Options, _client

    def listening() -> list[str]:
        """Addresses this process listens on, as the kernel writes them (proc(5), net/tcp)."""
        held = set()
        for file in Path("/proc/self/fd").iterdir():
            with contextlib.suppress(OSError):
                held.add(str(file.readlink()).removeprefix("socket:[").removesuffix("]"))
        rows = [
            row.split()
            for kind in ("tcp", "tcp6")
            for row in Path(f"/proc/net/{kind}").read_text().splitlines()[1:]
        ]
        return [row[1].split(":")[0] for row in rows if row[3] == "0A" and row[9] in held]

    before = Counter(listening())
    with _client(Options(workers=1)):
        here = "0100007F"  # 127.0.0.1
        assert set(Counter(listening()) - before) <= {here}
