"""One watch per folder."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dfmcheck.errors import UsageError


@contextmanager
def locked(*folders: Path) -> Iterator[None]:
    """Hold folders for this process alone; whatever ends the process lets them go.

    Raises
    ------
    UsageError
        Another process holds one of them.
    """
    handles: list[int] = []
    try:
        for folder in folders:
            handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            handles.append(handle)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                if error.errno not in (errno.EWOULDBLOCK, errno.EACCES):
                    continue  # a file system without locks
                raise UsageError(
                    "another watch works on this folder", "one watch for each folder",
                    "Stop the other, or give another folder.", file=str(folder),
                ) from error  # fmt: skip
        yield
    finally:
        for handle in handles:
            os.close(handle)
