"""Reader of Excellon and XNC drill and rout files."""

from __future__ import annotations

from dfmcheck.formats.excellon.reader import read_excellon

__all__ = ["read_excellon"]
