"""Files and folders that are still there, and whole, after the power went."""

from __future__ import annotations

import os
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in a folder last."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_synced(path: Path, data: bytes) -> None:
    """Write a file that lasts; its folder is still to be synced."""
    with path.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
