"""The data folder: packages and results on disk.

::

    incoming/<random>         an upload under way
    jobs/<id>/package         the package as it came
    jobs/<id>/<random>/       what one attempt wrote; the job's row says which attempt counts

Every name is made here. What has to last is synced, file and folder, before anybody is told.
"""

from __future__ import annotations

import os
import re
import shutil
import time
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from dfmcheck.durable import sync_folder
from dfmcheck.errors import UsageError
from dfmcheck.service.keys import new_id

PACKAGE = "package"
_ID = re.compile(r"[0-9a-f]{32}")


def is_id(text: str) -> bool:
    """Whether a text has the form of an id made here; nothing else ever becomes a path.

    Examples
    --------
    >>> is_id("0" * 32), is_id("../" + "0" * 29), is_id("0" * 32 + chr(10))
    (True, False, False)
    """
    return _ID.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class DataFolder:
    """The folders under ``root``, readable by the service's own user alone."""

    root: Path

    @classmethod
    def opened(cls, root: Path) -> DataFolder:
        """The data folder, made where it is missing; UsageError where it cannot be used."""
        try:
            for folder in (root, root / "incoming", root / "jobs"):
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            probe = root / "incoming" / new_id()
            probe.touch()
            probe.unlink()
        except OSError as error:
            raise UsageError(
                f"the data folder cannot be used ({error.strerror or error})",
                "a folder this user may write to",
                "Give another --data.",
                file=str(root),
            ) from error
        return cls(root)

    def free_bytes(self) -> int:
        return shutil.disk_usage(self.root).free

    def incoming(self) -> Path:
        """A fresh place for an upload."""
        return self.root / "incoming" / new_id()

    def job(self, id_: str) -> Path:
        if not is_id(id_):
            raise ValueError("not an id")
        return self.root / "jobs" / id_

    def package(self, id_: str) -> Path:
        return self.job(id_) / PACKAGE

    def take(self, upload: Path, id_: str) -> None:
        """Make a finished upload the package of a job; it lasts on return."""
        folder = self.job(id_)
        folder.mkdir(mode=0o700)
        upload.rename(folder / PACKAGE)
        sync_folder(folder)
        sync_folder(folder.parent)

    def attempt(self, id_: str) -> Path:
        """A fresh folder for what one attempt writes."""
        folder = self.job(id_) / new_id()
        folder.mkdir(mode=0o700)
        return folder

    def result(self, id_: str, folder: str, name: str) -> Path:
        """A file of the attempt that counts."""
        if not is_id(folder):
            raise ValueError("not an attempt")
        return self.job(id_) / folder / name

    def remove(self, id_: str) -> None:
        """Remove all of a job."""
        shutil.rmtree(self.job(id_), ignore_errors=True)

    def remove_attempt(self, folder: Path) -> None:
        shutil.rmtree(folder, ignore_errors=True)

    def keep_only(self, id_: str, folder: str, *, package: bool) -> None:
        """Remove what a job left beside its results."""
        try:
            entries = list(self.job(id_).iterdir())
        except FileNotFoundError:
            return
        for entry in entries:
            if entry.name == PACKAGE:
                if not package:
                    entry.unlink(missing_ok=True)
            elif entry.name != folder:
                shutil.rmtree(entry, ignore_errors=True)

    def job_ids(self) -> list[str]:
        return [entry.name for entry in (self.root / "jobs").iterdir() if is_id(entry.name)]

    def age(self, id_: str) -> float:
        """Seconds since a job's folder last changed; 0 where it is gone."""
        try:
            return time.time() - self.job(id_).stat().st_mtime
        except FileNotFoundError:
            return 0.0

    def clear_incoming(self, older_s: float) -> None:
        """Remove uploads that nobody finishes any more."""
        for entry in (self.root / "incoming").iterdir():
            try:
                if time.time() - entry.stat().st_mtime > older_s:
                    entry.unlink()
            except FileNotFoundError:
                continue


def open_private(path: Path) -> BinaryIO:
    """A new file that only this user may read."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    return os.fdopen(handle, "wb")
