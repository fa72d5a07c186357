"""What stops a server from starting is told in one sentence, before any worker starts."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from dfmcheck.errors import UsageError
from dfmcheck.service import server
from dfmcheck.service.settings import load


@pytest.fixture(autouse=True)
def mask() -> Iterator[None]:
    """A server sets the mask of new files for its whole process."""
    before = os.umask(0o077)
    yield
    os.umask(before)


def serve(root: Path, **given: Any) -> None:
    def ready(address: str) -> None:
        raise AssertionError(f"it listens on {address}")

    server.serve(load({"data": str(root / "data"), **given}, environment={}), ready)


def test_a_port_that_is_taken(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(UsageError, match=f"127.0.0.1, port {port} .Address already in use"):
            serve(tmp_path, port=port)


@pytest.mark.parametrize("host", ["192.0.2.1", "nowhere.invalid"])  # RFC 5737, RFC 6761
def test_an_address_that_is_not_this_machines(tmp_path: Path, host: str) -> None:
    with pytest.raises(UsageError, match=f"nothing can listen on {host}"):
        serve(tmp_path, host=host, port=0)


def test_a_certificate_that_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "bad.pem").write_text("no certificate")
    for name in ("bad.pem", "missing.pem"):
        with pytest.raises(UsageError, match="tls_certificate and tls_key cannot be used"):
            serve(tmp_path, tls_certificate=str(tmp_path / name), tls_key=str(tmp_path / name))


def test_an_open_port_is_told_as_it_was_chosen(tmp_path: Path) -> None:
    told: list[str] = []

    class Enough(Exception):
        pass

    def ready(address: str) -> None:
        told.append(address)
        raise Enough

    for host, shown in (("127.0.0.1", "127.0.0.1"), ("localhost", "localhost")):
        settings = load({"data": str(tmp_path), "host": host, "port": 0}, environment={})
        with pytest.raises(Enough):
            server.serve(settings, ready)
        assert told[-1].startswith(f"http://{shown}:")
        assert int(told[-1].rpartition(":")[2]) > 0
