"""A real PostgreSQL for the tests, started from the binaries on the path and thrown away."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def postgres() -> Iterator[str]:
    """Address of a fresh database, or a skip that says what is missing."""
    pytest.importorskip("psycopg", reason="psycopg is not installed")
    if shutil.which("initdb") is None or shutil.which("postgres") is None:
        pytest.skip("no PostgreSQL binaries (initdb, postgres) on the path")
    folder = Path(tempfile.mkdtemp(prefix="dfmcheck-pg-"))
    user: dict[str, int] = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        try:
            nobody = pwd.getpwnam("nobody")
        except KeyError:
            pytest.skip("PostgreSQL does not run as root, and there is no user 'nobody'")
        os.chown(folder, nobody.pw_uid, nobody.pw_gid)
        user = {"user": nobody.pw_uid, "group": nobody.pw_gid}
    port = free_port()
    data = folder / "data"
    made = subprocess.run(
        ["initdb", "-D", str(data), "-U", "tester", "-A", "trust", "-E", "UTF8", "--no-sync"],
        capture_output=True, text=True, cwd=folder, **user,
    )  # fmt: skip
    if made.returncode:
        pytest.skip(f"initdb fails here: {made.stderr.strip()[-200:]}")
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(
            ["postgres", "-D", str(data), "-p", str(port), "-k", str(folder), "-h", "127.0.0.1"],
            stdout=log, stderr=log, cwd=folder, **user,
        )  # fmt: skip
    try:
        address = f"postgresql://tester@127.0.0.1:{port}/postgres"
        _wait(address, server)
        yield address
    finally:
        server.terminate()
        server.wait(30)
        shutil.rmtree(folder, ignore_errors=True)


def _wait(address: str, server: subprocess.Popen[bytes]) -> None:
    import psycopg

    for _ in range(150):
        assert server.poll() is None, "PostgreSQL ended at once"
        try:
            psycopg.connect(address, connect_timeout=2).close()
            return
        except psycopg.OperationalError:
            time.sleep(0.2)
    raise AssertionError("PostgreSQL does not answer")
