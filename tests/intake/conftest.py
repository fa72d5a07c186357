"""A made-up product, the Kettle Lamp, whose files the intake tests name and pack."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

import pytest
from kettle_lamp import DRILL, Fill, gerber


@pytest.fixture
def fill(tmp_path: Path) -> Fill:
    """Write files into a folder named lamp and give its path."""

    def write(files: Mapping[str, bytes]) -> Path:
        root = tmp_path / "lamp"
        shutil.rmtree(root, ignore_errors=True)
        for name, data in files.items():
            path = root / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        return root

    return write


@pytest.fixture
def two_layers() -> dict[str, bytes]:
    """A whole two-layer package."""
    layers = ("gtl", "gbl", "gts", "gbs", "gto", "gko")
    return {f"lamp.{e}": gerber(f"G04 {e}*") for e in layers} | {"lamp.drl": DRILL}
