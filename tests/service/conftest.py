"""Fixtures of the service's tests; every test runs on both stores where the store matters."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

pytest.importorskip("fastapi", reason="the extra 'serve' is not installed")

from benchmarks.service.live import descendants
from dfmcheck.service.model import JobStore
from dfmcheck.service.settings import load
from dfmcheck.service.store import open_store
from tests.service.benches import Bench
from tests.service.gates import Gate, gate_of
from tests.service.postgres import postgres

SAMPLES = Path(__file__).parents[2] / "sample_boards"


@pytest.fixture(scope="session")
def database() -> Iterator[str]:
    with postgres() as address:
        yield address


class Time:
    """A clock that goes when told to."""

    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture()
def clock() -> Time:
    return Time()


@pytest.fixture(params=["sqlite", "postgres"])
def address(request: pytest.FixtureRequest) -> str:
    """Address of an empty store."""
    if request.param == "sqlite":
        return ""
    found: str = request.getfixturevalue("database")
    empty(found)
    return found


def empty(address: str) -> None:
    """Drop all tables of the database the tests started."""
    import psycopg

    with psycopg.connect(address) as connection:
        connection.execute("DROP TABLE IF EXISTS jobs, clients, workers")


Opener = Callable[[], JobStore]


@pytest.fixture()
def opener(address: str, tmp_path: Path, clock: Time) -> Iterator[Opener]:
    """Opens the same store again and again, as several processes would."""
    opened: list[JobStore] = []

    def open_one() -> JobStore:
        opened.append(open_store(address, tmp_path, clock))
        return opened[-1]

    yield open_one
    for store in opened:
        store.close()


@pytest.fixture()
def store(opener: Opener) -> JobStore:
    return opener()


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The planted sample board as a zip."""
    base = tmp_path_factory.mktemp("package") / "harbour-gauge"
    return Path(shutil.make_archive(str(base), "zip", SAMPLES / "tide-logger-planted"))


@pytest.fixture()
def gate(tmp_path: Path) -> Iterator[Gate]:
    made = gate_of(tmp_path / "data")
    yield made
    made.store.close()


@pytest.fixture()
def bench(tmp_path: Path, package: Path) -> Iterator[Bench]:
    mask = os.umask(0o077)  # as a worker sets it
    made = Bench(tmp_path / "data", package, load({"data": str(tmp_path)}, environment={}))
    yield made
    made.store.close()
    os.umask(mask)
    left = set(descendants([os.getpid()])) - made.strangers - set(descendants([*made.strangers]))
    assert not left, "a job left a process behind"
