"""A small fleet of made-up packages, screened once."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from benchmarks.fleet.make_packages import write

pytest.importorskip("distributed", reason="the extra 'fleet' is not installed")
pytest.importorskip("duckdb", reason="the extra 'fleet' is not installed")

ROOT = Path(__file__).resolve().parents[2]
COUNT = 14
SEED = 5

Run = Callable[..., "subprocess.CompletedProcess[str]"]


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "dfmcheck.cli", *map(str, arguments)]


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "120"}


def run(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own; output as text."""
    return subprocess.run(
        command(*arguments), capture_output=True, text=True, timeout=600, cwd=ROOT,
        env=environment(), check=False,
    )  # fmt: skip


@pytest.fixture(scope="session")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Packages of several customers, and one that cannot be opened."""
    folder = tmp_path_factory.mktemp("packages")
    write(folder, COUNT, SEED)
    bad = folder / "Chapel Row School" / "torn.zip"
    bad.parent.mkdir(exist_ok=True)
    bad.write_bytes(b"PK\x03\x04 torn off")
    return folder


@pytest.fixture(scope="session")
def screened(packages: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data set of all packages."""
    out = tmp_path_factory.mktemp("fleet") / "measured"
    told = run("fleet", packages, "--shop", "volume", "--out", out, "--workers", "1")
    assert told.returncode == 10, told.stderr  # one cannot be opened
    return out


@pytest.fixture
def own(screened: Path, tmp_path: Path) -> Path:
    """A copy of the data set that a test may change."""
    return Path(shutil.copytree(screened, tmp_path / "measured"))
