"""The two folders of a watch."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    place = tmp_path / "inbox"
    place.mkdir()
    return place


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "out"
