"""Fixtures shared by all tests."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def boards() -> Path:
    """Folder of published open boards; tests that need it are skipped where it is absent."""
    folder = Path(os.environ.get("DFMCHECK_BOARDS") or _ROOT.parent / "shared" / "boards")
    if not folder.is_dir():
        pytest.skip(f"no folder of open boards at {folder}; set DFMCHECK_BOARDS to one")
    return folder
