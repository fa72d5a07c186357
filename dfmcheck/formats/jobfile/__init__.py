"""Reader of job files: JSON ``.gbrjob`` and the older job file in Gerber syntax."""

from __future__ import annotations

from dfmcheck.formats.jobfile.reader import read_job
from dfmcheck.formats.jobfile.records import JobFile, StackEntry

__all__ = ["JobFile", "StackEntry", "read_job"]
