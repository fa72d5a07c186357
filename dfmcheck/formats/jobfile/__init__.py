"""Reader of job files: JSON ``.gbrjob`` and the older job file in Gerber syntax."""

from __future__ import annotations

from dfmcheck.formats.jobfile.records import JobFile, StackEntry

__all__ = ["JobFile", "StackEntry", "read_job"]


def read_job(data: bytes, file: str) -> JobFile:
    """As :func:`dfmcheck.formats.jobfile.reader.read_job`, loaded with the first job file:
    building its schema takes as long as reading a small board."""
    from dfmcheck.formats.jobfile.reader import read_job as read

    return read(data, file)
