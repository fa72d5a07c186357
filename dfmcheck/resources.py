"""Finds the data folders that ship with the package, installed or in a checkout."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def data_folder(name: str) -> Path:
    """Folder of shipped data: ``grammars`` or ``rulesets``."""
    inside = _HERE / "_data" / name
    return inside if inside.is_dir() else _HERE.parent / name
